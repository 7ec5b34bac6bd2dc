/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "common/engine.h"

#include <math.h>

const char *engine_end_name(enum engine_end end)
{
	return end == END_CAP ? "cap" : "rod";
}

const char *engine_sensor_role_name(enum engine_sensor_role role)
{
	static const char *const names[SENSOR_COIL + 1] = {
	    [SENSOR_NONE] = "none",         [SENSOR_SUPPLY] = "supply",     [SENSOR_TANK] = "tank",
	    [SENSOR_CAP] = "cap",           [SENSOR_ROD] = "rod",           [SENSOR_BATTERY] = "battery",
	    [SENSOR_THROTTLE] = "throttle", [SENSOR_COIL] = "coil current",
	};
	return (unsigned)role <= SENSOR_COIL && names[role] != NULL ? names[role] : "unknown";
}

const char *engine_passage_name(enum engine_passage passage)
{
	switch (passage) {
	case PASSAGE_CAP_INLET:
		return "cap inlet";
	case PASSAGE_CAP_EXHAUST:
		return "cap exhaust";
	case PASSAGE_ROD_INLET:
		return "rod inlet";
	case PASSAGE_ROD_EXHAUST:
		return "rod exhaust";
	}
	return "unknown";
}

double engine_sensor_value(const struct engine_sensor *s, double counts)
{
	if (s->role == SENSOR_NONE || s->points < 2)
		return NAN;
	size_t i = 1; /* the stretch that ends at point i; the last one goes on beyond the table */
	while (i + 1 < s->points && counts > s->counts[i])
		i++;
	double slope = (s->value[i] - s->value[i - 1]) / (s->counts[i] - s->counts[i - 1]);
	return s->value[i - 1] + slope * (counts - s->counts[i - 1]);
}

int engine_sensor_channel(const struct engine *e, enum engine_sensor_role role)
{
	for (int i = 0; i < ENGINE_SENSORS_MAX; i++)
		if (e->sensor[i].role == role)
			return i;
	return -1;
}

int engine_coil_channel(const struct engine *e, unsigned valve)
{
	for (int i = 0; i < ENGINE_SENSORS_MAX; i++)
		if (e->sensor[i].role == SENSOR_COIL && e->sensor[i].valve == valve)
			return i;
	return -1;
}

unsigned engine_crank_teeth(const struct engine *e)
{
	return (unsigned)lrint(e->tooth_count * (e->crank_ratio > 0 ? e->crank_ratio : 1));
}

bool engine_energised_opens(const struct engine_valve *v, unsigned passage)
{
	return ((v->rest_passages & passage) == 0) != v->rest_open;
}

int engine_valve_for(const struct engine *e, enum engine_passage passage)
{
	for (int i = 0; i < ENGINE_VALVES_MAX; i++)
		if (e->valve[i].present && (e->valve[i].passages & passage) != 0)
			return i;
	return -1;
}
