/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the current of a valve's coil tells of a command that switches it on: when it begins to rise, and when
 * the armature stops.  While the armature moves, the voltage its motion induces bends the current down; as it
 * stops, that ends at once, and the current has a least there with a sharp bend (common practice, no source;
 * Yudell & Van de Ven 2015 time valves by such a change of slope). */
#ifndef TRAMMEL_COIL_CURRENT_H
#define TRAMMEL_COIL_CURRENT_H

#include "analyse/ride.h"

enum coil_state {
	COIL_UNSEEN, /* not measured, too few samples, or too much noise to say */
	COIL_MOVED,  /* it rose and has a dip */
	COIL_STILL,  /* it rose without a dip, and one would show: the armature did not move */
	COIL_DEAD    /* it did not rise */
};

struct coil_look {
	enum coil_state state;
	double rise_s, dip_s; /* after the command; NAN = not seen */
};

/* Samples of the current about a command, which holds until until_us; `full_a` is what the channel can show
 * at most. */
struct coil_look coil_current_look(const struct ride_series *s, double full_a, double command_us,
                                   double until_us);

#endif
