/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The current through a valve's coil: behind its relay it rises as in any coil, is bent down while the
 * armature moves (the voltage that its motion induces stands against the supply's), has its least where the
 * armature stops, and rises on.  Some time after that stop the valve itself begins to move. */
#ifndef TRAMMEL_REHEARSE_ARMATURE_H
#define TRAMMEL_REHEARSE_ARMATURE_H

#include "analyse/rehearse/prng.h"
#include "analyse/rehearse/settings.h"

#include <stdbool.h>

struct armature {
	double full_a, time_s, relay_s, travel_s, pilot_s, back_emf, open_circuit;
	double current_a;
	double powered_s, cut_s; /* the coil gets its voltage, and no more; NAN = not to come */
	double stops_s;          /* NAN = does not move */
	struct prng random;
};

/* `seen`: the current is measured; else none is reckoned. */
struct armature armature_make(const struct settings *s, unsigned valve, bool seen, struct prng random);

/* Is the circuit broken at this command?  Then neither coil nor valve answers. */
bool armature_cut_off(struct armature *a);

/* The coil is switched on; the valve begins to move at begins_s (NAN = it sticks). */
void armature_on(struct armature *a, double t_s, double begins_s);
void armature_off(struct armature *a, double t_s);

/* Over the step that begins at t_s. */
void armature_step(struct armature *a, double t_s, double step_s);

#endif
