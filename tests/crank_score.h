/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Solves a rig's ride and compares the angle with the truth. */
#ifndef TRAMMEL_CRANK_SCORE_H
#define TRAMMEL_CRANK_SCORE_H

#include "analyse/crank.h"
#include "tests/wheel_rig.h"

struct crank_score {
	double rms_deg, p999_deg, max_deg; /* a constant offset of the ride taken out */
	double within_2sd;                 /* that offset left in: what is claimed covers it */
	double flagged_part;
	size_t slips;                 /* good times at which the angle is off by half a tooth or more */
	double missed_off, extra_off; /* counts found less true ones, mean over seeds */
	double offset_deg;
	unsigned rides, failed, refused; /* refused: low orders not told from torque, and said so */
	/* working storage */
	double *error_deg;
	size_t n, cap, asked, flagged, within;
	double sum2;
};

struct crank_ride { /* one leg and its truth */
	const struct engine *engine;
	const struct leg *leg;
	double (*theta)(const void *ctx, double t_us); /* NAN = not known */
	const void *ctx;
	double index_off_rad; /* the engine file's index angle less the true one: all angles are off by it */
};

/* Learns and solves a ride and adds its errors as below.  False when it cannot be solved. */
bool crank_score_ride(struct crank_score *c, const struct crank_ride *r, struct crank_totals *totals);

/* Learns and solves one ride (one leg); adds its errors (constant offset of the
 * ride removed: the index angle is given, not measured). */
void crank_score_add(struct crank_score *c, const struct wheel_setup *s);
void crank_score_finish(struct crank_score *c);

#endif
