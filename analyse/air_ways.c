/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/air_ways.h"

#include "common/air.h"

#include <math.h>

#define BLOCK_US 500e3  /* the gauge's noise is averaged over this */
#define BLOCK_LEAST 20  /* samples */
#define FILLED 1.03     /* pressure risen by this since its least */
#define FALL_LEAST 0.02 /* less than this part: lost in the gauge's error */
#define GAUGE_PART 0.01 /* of the fall: linearity of the gauge; judgement */

const char *air_way_key(enum air_way w)
{
	static const char *const key[] = {"chambers", "tank", "valves"};
	return key[w];
}

const char *air_way_name(enum air_way w)
{
	static const char *const name[] = {"the chambers' energy balance", "the tank's fall of pressure",
	                                   "valves and angles, simulated"};
	return name[w];
}

static void end_block(struct tank_watch *t)
{
	double mean = t->block_sum / t->block_n;
	if (t->blocks++ == 0)
		t->first_pa = t->least_pa = mean;
	t->filled = t->filled || mean > FILLED * t->least_pa;
	t->least_pa = fmin(t->least_pa, mean);
	t->last_pa = mean;
	t->block_n = 0;
	t->block_sum = 0;
}

void tank_watch_add(struct tank_watch *t, const struct engine *e, const struct leg *leg)
{
	int channel = engine_sensor_channel(e, SENSOR_TANK);
	if (channel < 0)
		return;
	const struct ride_series *s = &leg->sensor[channel];
	for (size_t i = ride_lower_bound(s->t_us, s->n, leg->core_from_us);
	     i < s->n && s->t_us[i] < leg->core_to_us; i++) {
		if (t->block_n >= BLOCK_LEAST && (double)s->t_us[i] - t->block_start_us >= BLOCK_US)
			end_block(t);
		if (t->block_n++ == 0)
			t->block_start_us = (double)s->t_us[i];
		t->block_sum += (double)s->value[i];
	}
}

/* What left: most when the air stayed warm, least when no heat reached it, m/m0 = (p/p0)^(1/gamma). */
struct air_known tank_watch_air(const struct tank_watch *t, const struct engine *e, double turns)
{
	double ratio = t->last_pa / t->first_pa;
	if (t->blocks < 2 || t->filled || !(e->tank_m3 > 0) || !(turns >= 1) || ratio > 1 - FALL_LEAST)
		return (struct air_known){NAN, NAN};
	double start_kg = t->first_pa * e->tank_m3 / (AIR_R * e->air_k);
	double most = start_kg * (1 - ratio), least = start_kg * (1 - pow(ratio, 1 / AIR_GAMMA));
	double mean = (most + least) / 2;
	return (struct air_known){mean / turns, hypot((most - least) / 2, GAUGE_PART * mean) / turns};
}

bool air_ways_disagree(const struct air_known way[AIR_WAYS], enum air_way *a, enum air_way *b)
{
	for (int i = 0; i < AIR_WAYS; i++)
		for (int k = i + 1; k < AIR_WAYS; k++) {
			double apart = fabs(way[i].kg - way[k].kg);
			if (!(apart > way[i].half_width_kg + way[k].half_width_kg))
				continue;
			*a = (enum air_way)i;
			*b = (enum air_way)k;
			return true;
		}
	return false;
}

double air_ways_reach_kg(const struct air_known way[AIR_WAYS])
{
	double reach = way[AIR_BY_CHAMBERS].half_width_kg;
	enum air_way a, b;
	if (!air_ways_disagree(way, &a, &b))
		return reach;
	for (int w = 0; w < AIR_WAYS; w++)
		reach = fmax(reach, fabs(way[w].kg - way[AIR_BY_CHAMBERS].kg) + way[w].half_width_kg);
	return reach;
}
