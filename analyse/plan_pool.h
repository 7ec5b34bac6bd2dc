/* SPDX-License-Identifier: GPL-3.0-or-later */
/* One machine from one ride or several.
 *
 * The last ride is the machine as it is now: what is loaded, its speed, supply and strokes.  The
 * others add to what is known of valves, controller and passages.
 *
 * Each edge's delay: least squares over the rides' means and, in each ride, over its own slopes by
 * supply, battery and speed,
 *
 *   delay = delay there + sum of per[k] (x[k] - there[k]),
 *
 * weighed by their variances.  To those of the means is added what the rides differ by beyond them (Paule &
 * Mandel, J. Res. Natl. Bur. Stand. 87, 1982); what valves do stands in for slopes that no ride
 * tells (plan_per_sd). */
#ifndef TRAMMEL_PLAN_POOL_H
#define TRAMMEL_PLAN_POOL_H

#include "analyse/plan_machine.h"

struct plan_lesson { /* one ride: the machine it shows, fitted, and what was gathered beside */
	const struct plan_machine *machine;
	const struct plan_learn *learn;
};

/* n is 1 .. PLAN_RUNS_MAX.  0; or -1 with fault (EX_DATAERR) when the rides are of different
 * machines: the text names what differs. */
int plan_pool(const struct plan_lesson *ride, size_t n, struct plan_machine *out, struct fault *fault);

#endif
