/* SPDX-License-Identifier: GPL-3.0-or-later */
/* How sure a prediction is: every doubt (delay, offset, index, passage of each end) is
 * moved by its standard deviation, the timing as it is and the timing planned
 * are run again, and the changes are added in quadrature.  The disagreement of
 * the model with the measured strokes, and a share of the prediction itself,
 * are added for what the model leaves out. */
#ifndef TRAMMEL_PLAN_DOUBT_H
#define TRAMMEL_PLAN_DOUBT_H

#include "analyse/plan_search.h"

enum plan_quantity { PLAN_WORK, PLAN_AIR, PLAN_USEFUL, PLAN_WORK_PER_AIR, PLAN_QUANTITIES };

struct plan_value {
	double now;                       /* measured where it was; else the model's; NAN without a ride */
	double planned;                   /* now + gain; the model's where nothing was measured */
	double gain, gain_low, gain_high; /* 95 % */
	double planned_low, planned_high;
};

struct plan_doubt {
	bool has_now;                             /* a timing to compare with */
	bool measured;                            /* strokes measured at every end in use */
	struct plan_value value[PLAN_QUANTITIES]; /* J, kg, part, J/kg; a turn */
	char greatest[80];                        /* the doubt that moves the work most */
};

/* Quantities of a prediction in the order of enum plan_quantity. */
void plan_quantities(const struct plan_prediction *p, double out[PLAN_QUANTITIES]);

/* `now` NULL: nothing to compare with.  0, or -1 when memory runs out. */
int plan_doubt_find(const struct plan_machine *m, const struct plan_conditions *at,
                    const struct plan_timing *now, const struct plan_timing *planned, struct plan_doubt *out);

#endif
