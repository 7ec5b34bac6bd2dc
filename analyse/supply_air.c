/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/supply_air.h"

#include "common/air.h"

#include <math.h>

static const double REST_US = 30e6; /* without a stroke this long: the tank is warm again */
static const double FILLED = 1.03;  /* pressure risen by this: somebody fills it */
static const double COLDEST = 0.7;  /* of rest_k: colder is an error of volume or gauge */

struct supply_air supply_air_start(double rest_k, double tank_m3)
{
	return (struct supply_air){.rest_k = rest_k, .tank_m3 = tank_m3};
}

double supply_air_k(struct supply_air *s, double t_us, double tank_pa)
{
	if (!(s->tank_m3 > 0) || !(tank_pa > 0))
		return s->rest_k;
	bool rested = t_us - s->last_us > REST_US, filled = tank_pa > FILLED * s->least_pa;
	s->last_us = t_us;
	if (!s->started || rested || filled) {
		s->started = true;
		s->start_kg = tank_pa * s->tank_m3 / (AIR_R * s->rest_k);
		s->used_kg = 0;
		s->least_pa = tank_pa;
	}
	s->least_pa = fmin(s->least_pa, tank_pa);
	double left_kg = s->start_kg - s->used_kg;
	double k = left_kg > 0 ? tank_pa * s->tank_m3 / (AIR_R * left_kg) : s->rest_k;
	return fmin(fmax(k, COLDEST * s->rest_k), s->rest_k);
}

void supply_air_take(struct supply_air *s, double kg)
{
	if (kg > 0)
		s->used_kg += kg;
}
