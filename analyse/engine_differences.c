/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/engine_differences.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

struct trait {
	const char *name;
	double value;
	enum engine_difference kind;
};

#define TRAITS_MAX 48

static size_t traits(const struct engine *e, struct trait t[TRAITS_MAX])
{
	const struct trait fixed[] = {
	    {"the mechanism", e->mechanism, DIFFERENT_MACHINE},
	    {"the pivot distance", e->pivot_distance_m, DIFFERENT_MACHINE},
	    {"the rod length", e->rod_length_m, DIFFERENT_MACHINE},
	    {"the offset", e->offset_m, DIFFERENT_MACHINE},
	    {"the crank radius", e->crank_radius_m, DIFFERENT_MACHINE},
	    {"the bore", e->bore_m, DIFFERENT_MACHINE},
	    {"the rod", e->rod_m, DIFFERENT_MACHINE},
	    {"the clearance of the cap end", e->clearance_m3[END_CAP], DIFFERENT_MACHINE},
	    {"the clearance of the rod end", e->clearance_m3[END_ROD], DIFFERENT_MACHINE},
	    {"the number of teeth", e->tooth_count, DIFFERENT_MACHINE},
	    {"the ratio of the toothed wheel", e->crank_ratio, DIFFERENT_MACHINE},
	    {"the index angle", e->index_rad, DIFFERENT_READING},
	    {"the ambient pressure", e->ambient_pa, DIFFERENT_READING},
	    {"the air temperature", e->air_k, DIFFERENT_READING}};
	size_t n = sizeof fixed / sizeof *fixed;
	memcpy(t, fixed, sizeof fixed);
	for (int v = 0; v < ENGINE_VALVES_MAX; v++) {
		static const char *const name[ENGINE_VALVES_MAX] = {
		    "what valve 0 opens", "what valve 1 opens", "what valve 2 opens", "what valve 3 opens",
		    "what valve 4 opens", "what valve 5 opens", "what valve 6 opens", "what valve 7 opens"};
		const struct engine_valve *w = &e->valve[v];
		t[n++] = (struct trait){
		    name[v], w->present ? 32.0 * w->rest_passages + 2.0 * w->passages + w->rest_open : -1,
		    DIFFERENT_MACHINE};
	}
	return n;
}

static bool differ(double a, double b)
{
	return isnan(a) != isnan(b) || fabs(a - b) > 1e-9 * fmax(fabs(a), fabs(b));
}

static void say(char *out, const char *name)
{
	size_t used = strlen(out);
	snprintf(out + used, ENGINE_DIFFERENCES_MAX - used, "%s%s", used > 0 ? ", " : "", name);
}

static bool read_differently(const struct engine_sensor *a, const struct engine_sensor *b)
{
	bool same = a->role == b->role && a->points == b->points;
	for (size_t i = 0; same && i < a->points; i++)
		same = !differ(a->counts[i], b->counts[i]) && !differ(a->value[i], b->value[i]);
	return !same;
}

/* By role: a sensor may well have moved to another channel. */
static void say_sensors(const struct engine *a, const struct engine *b, char *out)
{
	char name[60];
	for (int role = SENSOR_NONE + 1; role < SENSOR_ROLE_END; role++) {
		int x = engine_sensor_channel(a, (enum engine_sensor_role)role);
		int y = engine_sensor_channel(b, (enum engine_sensor_role)role);
		if (x < 0 || y < 0 || !read_differently(&a->sensor[x], &b->sensor[y]))
			continue;
		snprintf(name, sizeof name, "the calibration of the %s sensor",
		         engine_sensor_role_name((enum engine_sensor_role)role));
		say(out, name);
	}
}

const char *engine_differences(const struct engine *a, const struct engine *b, enum engine_difference kind,
                               char out[ENGINE_DIFFERENCES_MAX])
{
	struct trait x[TRAITS_MAX], y[TRAITS_MAX];
	size_t n = traits(a, x);
	traits(b, y);
	out[0] = '\0';
	for (size_t i = 0; i < n; i++)
		if (x[i].kind == kind && differ(x[i].value, y[i].value))
			say(out, x[i].name);
	if (kind == DIFFERENT_READING)
		say_sensors(a, b, out);
	return out;
}
