/* SPDX-License-Identifier: GPL-3.0-or-later */
/* For tests: rides of machines drawn at random, and what the report says of their strokes beside
 * what really happened in the same strokes. */
#ifndef TRAMMEL_WORK_RIG_H
#define TRAMMEL_WORK_RIG_H

#include "analyse/report.h"
#include "tests/closed_loop.h"

/* Machine i of the closed loop's, and its gauges: their lag (0.2 to 1 ms), a zero as good as a careful
 * calibration leaves it (0.1 % of the range, sd), the index set to 0.1 deg (sd). */
void work_rig_draw(unsigned i, double duration_s, struct loop_machine *m);

struct work_truth { /* means over the strokes that the report counts */
	unsigned n;
	double work_j, useful_deg, air_g, peak_torque_nm;
};

struct work_ride {
	struct report report; /* the engine's text is gone */
	struct work_truth truth[END_COUNT];
	unsigned unpaired; /* strokes counted that the truth does not hold */
};

/* Rides and analyses.  Aborts the test (Check) when a step fails. */
void work_rig_ride(const struct loop_machine *m, struct work_ride *out);

#endif
