/* SPDX-License-Identifier: GPL-3.0-or-later */
/* For tests: the ledger that a report gives of a ride, beside that of the same strokes with nothing in doubt:
 * valves' instants from the simulator, gauges without zero error, lag and noise, the index where it is. */
#ifndef TRAMMEL_LEDGER_RIG_H
#define TRAMMEL_LEDGER_RIG_H

#include "analyse/strokes.h"
#include "tests/closed_loop.h"

struct ledger_pair {
	struct stroke_summary said[END_COUNT], truth[END_COUNT];
};

/* Rides twice and analyses.  Aborts the test (Check) when a step fails. */
void ledger_rig_ride(const struct loop_machine *m, struct ledger_pair *out);

#endif
