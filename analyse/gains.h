/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What fixing one thing alone would gain.
 *
 * The loss ledger takes the measured diagram apart; it does not say what would
 * happen: an inlet that opens in time fills the cylinder, so that the late
 * exhaust costs more than before.  Here the stroke is simulated (cycle.h) as
 * it was, at the ride's mean speed and supply with the events where they really
 * were, and again with one cause removed.  These differences do not add up;
 * shares that do are the means over all orders of removal (Shapley, Contributions
 * to the Theory of Games II, 1953), over all subsets of the causes. */
#ifndef TRAMMEL_GAINS_H
#define TRAMMEL_GAINS_H

#include <stdbool.h>

enum gain_cause {
	GAIN_ADMISSION, /* each event put where it was meant to be */
	GAIN_CUT_OFF,
	GAIN_RELEASE,
	GAIN_COMPRESSION,
	GAIN_PASSAGES, /* wire-drawing: both passages let through twice as much */
	GAIN_SUPPLY,   /* the supply stays at what it is when nothing draws */
	GAIN_CAUSES
};
const char *gain_key(enum gain_cause c);  /* "admission" */
const char *gain_name(enum gain_cause c); /* "inlet opens on time" */

struct gain {                              /* of one stroke; all NAN when not known */
	double work_j, air_kg;             /* change when this alone is put right; */
	double work_error_j, air_error_kg; /* ... within this, 95 % */
	double j_per_kg, j_per_kg_error;   /* change of work per air; within this, 95 % */
	double share_j, share_kg;          /* order-free share of the change when all are put right */
};

#define GAINS_AGREE 0.15 /* simulated and measured work may differ by this part */

struct gains {
	bool known; /* false: `why` */
	char why[160];
	double measured_j, simulated_j; /* as it was; NAN */
	/* Least pressure of the return stroke, absolute: measured; simulated there, at the mean and at the
	   top speed of the ride; NAN. */
	double floor_pa, simulated_floor_pa, top_floor_pa;
	double simulated_air_kg, simulated_air_error_kg; /* NAN; by conductances off as they may be, 95 % */
	double all_j, all_kg, all_error_j, all_error_kg; /* change when everything is put right; 95 % */
	struct gain gain[GAIN_CAUSES];
	enum gain_cause by_work[GAIN_CAUSES]; /* most work first; those not known last */
	enum gain_cause by_air[GAIN_CAUSES];  /* most work per air first */
};

struct report;
/* Of both ends.  Heap use: one plan_machine for the call; without memory nothing is known.
 * About 150 simulated strokes an end. */
void gains_reckon(const struct report *r, struct gains *out /* [END_COUNT] */);

#endif
