/* SPDX-License-Identifier: GPL-3.0-or-later */
/* How far the ledger of a stroke moves when what it stands on is off: the events' angles (which moves joules
 * from one line to its neighbour), the crank's angle, the zero of the gauges. */
#ifndef TRAMMEL_LEDGER_DOUBT_H
#define TRAMMEL_LEDGER_DOUBT_H

#include "analyse/ledger_stroke.h"

/* What may be off: first the events, by their kinds. */
enum ledger_doubt {
	DOUBT_CHAMBER = EVENT_KINDS,
	DOUBT_SUPPLY,
	DOUBT_BLOWN_DOWN, /* where the gauge's noise lets the blow-down end */
	DOUBT_ANGLE,
	LEDGER_DOUBTS
};

struct ledger_sds { /* one standard deviation of each */
	double event_rad[EVENT_KINDS];
	double chamber_pa, supply_pa; /* zeros of the gauges */
	double angle_rad;
	double noise_pa; /* of a sample */
};

struct ledger_change { /* by one standard deviation of one cause, J */
	double line_j[LEDGER_LINES], ideal_j;
};

/* Reckons the ledger anew for each cause.  `c` is complete (cut-off volume and pressure too).  Spoils the
 * stroke's nodes. -1 when out of memory. */
int ledger_doubts(const struct ledger_stroke *stroke, const struct ledger_case *c,
                  const struct ledger_sds *sd, struct ledger_change change[LEDGER_DOUBTS]);

#endif
