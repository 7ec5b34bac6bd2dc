/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/stroke_air.h"

#include "common/air.h"
#include "common/unit.h"

#include <math.h>

double stroke_air_admitted_kg(const struct indicator_node *node, size_t n, double supply_k)
{
	if (n < 2)
		return 0;
	const struct indicator_node *a = &node[0], *b = &node[n - 1];
	double stored_j = (b->p_pa * b->v_m3 - a->p_pa * a->v_m3) / (AIR_GAMMA - 1);
	double cp = AIR_GAMMA * AIR_R / (AIR_GAMMA - 1);
	return (stored_j + indicator_work_j(node, n)) / (cp * supply_k);
}

double stroke_air_kg(const struct stroke_nodes *s, const struct stroke_angles *a, double omega_rad_s,
                     double opening_s, double shutting_s, double supply_k)
{
	if (a->source[EVENT_ADMISSION] == FROM_MISSED)
		return 0;
	if (a->source[EVENT_CUT_OFF] == FROM_MISSED)
		return NAN; /* the inlet stayed open: air goes straight through */
	double from = a->phi_rad[EVENT_ADMISSION] - omega_rad_s * opening_s;
	double to = a->phi_rad[EVENT_CUT_OFF] + omega_rad_s * shutting_s;
	if (!isfinite(from) || !isfinite(to))
		return NAN;
	/* The exhaust ends the balance: what flows through is not seen in the chamber. */
	to = fmin(to, fmin(fmax(a->phi_rad[EVENT_RELEASE], from), 2 * UNIT_PI));
	size_t first = stroke_nodes_at(s, from), past = stroke_nodes_at(s, to);
	return first < past ? stroke_air_admitted_kg(&s->node[first], past - first, supply_k) : NAN;
}
