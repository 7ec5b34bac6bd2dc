/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The air of a turn, known in up to three ways that lean on different things:
 *
 *   chambers  energy balance of each admission (stroke_air.h): chamber gauges, angles
 *   tank      m = p V / (R T) lost over the ride: tank gauge and volume; the tank's air may
 *             have cooled as without heat from its wall, or not at all
 *   valves    the simulated stroke (gains.h): event angles and conductances
 *
 * They agree, or something is wrong that none of them shows alone. */
#ifndef TRAMMEL_AIR_WAYS_H
#define TRAMMEL_AIR_WAYS_H

#include "analyse/ride.h"

enum air_way { AIR_BY_CHAMBERS, AIR_BY_TANK, AIR_BY_VALVES, AIR_WAYS };
const char *air_way_key(enum air_way w);  /* "chambers" */
const char *air_way_name(enum air_way w); /* "chambers' energy balance" */

struct air_known {
	double kg, half_width_kg; /* of one turn, about 95 %; NAN = not known this way */
};

/* --- the tank over the ride, leg by leg --------------------------------- */

struct tank_watch { /* zero before the first leg */
	double block_sum, block_start_us;
	unsigned block_n;
	double first_pa, last_pa, least_pa; /* means of blocks */
	unsigned blocks;
	bool filled; /* the pressure rose: somebody filled it */
};
void tank_watch_add(struct tank_watch *t, const struct engine *e, const struct leg *leg);
/* Air lost from first to last, shared among the turns.  Not known without gauge or volume, when
 * the tank was filled, or when it hardly fell. */
struct air_known tank_watch_air(const struct tank_watch *t, const struct engine *e, double turns);

/* Half width of the chambers' balance; where the ways disagree, as far as to the end of the farthest. */
double air_ways_reach_kg(const struct air_known way[AIR_WAYS]);

/* First pair of ways that disagree beyond their uncertainties together; false when none do. */
bool air_ways_disagree(const struct air_known way[AIR_WAYS], enum air_way *a, enum air_way *b);

#endif
