/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The ledger of one stroke, from the nodes of its diagram. */
#ifndef TRAMMEL_LEDGER_STROKE_H
#define TRAMMEL_LEDGER_STROKE_H

#include "analyse/ledger.h"
#include "analyse/stroke_nodes.h"

struct ledger_stroke { /* a stroke's diagram and where it comes from */
	struct stroke_nodes *nodes;
	const struct stroke_source *source;
	double dead_centre_rad;
};

/* Puts nodes at the dead centres and at every boundary of the ledger.  -1 when out of memory. */
int ledger_stroke_nodes(const struct ledger_stroke *s, const struct ledger_case *c);

/* Volume and pressure at the cut-off into the case, the lines (J) into line_j.  The volumes are taken
 * `ahead_rad` farther on: 0, but for asking what if the angle were off. */
void ledger_stroke_lines(const struct ledger_stroke *s, struct ledger_case *c, double ahead_rad,
                         double line_j[LEDGER_LINES]);

#endif
