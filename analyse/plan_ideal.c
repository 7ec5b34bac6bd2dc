/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/plan_ideal.h"

#include "common/air.h"

#include <math.h>

struct plan_ideal_point plan_ideal_at(const struct plan_ideal *d, double x, double y)
{
	double k = d->clearance_ratio;
	struct plan_ideal_point p = {.x = x, .y = y};
	p.end_pa = air_polytropic_pa(d->supply_pa, k + x, k + 1, d->n);
	p.compression_pa = k > 0 ? air_polytropic_pa(d->ambient_pa, k + y, k, d->n) : d->ambient_pa;
	double out = d->supply_pa * x + air_polytropic_work(d->supply_pa, k + x, k + 1, d->n);
	double back = d->ambient_pa * (1 - y);
	if (k > 0)
		back -= air_polytropic_work(d->ambient_pa, k + y, k, d->n);
	p.mep_pa = out - back;
	p.air_kg_m3 =
	    (d->supply_pa * x + (d->supply_pa - p.compression_pa) * k / d->fill) / (AIR_R * d->air_k);
	p.economy_j_kg = (p.mep_pa - d->friction_pa) / p.air_kg_m3;
	return p;
}

double plan_ideal_full_expansion(const struct plan_ideal *d)
{
	return air_cutoff_full_expansion(d->supply_pa, d->ambient_pa, d->clearance_ratio, d->n);
}

double plan_ideal_most_compression(const struct plan_ideal *d)
{
	double y = d->clearance_ratio * (pow(d->supply_pa / d->ambient_pa, 1 / d->n) - 1);
	return fmin(y, 1);
}

static double best_x(const struct plan_ideal *d, double y)
{
	/* Golden section: work per air has one maximum over the cut-off. */
	const double golden = 0.61803398874989485;
	double low = d->clearance_ratio > 0 ? 0 : 1e-6, high = 1;
	for (int i = 0; i < 60; i++) {
		double a = high - golden * (high - low), b = low + golden * (high - low);
		if (plan_ideal_at(d, a, y).economy_j_kg < plan_ideal_at(d, b, y).economy_j_kg)
			low = a;
		else
			high = b;
	}
	return (low + high) / 2;
}

struct plan_ideal_point plan_ideal_economy(const struct plan_ideal *d, int compress)
{
	const int steps = 50;
	double most = compress ? plan_ideal_most_compression(d) : 0;
	struct plan_ideal_point best = plan_ideal_at(d, best_x(d, 0), 0);
	for (int i = 1; i <= steps && most > 0; i++) {
		double y = most * i / steps * (1 - 1e-9); /* stays below the supply pressure */
		struct plan_ideal_point p = plan_ideal_at(d, best_x(d, y), y);
		if (p.air_kg_m3 > 0 && p.mep_pa > d->friction_pa && p.economy_j_kg > best.economy_j_kg)
			best = p;
	}
	return best;
}

double plan_ideal_reaches_ambient(const struct plan_ideal *d, double x)
{
	double k = d->clearance_ratio;
	return fmin((x + k) * pow(d->supply_pa / d->ambient_pa, 1 / d->n) - k, 1);
}

void plan_ideal_tank_turns(double tank_m3, double p_full_pa, double p_empty_pa, double air_k,
                           double air_kg_per_turn, double *low, double *high)
{
	double left = fmin(p_empty_pa / p_full_pa, 1), full_kg = p_full_pa * tank_m3 / (AIR_R * air_k);
	*high = full_kg * (1 - left) / air_kg_per_turn;
	*low = full_kg * (1 - pow(left, 1 / AIR_GAMMA)) / air_kg_per_turn;
}
