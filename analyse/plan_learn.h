/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a plan wants to know beyond the report, gathered from the events as the
 * analysis finds them: how delays change with the supply pressure, and whether
 * the controller fires only when it counts a tooth. */
#ifndef TRAMMEL_PLAN_LEARN_H
#define TRAMMEL_PLAN_LEARN_H

#include "analyse/analysis.h"

struct plan_slope {                 /* sums for a straight line of delay over supply pressure */
	double n, x, y, xx, xy, yy; /* x in bar, y in ms */
};

struct plan_lattice {                 /* directions of the controller's angle on the circle of one tooth */
	double n, sine[2], cosine[2]; /* for one edge a tooth, and for both */
};

struct plan_learn {
	struct engine engine; /* shallow copy */
	int supply_channel;
	struct plan_slope slope[ENGINE_VALVES_MAX][2]; /* [off, on] */
	struct plan_lattice lattice;
};

/* `learn` is filled while analysis_run works with the sink. */
void plan_learn_start(struct plan_learn *learn, const struct engine *e);
struct analysis_sink plan_learn_sink(struct plan_learn *learn);

/* Change of the delay with supply pressure, s/Pa, and the pressure it turns about.  False
 * when the pressures span less than 1 bar or the slope does not stand out (3 sd). */
bool plan_learn_slope(const struct plan_learn *learn, unsigned valve, bool on, double *per_pa, double *at_pa);

/* Angle between the places at which the controller fires; 0 when it fires
 * between teeth, or when that cannot be told. */
double plan_learn_pitch_rad(const struct plan_learn *learn);

#endif
