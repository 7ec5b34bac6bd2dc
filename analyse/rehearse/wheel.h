/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The toothed wheel as it was made (pitch errors, eccentricity, tooth width)
 * and as its pick-up sees it edge by edge (scatter, light). */
#ifndef TRAMMEL_REHEARSE_WHEEL_H
#define TRAMMEL_REHEARSE_WHEEL_H

#include "analyse/rehearse/prng.h"
#include "analyse/rehearse/settings.h"

#include <stdbool.h>

#define WHEEL_TEETH_MAX 1024

struct wheel {
	unsigned teeth;
	double pitch_deg, first_deg, duty;
	double jitter_deg, drift_deg, drift_period_s;
	double error_deg[WHEEL_TEETH_MAX]; /* of each tooth; the mean is 0 */
	/* the gap or tooth now under the pick-up: edge numbers count on through
	 * the turns; even = a tooth begins, odd = it ends (forward) */
	long edge_below;
	double below_deg, above_deg; /* where its two edges will be seen */
	struct prng random;
};

/* An edge that was passed. */
struct wheel_edge {
	unsigned tooth; /* 0..teeth-1 */
	bool into;      /* the pick-up went from gap to tooth, either direction */
	double theta_deg;
};

/* `pitch_deg`: from tooth to tooth, crank degrees (the wheel may turn faster or
 * slower than the crank); `first_deg`: crank angle of the beginning of tooth 0. */
void wheel_make(struct wheel *w, unsigned teeth, double pitch_deg, double first_deg, const struct settings *s,
                struct prng random);

/* Places the pick-up; true when it looks at a tooth. */
bool wheel_place(struct wheel *w, double theta_deg);

/* The next edge between where the crank was and theta_deg: false when there
 * is none left.  Call until false after every step. */
bool wheel_next(struct wheel *w, double theta_deg, double t_s, struct wheel_edge *edge);

/* True angle of the beginning (level 1) or end of a tooth, within its turn. */
double wheel_edge_deg(const struct wheel *w, long edge);

#endif
