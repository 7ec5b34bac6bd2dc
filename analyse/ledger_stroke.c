/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/ledger_stroke.h"

#include "common/unit.h"

#include <math.h>

int ledger_stroke_nodes(const struct ledger_stroke *s, const struct ledger_case *c)
{
	double phi[LEDGER_BOUNDARIES + 2] = {0, 2 * UNIT_PI};
	size_t n = 2 + ledger_boundaries(c, phi + 2);
	for (size_t k = 0; k < n; k++)
		if (stroke_nodes_insert(s->nodes, s->source, s->dead_centre_rad, phi[k]) != 0)
			return -1;
	return 0;
}

void ledger_stroke_lines(const struct ledger_stroke *s, struct ledger_case *c, double ahead_rad,
                         double line_j[LEDGER_LINES])
{
	double caught = fmin(fmax(c->cut_off_rad, 0), c->turn_back_rad);
	c->v_cut_off_m3 =
	    mech_volume_m3(s->source->mech, s->source->end, s->dead_centre_rad + caught + ahead_rad);
	c->p_cut_off_pa = stroke_nodes_pa(s->nodes, caught);
	size_t first = stroke_nodes_at(s->nodes, 0), past = stroke_nodes_at(s->nodes, 2 * UNIT_PI) + 1;
	ledger_partition(c, s->nodes->node + first, past - first, line_j);
}
