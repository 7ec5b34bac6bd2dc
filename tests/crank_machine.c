/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/crank_machine.h"

#include "analyse/rehearse/prng.h"
#include "common/unit.h"
#include "tests/rehearse_rig.h"

#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

struct draw {
	struct prng random;
	struct settings s;
	char text[4000];
	double swept_ml, top_rpm;
};

static double between(struct draw *d, double low, double high)
{
	return low + (high - low) * prng_uniform(&d->random);
}

static double log_between(struct draw *d, double low, double high)
{
	return low * pow(high / low, prng_uniform(&d->random));
}

static void set(struct draw *d, const char *key, double value)
{
	char text[80];
	struct fault f = {0};
	snprintf(text, sizeof text, "%s=%.9g", key, value);
	int bad = settings_apply(&d->s, text, &f);
	ck_assert_msg(bad == 0, "%s", f.text);
}

const char *machine_load_name(enum machine_load load)
{
	static const char *const name[MACHINE_LOADS] = {"held",      "vehicle", "coast",
	                                                "generator", "steady",  "stiff"};
	return name[load];
}

static void draw_engine(struct draw *d)
{
	static const unsigned teeth[] = {16, 20, 24, 36, 48, 60, 90, 120};
	static const char *const edges[] = {"both", "rising", "falling"};
	double bore = log_between(d, 35, 100), crank = bore * between(d, 0.6, 1.1);
	double rod = bore * between(d, 0.25, 0.4), area = UNIT_PI / 4 * bore * bore;
	d->swept_ml = area * 2 * crank * 1e-3;
	double cap_ml = between(d, 0.05, 0.16) * d->swept_ml;
	double rod_ml = between(d, 0.05, 0.16) * d->swept_ml * (1 - rod * rod / bore / bore);
	double admits = between(d, 0, 12), cuts = between(d, 60, 140), releases = between(d, 150, 178);
	double shuts = between(d, 335, 358);
	snprintf(
	    d->text, sizeof d->text,
	    "[engine]\nname = drawn machine\nmechanism = oscillating cylinder\n"
	    "pivot distance = %.1f mm\ncrank radius = %.2f mm\nbore = %.2f mm\nrod = %.2f mm\n"
	    "clearance cap = %.2f ml\nclearance rod = %.2f ml\nambient = 1.013 bar\n"
	    "air temperature = 18 degC\n"
	    "[teeth]\ncount = %u\nedges = %s\nindex angle = %.1f deg\n"
	    "[valve 0]\nrole = cap inlet\nopens = %.1f deg\nshuts = %.1f deg\n"
	    "[valve 1]\nrole = cap exhaust\nopens = %.1f deg\nshuts = %.1f deg\n"
	    "[valve 2]\nrole = rod inlet\nopens = %.1f deg\nshuts = %.1f deg\n"
	    "[valve 3]\nrole = rod exhaust\nopens = %.1f deg\nshuts = %.1f deg\n"
	    "[sensor 0]\nrole = supply\nlow = 102 counts, 0 bar gauge\nhigh = 921 counts, 10 bar gauge\n"
	    "[sensor 1]\nrole = cap\nlow = 102 counts, 0 bar gauge\nhigh = 921 counts, 10 bar gauge\n"
	    "[sensor 2]\nrole = rod\nlow = 102 counts, 0 bar gauge\nhigh = 921 counts, 10 bar gauge\n"
	    "[drive]\ncrank sprocket = 15\nwheel sprocket = 30\nwheel diameter = 400 mm\nmass = %.0f kg\n",
	    crank * between(d, 5, 8), crank, bore, rod, cap_ml, rod_ml, teeth[(size_t)between(d, 0, 7.999)],
	    edges[(size_t)between(d, 0, 2.999)], between(d, 0, 359), admits, cuts, releases, shuts,
	    180 + admits, 180 + cuts, 180 + releases, shuts - 180, log_between(d, 60, 300));
}

/* Torque to expect, N m: by which inertia and loads are scaled. */
static double typical_torque(const struct draw *d)
{
	return d->s.regulator * 1e5 * d->swept_ml * 1e-6 / UNIT_PI;
}

static void draw_air(struct draw *d)
{
	double suits = 3 * (d->swept_ml / 390) * (d->top_rpm / 100);
	double on = between(d, 5, 20), off = between(d, 5, 20);
	for (int v = 0; v < 4; v++) {
		d->s.open_delay[v] = on * between(d, 0.85, 1.15);
		d->s.shut_delay[v] = off * between(d, 0.85, 1.15);
		d->s.c[v] = suits * between(d, 1, 2);
	}
	set(d, "regulator_c", fmax(3 * suits, 4));
	set(d, "line_volume", fmax(2 * d->swept_ml, 200));
	set(d, "tank_volume", 5000);
	set(d, "droop", between(d, 0.1, 0.6));
	set(d, "lag", between(d, 0.2, 1.5));
	set(d, "noise", between(d, 0.1, 0.4));
	for (int i = 0; i < 3; i++) {
		d->s.gain[i] = between(d, -1.5, 1.5);
		d->s.zero[i] = between(d, -0.5, 0.5);
	}
	set(d, "wall_h", between(d, 30, 120));
}

static void draw_wheel(struct draw *d)
{
	set(d, "pitch_error", between(d, 0.05, 0.25));
	set(d, "eccentricity", between(d, 0, 0.4));
	set(d, "edge_jitter", between(d, 0.005, 0.02));
	set(d, "tooth_gap", 0.5);
	set(d, "miss", 0.02);
	set(d, "extra", 0.01);
	set(d, "index_miss", 0.02);
	set(d, "index_shift", between(d, -1, 1));
	set(d, "interpolate", 1);
	set(d, "start_mode", 1);
}

/* Inertia and stiffness in parts of torque over the square of the speed, over the speed. */
static void hold(struct draw *d, double rpm, double rpm_to, double inertia, double stiffness)
{
	double torque = typical_torque(d), omega = d->top_rpm * UNIT_PI / 30;
	set(d, "drive", 2);
	set(d, "inertia", torque / (omega * omega) * inertia);
	set(d, "hold", torque / omega * stiffness);
	set(d, "rpm", rpm);
	set(d, "rpm_to", rpm_to);
	set(d, "sweep", between(d, 15, 30));
}

static void draw_load(struct draw *d, enum machine_load load)
{
	double torque = typical_torque(d), omega = d->top_rpm * UNIT_PI / 30;
	double low = d->top_rpm / between(d, 2, 3.3);
	set(d, "friction", torque * between(d, 0.01, 0.05));
	set(d, "pressure_friction", torque / d->s.regulator * between(d, 0.0, 0.03));
	set(d, "viscous", torque / omega * between(d, 0, 0.05));
	set(d, "inertia", torque / (omega * omega) * log_between(d, 1, 20));
	switch (load) {
	case MACHINE_HELD:
		hold(d, low, d->top_rpm, log_between(d, 0.3, 20), log_between(d, 0.2, 6));
		break;
	case MACHINE_STEADY:
		hold(d, 0.7 * d->top_rpm, 0.71 * d->top_rpm, log_between(d, 0.3, 20), log_between(d, 0.2, 6));
		break;
	case MACHINE_STIFF:
		hold(d, low, d->top_rpm, log_between(d, 0.3, 1), log_between(d, 3, 12));
		break;
	case MACHINE_VEHICLE:
		set(d, "rpm", 0.6 * d->top_rpm);
		set(d, "brake", torque * 0.3);
		set(d, "brake_swing", torque * between(d, 0.15, 0.25));
		set(d, "brake_period", between(d, 10, 25));
		set(d, "viscous", torque / omega * between(d, 0.05, 0.3));
		break;
	case MACHINE_COAST:
		set(d, "inertia", fmin(torque / (omega * omega) * log_between(d, 40, 150), 90));
		set(d, "rpm", d->top_rpm);
		set(d, "brake", torque * 0.3);
		set(d, "friction", torque * 0.01);
		set(d, "shut_at", between(d, 2, 8));
		break;
	default:
		set(d, "rpm", low);
		set(d, "viscous", torque / omega * between(d, 0.5, 0.9));
		set(d, "regulator_to", d->s.regulator * between(d, 1.3, 1.8));
		set(d, "regulator", d->s.regulator * between(d, 0.5, 0.8));
		set(d, "tank", 20);
	}
}

static void take_sample(struct machine_ride *m, const struct record *r)
{
	struct ride_series *s = &m->leg.sensor[r->channel];
	if ((s->n & (s->n - 1)) == 0) {
		size_t cap = s->n == 0 ? 1 : 2 * s->n;
		s->t_us = realloc(s->t_us, cap * sizeof *s->t_us);
		s->value = realloc(s->value, cap * sizeof *s->value);
	}
	s->t_us[s->n] = r->t_us;
	s->value[s->n++] = (float)engine_sensor_value(&m->engine.sensor[r->channel], (double)r->value);
}

static void take_edge(struct ride_edge **list, size_t *n, const struct record *r)
{
	if ((*n & (*n - 1)) == 0)
		*list = realloc(*list, (*n == 0 ? 1 : 2 * *n) * sizeof **list);
	(*list)[(*n)++] = (struct ride_edge){r->t_us, (uint8_t)r->value};
}

static void take_records(struct machine_ride *m, const struct rehearse_rig_log *log)
{
	struct leg *leg = &m->leg;
	for (size_t i = 0; i < log->len; i++) {
		const struct record *r = &log->record[i];
		if (r->kind == RECORD_TOOTH)
			take_edge(&leg->tooth, &leg->tooth_n, r);
		else if (r->kind == RECORD_INDEX)
			take_edge(&leg->index, &leg->index_n, r);
		else if (r->kind == RECORD_SAMPLE)
			take_sample(m, r);
	}
	leg->command_n = 0;
	leg->from_us = leg->core_from_us = leg->tooth[0].t_us;
	leg->to_us = leg->tooth[leg->tooth_n - 1].t_us;
	leg->core_to_us = leg->to_us + 1;
}

static void read_truth(struct machine_ride *m, const char *dir)
{
	char path[200], line[200];
	snprintf(path, sizeof path, "%s/crank_truth.csv", dir);
	FILE *f = fopen(path, "r");
	ck_assert_ptr_nonnull(f);
	for (size_t cap = 0; fgets(line, sizeof line, f) != NULL;) {
		struct machine_truth t;
		if (sscanf(line, "%lf,%lf,%lf", &t.t_us, &t.theta_rad, &t.omega_rad_s) != 3)
			continue;
		if (m->truth_n == cap) {
			cap = 2 * cap + 4096;
			m->truth = realloc(m->truth, cap * sizeof *m->truth);
		}
		t.theta_rad = unit_rad(t.theta_rad);
		t.omega_rad_s *= UNIT_PI / 30;
		m->truth[m->truth_n++] = t;
	}
	fclose(f);
}

static void remove_truth(const char *dir)
{
	static const char *const name[] = {"crank_truth.csv", "valve_truth.csv", "stroke_truth.csv",
	                                   "truth.json"};
	char path[200];
	for (size_t i = 0; i < sizeof name / sizeof name[0]; i++) {
		snprintf(path, sizeof path, "%s/%s", dir, name[i]);
		unlink(path);
	}
	rmdir(dir);
}

struct machine_ride *machine_ride_of(const char *engine, const struct settings *s)
{
	char dir[] = "/tmp/crank-machine-XXXXXX";
	struct machine_ride *m = calloc(1, sizeof *m);
	struct rehearse_rig_log log = {0};
	ck_assert_ptr_nonnull(mkdtemp(dir));
	m->engine = rehearse_rig_engine_of(engine);
	rehearse_free(rehearse_rig_run(&m->engine, s, dir, &log));
	m->index_off_rad = -unit_rad(s->index_shift);
	take_records(m, &log);
	read_truth(m, dir);
	rehearse_rig_log_free(&log);
	remove_truth(dir);
	return m;
}

struct machine_ride *machine_ride_new(enum machine_load load, unsigned seed)
{
	struct draw d = {.random = prng_make(7000 + load, seed), .s = settings_default()};
	d.s.seed = seed;
	d.top_rpm = between(&d, 120, 240);
	set(&d, "regulator", between(&d, 2.5, 6));
	set(&d, "duration", 60);
	set(&d, "step", 0.2);
	draw_engine(&d);
	draw_air(&d);
	draw_wheel(&d);
	draw_load(&d, load);
	return machine_ride_of(d.text, &d.s);
}

struct machine_ride *machine_ride_chain(double wind_deg, double seconds, unsigned seed)
{
	static const char text[] =
	    "[engine]\nname = chain driven\nmechanism = oscillating cylinder\n"
	    "pivot distance = 420 mm\ncrank radius = 62.5 mm\nbore = 63 mm\nrod = 20 mm\n"
	    "clearance cap = 18 ml\nclearance rod = 21 ml\nambient = 1.013 bar\n"
	    "air temperature = 18 degC\n"
	    "[teeth]\ncount = 36\nedges = both\nindex angle = 60 deg\nchain wind-up = fitted\n"
	    "[valve 0]\nrole = cap inlet\nopens = 0 deg\nshuts = 96 deg\n"
	    "[valve 1]\nrole = cap exhaust\nopens = 172 deg\nshuts = 352 deg\n"
	    "[valve 2]\nrole = rod inlet\nopens = 180 deg\nshuts = 276 deg\n"
	    "[valve 3]\nrole = rod exhaust\nopens = 352 deg\nshuts = 172 deg\n"
	    "[sensor 0]\nrole = supply\nlow = 102 counts, 0 bar gauge\nhigh = 921 counts, 10 bar gauge\n"
	    "[sensor 1]\nrole = cap\nlow = 102 counts, 0 bar gauge\nhigh = 921 counts, 10 bar gauge\n"
	    "[sensor 2]\nrole = rod\nlow = 102 counts, 0 bar gauge\nhigh = 921 counts, 10 bar gauge\n"
	    "[drive]\ncrank sprocket = 15\nwheel sprocket = 30\nwheel diameter = 400 mm\nmass = 160 kg\n";
	struct draw d = {.s = settings_default()};
	d.s.seed = seed;
	set(&d, "duration", seconds);
	set(&d, "step", 0.2);
	set(&d, "regulator", 2.5);
	set(&d, "regulator_to", 5);
	set(&d, "tank_volume", 500);
	set(&d, "brake", 8);
	set(&d, "brake_swing", 4);
	set(&d, "brake_period", 13);
	set(&d, "viscous", 1);
	set(&d, "inertia", 0.5);
	set(&d, "pitch_error", 0.15);
	set(&d, "eccentricity", 0.2);
	set(&d, "tooth_gap", 0.5);
	set(&d, "miss", 0.02);
	set(&d, "extra", 0.01);
	set(&d, "interpolate", 1);
	set(&d, "start_mode", 1);
	set(&d, "wind_up", wind_deg);
	return machine_ride_of(text, &d.s);
}

void machine_ride_free(struct machine_ride *m)
{
	free(m->leg.tooth);
	free(m->leg.index);
	for (int i = 0; i < ENGINE_SENSORS_MAX; i++) {
		free(m->leg.sensor[i].t_us);
		free(m->leg.sensor[i].value);
	}
	free(m->truth);
	engine_free(&m->engine);
	free(m);
}

void machine_ride_wheel(const struct machine_ride *m, struct wheel *wheel)
{
	struct fault f = {0};
	struct crank_learner *l = crank_learner_new(&m->engine);
	int bad = crank_learn(l, &m->leg, &f) != 0 || crank_learned(l, wheel, &f) != 0;
	ck_assert_msg(!bad, "%s", f.text);
	crank_learner_free(l);
}

void machine_without_gauges(struct engine *e)
{
	for (int i = 0; i < ENGINE_SENSORS_MAX; i++)
		if (e->sensor[i].role == SENSOR_CAP || e->sensor[i].role == SENSOR_ROD)
			e->sensor[i].role = SENSOR_NONE;
}

double machine_theta(const struct machine_ride *m, double t_us)
{
	size_t low = 0, high = m->truth_n;
	while (high - low > 1) {
		size_t middle = (low + high) / 2;
		if (m->truth[middle].t_us <= t_us)
			low = middle;
		else
			high = middle;
	}
	if (low + 1 >= m->truth_n || m->truth[low].t_us > t_us)
		return NAN;
	const struct machine_truth *a = &m->truth[low], *b = a + 1;
	double h = 1e-6 * (b->t_us - a->t_us), u = 1e-6 * (t_us - a->t_us) / h;
	double rise = b->theta_rad - a->theta_rad, va = a->omega_rad_s * h, vb = b->omega_rad_s * h;
	return a->theta_rad + u * (va + u * (3 * rise - 2 * va - vb + u * (va + vb - 2 * rise)));
}
