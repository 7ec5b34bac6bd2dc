/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "common/engine_check.h"
#include "common/unit.h"

#include <math.h>

#define ENGINE_FAULT(ini, key, fault, ...)                                                                   \
	engine_ini_fault((ini)->name, engine_ini_line(ini, INI_ENGINE, 0, key), fault, __VA_ARGS__)

static int check_oscillating(const struct engine *e, const struct engine_ini *ini, struct fault *fault)
{
	if (isnan(e->pivot_distance_m))
		return ENGINE_FAULT(
		    ini, "mechanism", fault,
		    "an oscillating cylinder needs 'pivot distance' (trunnion to shaft); add for "
		    "example 'pivot distance = 420 mm'");
	if (!isnan(e->rod_length_m))
		return ENGINE_FAULT(
		    ini, "rod length", fault,
		    "'rod length' belongs to a crosshead engine; take it out or write 'mechanism = "
		    "crosshead'");
	if (engine_ini_find(ini, INI_ENGINE, 0, "offset") != NULL)
		return ENGINE_FAULT(
		    ini, "offset", fault,
		    "'offset' belongs to a crosshead engine; take it out or write 'mechanism = crosshead'");
	if (e->crank_radius_m >= e->pivot_distance_m)
		return ENGINE_FAULT(
		    ini, "crank radius", fault,
		    "the crank radius %g mm reaches the pivot, %g mm away; it must be smaller than the "
		    "pivot distance",
		    e->crank_radius_m * 1e3, e->pivot_distance_m * 1e3);
	return 0;
}

static int check_crosshead(const struct engine *e, const struct engine_ini *ini, struct fault *fault)
{
	if (isnan(e->rod_length_m))
		return ENGINE_FAULT(
		    ini, "mechanism", fault,
		    "a crosshead engine needs 'rod length' (connecting rod); add for example 'rod length "
		    "= 300 mm'");
	if (!isnan(e->pivot_distance_m))
		return ENGINE_FAULT(
		    ini, "pivot distance", fault,
		    "'pivot distance' belongs to an oscillating cylinder; take it out or write "
		    "'mechanism = oscillating cylinder'");
	if (e->crank_radius_m >= e->rod_length_m)
		return ENGINE_FAULT(
		    ini, "crank radius", fault,
		    "the crank radius %g mm must be smaller than the rod length %g mm, or the crank cannot "
		    "turn",
		    e->crank_radius_m * 1e3, e->rod_length_m * 1e3);
	if (fabs(e->offset_m) >= e->rod_length_m - e->crank_radius_m)
		return ENGINE_FAULT(
		    ini, "offset", fault,
		    "the offset %g mm must be smaller than rod length less crank radius (%g mm), or the "
		    "crank cannot turn",
		    e->offset_m * 1e3, (e->rod_length_m - e->crank_radius_m) * 1e3);
	return 0;
}

/* Are both passages open at once, be it with the coil on or off? */
static bool opens(const struct engine_valve *v, unsigned passages)
{
	unsigned on = v->passages & ~v->rest_passages;
	return v->present && ((on & passages) == passages || (v->rest_passages & passages) == passages);
}

static int check_valve(const struct engine *e, int number, const struct engine_ini *ini, struct fault *fault)
{
	const struct engine_valve *v = &e->valve[number];
	int line = engine_ini_line(ini, INI_VALVE, number, "role");
	if (opens(v, PASSAGE_CAP_INLET | PASSAGE_CAP_EXHAUST) ||
	    opens(v, PASSAGE_ROD_INLET | PASSAGE_ROD_EXHAUST))
		return engine_ini_fault(
		    ini->name, line, fault,
		    "this valve would open inlet and exhaust of the same end at once; a 5/2 valve "
		    "opens for example 'cap inlet, rod exhaust'");
	for (int i = 0; i < number; i++)
		if (e->valve[i].present && (e->valve[i].passages & v->passages) != 0)
			return engine_ini_fault(
			    ini->name, line, fault,
			    "[valve %d] already opens one of these passages; give each passage one "
			    "valve",
			    i);
	if (isnan(v->opens_rad) != isnan(v->shuts_rad))
		return engine_ini_fault(
		    ini->name,
		    engine_ini_line(ini, INI_VALVE, number, isnan(v->opens_rad) ? "shuts" : "opens"), fault,
		    "'opens' and 'shuts' come together; give both or neither");
	if (!isnan(v->opens_rad) && fabs(fmod(v->opens_rad - v->shuts_rad, 2 * UNIT_PI)) < 1e-9)
		return engine_ini_fault(ini->name, engine_ini_line(ini, INI_VALVE, number, "shuts"), fault,
		                        "the valve opens and shuts at the same angle; it would never open");
	return 0;
}

/* A rod end that takes part needs its sizes. */
static int check_rod_end(const struct engine *e, const struct engine_ini *ini, struct fault *fault)
{
	bool valve =
	    engine_valve_for(e, PASSAGE_ROD_INLET) >= 0 || engine_valve_for(e, PASSAGE_ROD_EXHAUST) >= 0;
	bool used = valve || engine_sensor_channel(e, SENSOR_ROD) >= 0;
	const char *missing = isnan(e->rod_m)                   ? "rod"
	                      : isnan(e->clearance_m3[END_ROD]) ? "clearance rod"
	                                                        : NULL;
	if (!used || missing == NULL)
		return 0;
	return engine_ini_fault(ini->name, engine_ini_line(ini, INI_ENGINE, 0, missing), fault,
	                        "[engine] lacks '%s', which the rod-end %s needs; add for example '%s'",
	                        missing, valve ? "valve" : "sensor",
	                        isnan(e->rod_m) ? "rod = 20 mm" : "clearance rod = 21 ml");
}

static int check_coil_sensor(const struct engine *e, int number, const struct engine_ini *ini,
                             struct fault *fault)
{
	unsigned valve = e->sensor[number].valve;
	int line = engine_ini_line(ini, INI_SENSOR, number, "valve"), first = engine_coil_channel(e, valve);
	if (!e->valve[valve].present)
		return engine_ini_fault(ini->name, line, fault, "there is no [valve %u] in this file", valve);
	if (first != number)
		return engine_ini_fault(ini->name, line, fault,
		                        "[sensor %d] already measures the coil of valve %u; one is enough",
		                        first, valve);
	return 0;
}

static int check_sensor_roles(const struct engine *e, const struct engine_ini *ini, struct fault *fault)
{
	for (int i = 0; i < ENGINE_SENSORS_MAX; i++) {
		if (e->sensor[i].role == SENSOR_COIL) {
			if (check_coil_sensor(e, i, ini, fault) != 0)
				return -1;
			continue;
		}
		int first =
		    e->sensor[i].role != SENSOR_NONE ? engine_sensor_channel(e, e->sensor[i].role) : i;
		if (first != i)
			return engine_ini_fault(
			    ini->name, engine_ini_line(ini, INI_SENSOR, i, "role"), fault,
			    "[sensor %d] already measures '%s'; give each role one sensor", first,
			    engine_sensor_role_name(e->sensor[i].role));
	}
	return 0;
}

int engine_check(const struct engine *e, const struct engine_ini *ini, struct fault *fault)
{
	int bad = e->mechanism == MECHANISM_CROSSHEAD ? check_crosshead(e, ini, fault)
	                                              : check_oscillating(e, ini, fault);
	if (bad != 0)
		return -1;
	if (e->rod_m >= e->bore_m)
		return ENGINE_FAULT(ini, "rod", fault,
		                    "the rod (%g mm) must be thinner than the bore (%g mm)", e->rod_m * 1e3,
		                    e->bore_m * 1e3);
	for (int i = 0; i < ENGINE_VALVES_MAX; i++)
		if (e->valve[i].present && check_valve(e, i, ini, fault) != 0)
			return -1;
	if (check_sensor_roles(e, ini, fault) != 0 || check_rod_end(e, ini, fault) != 0)
		return -1;
	if (e->limit_supply_pa <= e->ambient_pa)
		return engine_ini_fault(
		    ini->name, engine_ini_line(ini, INI_LIMITS, 0, "supply"), fault,
		    "the supply limit is not above ambient; write for example 'supply = 6 bar gauge'");
	return 0;
}
