/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Fuzzer of the engine file.  The bytes are its text; what follows a zero byte, if there is one, is
 * a file "t.csv" beside it, for `table = t.csv`.  Whatever they are: either a fault that points at a
 * line which exists, or a machine that can turn and whose kept text gives the same machine again. */
#include "common/engine.h"
#include "common/engine_ini.h"
#include "common/mech.h"
#include "common/unit.h"
#include "tests/fuzz_link.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>
#include <unistd.h>

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t n);

struct machine_place {
	char folder[64], engine[96], table[96];
};

static struct machine_place machine_place;

static void machine_leave(void)
{
	unlink(machine_place.table);
	rmdir(machine_place.folder);
}

/* One folder a process, of its own: fuzzers run beside each other. */
static const struct machine_place *machine_enter(void)
{
	struct machine_place *p = &machine_place;
	if (p->folder[0] != '\0')
		return p;
	snprintf(p->folder, sizeof p->folder, "%s/trammel-fuzz-XXXXXX",
	         access("/dev/shm", W_OK) == 0 ? "/dev/shm" : "/tmp");
	fuzz_demand(mkdtemp(p->folder) != NULL);
	snprintf(p->engine, sizeof p->engine, "%.60s/e.ini", p->folder);
	snprintf(p->table, sizeof p->table, "%.60s/t.csv", p->folder);
	fuzz_demand(atexit(machine_leave) == 0);
	return p;
}

static void machine_put_table(const struct machine_place *p, const uint8_t *bytes, size_t n)
{
	FILE *f = fopen(p->table, "w");
	fuzz_demand(f != NULL && fwrite(bytes, 1, n, f) == n && fclose(f) == 0);
}

/* "FILE:LINE: what is wrong".  The file's name may come out of the text, and have colons. */
static void machine_check_fault(const struct fault *f, size_t size)
{
	bool found = false;
	fuzz_demand(f->exit_code == EX_CONFIG || f->exit_code == EX_NOINPUT || f->exit_code == EX_IOERR);
	for (const char *c = strchr(f->text, ':'); c != NULL && !found; c = strchr(c + 1, ':')) {
		char *end;
		unsigned long line = strtoul(c + 1, &end, 10);
		found = end > c + 1 && strncmp(end, ": ", 2) == 0 && line >= 1 && line <= size + 1;
	}
	fuzz_demand(found);
}

static bool machine_same_number(double a, double b)
{
	return isnan(a) ? isnan(b) : a == b;
}

static bool machine_same_valve(const struct engine_valve *a, const struct engine_valve *b)
{
	return a->present == b->present && a->passages == b->passages && a->rest_open == b->rest_open &&
	       machine_same_number(a->opens_rad, b->opens_rad) &&
	       machine_same_number(a->shuts_rad, b->shuts_rad) && a->lead_open_s == b->lead_open_s &&
	       a->lead_shut_s == b->lead_shut_s;
}

static bool machine_same_sensor(const struct engine_sensor *a, const struct engine_sensor *b)
{
	if (a->role != b->role || a->points != b->points)
		return false;
	for (size_t i = 0; i < a->points; i++)
		if (a->counts[i] != b->counts[i] || a->value[i] != b->value[i])
			return false;
	return true;
}

static bool machine_same(const struct engine *a, const struct engine *b)
{
	const double x[] = {a->pivot_distance_m,
	                    a->rod_length_m,
	                    a->offset_m,
	                    a->crank_radius_m,
	                    a->bore_m,
	                    a->rod_m,
	                    a->clearance_m3[END_CAP],
	                    a->clearance_m3[END_ROD],
	                    a->ambient_pa,
	                    a->air_k,
	                    a->crank_ratio,
	                    a->index_rad,
	                    a->limit_supply_pa,
	                    a->limit_speed_rad_s,
	                    a->limit_rod_force_n,
	                    a->crank_sprocket,
	                    a->wheel_sprocket,
	                    a->wheel_diameter_m,
	                    a->mass_kg,
	                    a->tank_m3};
	const double y[] = {b->pivot_distance_m,
	                    b->rod_length_m,
	                    b->offset_m,
	                    b->crank_radius_m,
	                    b->bore_m,
	                    b->rod_m,
	                    b->clearance_m3[END_CAP],
	                    b->clearance_m3[END_ROD],
	                    b->ambient_pa,
	                    b->air_k,
	                    b->crank_ratio,
	                    b->index_rad,
	                    b->limit_supply_pa,
	                    b->limit_speed_rad_s,
	                    b->limit_rod_force_n,
	                    b->crank_sprocket,
	                    b->wheel_sprocket,
	                    b->wheel_diameter_m,
	                    b->mass_kg,
	                    b->tank_m3};
	bool same = strcmp(a->name, b->name) == 0 && a->mechanism == b->mechanism &&
	            a->tooth_count == b->tooth_count && a->edges == b->edges;
	for (size_t i = 0; i < sizeof x / sizeof *x; i++)
		same = same && machine_same_number(x[i], y[i]);
	for (int i = 0; i < ENGINE_VALVES_MAX; i++)
		same = same && machine_same_valve(&a->valve[i], &b->valve[i]);
	for (int i = 0; i < ENGINE_SENSORS_MAX; i++)
		same = same && machine_same_sensor(&a->sensor[i], &b->sensor[i]);
	return same;
}

/* What goes into every segment must need no other file, and stay as it is. */
static void machine_check_kept(const struct engine *e)
{
	struct engine again;
	struct fault f = {0};
	fuzz_demand(e->source_len <= INI_TEXT_MAX && strlen(e->source) == e->source_len);
	fuzz_demand(engine_parse("kept", e->source, e->source_len, &again, &f) == 0);
	fuzz_demand(again.source_len == e->source_len && strcmp(again.source, e->source) == 0);
	fuzz_demand(machine_same(e, &again));
	engine_free(&again);
}

static void machine_check_turns(const struct engine *e)
{
	struct mech m = mech_of(e);
	fuzz_demand(m.stroke_m > 0);
	/* Lengths of up to 20 m are taken from each other: the last digits are theirs. */
	double slack = 1e-14 * 40;
	for (int i = 0; i < 24; i++) {
		double theta = i * UNIT_PI / 12, travel = mech_travel_m(&m, theta);
		fuzz_demand(travel >= -slack && travel <= m.stroke_m + slack);
		fuzz_demand(isfinite(mech_arm_m(&m, theta)));
		fuzz_demand(mech_volume_m3(&m, END_CAP, theta) > -slack * m.area_m2[END_CAP]);
		if (!isnan(e->rod_m) && !isnan(e->clearance_m3[END_ROD]))
			fuzz_demand(mech_volume_m3(&m, END_ROD, theta) > -slack * m.area_m2[END_ROD]);
	}
}

static void machine_check_sensors(const struct engine *e)
{
	for (int i = 0; i < ENGINE_SENSORS_MAX; i++) {
		const struct engine_sensor *s = &e->sensor[i];
		bool coil = s->role == SENSOR_COIL;
		fuzz_demand((s->role < SENSOR_ROLE_END || coil) &&
		            (s->role == SENSOR_NONE) == (s->points == 0));
		if (s->role == SENSOR_NONE)
			continue;
		fuzz_demand(s->points >= 2 && s->points <= ENGINE_TABLE_MAX);
		fuzz_demand((coil ? engine_coil_channel(e, s->valve) : engine_sensor_channel(e, s->role)) ==
		            i);
		for (size_t k = 0; k < s->points; k++) {
			fuzz_demand(isfinite(s->value[k]) && (k == 0 || s->counts[k] > s->counts[k - 1]));
			fuzz_demand(isfinite(engine_sensor_value(s, s->counts[k])));
		}
	}
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t n)
{
	const struct machine_place *p = machine_enter();
	const uint8_t *zero = n > 0 ? memchr(bytes, 0, n) : NULL;
	size_t len = zero != NULL ? (size_t)(zero - bytes) : n;
	struct engine e;
	struct fault f = {0};
	unlink(p->table);
	if (zero != NULL)
		machine_put_table(p, zero + 1, n - len - 1);
	if (engine_parse(p->engine, (const char *)bytes, len, &e, &f) != 0) {
		fuzz_demand(e.source == NULL);
		machine_check_fault(&f, n);
		return 0;
	}
	machine_check_kept(&e);
	machine_check_turns(&e);
	machine_check_sensors(&e);
	engine_free(&e);
	return 0;
}
