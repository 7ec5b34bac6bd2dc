/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/rehearse/prng.h"
#include "common/mech.h"
#include "common/unit.h"
#include "tests/closed_loop.h"

#include <check.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

struct draw {
	struct prng random;
	double bore_m, rod_m, crank_m, clearance_m3[END_COUNT];
};

static double between(struct draw *d, double low, double high)
{
	return low + (high - low) * prng_uniform(&d->random);
}

static void draw_size(struct draw *d, struct loop_machine *m)
{
	d->bore_m = between(d, 0.040, 0.080);
	d->rod_m = d->bore_m * between(d, 0.25, 0.4);
	d->crank_m = between(d, 0.040, 0.075);
	double cap = UNIT_PI / 4 * d->bore_m * d->bore_m, rod = cap - UNIT_PI / 4 * d->rod_m * d->rod_m;
	d->clearance_m3[END_CAP] = between(d, 0.05, 0.16) * cap * 2 * d->crank_m;
	d->clearance_m3[END_ROD] = between(d, 0.05, 0.16) * rod * 2 * d->crank_m;
	m->supply_bar = between(d, 3, 5.5);
	m->force_limit_n = 1.12 * cap * m->supply_bar * 1e5;
}

static void draw_speed(struct draw *d, struct loop_machine *m)
{
	m->rpm = between(d, 50, 130);
	/* Some rides hardly change their speed, some do. */
	m->rpm_to = m->rpm * (prng_chance(&d->random, 0.5) ? 1.15 : 1.7);
	m->speed_limit_rpm = 1.25 * m->rpm_to;
}

static void write_engine(struct draw *d, struct loop_machine *m)
{
	unsigned teeth = 24 + 12 * (unsigned)between(d, 0, 4);
	double cap_adm = between(d, 0, 15), cap_co = between(d, 60, 140), cap_rel = between(d, 150, 178),
	       cap_comp = between(d, 330, 358);
	double rod_adm = between(d, 0, 15), rod_co = between(d, 60, 140), rod_rel = between(d, 150, 178),
	       rod_comp = between(d, 330, 358);
	snprintf(m->text, sizeof m->text,
	         "[engine]\nname = drawn machine\nmechanism = oscillating cylinder\n"
	         "pivot distance = %.1f mm\ncrank radius = %.2f mm\nbore = %.2f mm\nrod = %.2f mm\n"
	         "clearance cap = %.2f ml\nclearance rod = %.2f ml\nambient = 1.013 bar\n"
	         "air temperature = 18 degC\n"
	         "[teeth]\ncount = %u\nedges = both\nindex angle = 14.5 deg\n"
	         "[valve 0]\nrole = cap inlet\nopens = %.1f deg\nshuts = %.1f deg\n"
	         "[valve 1]\nrole = cap exhaust\nopens = %.1f deg\nshuts = %.1f deg\n"
	         "[valve 2]\nrole = rod inlet\nopens = %.1f deg\nshuts = %.1f deg\n"
	         "[valve 3]\nrole = rod exhaust\nopens = %.1f deg\nshuts = %.1f deg\n"
	         "[sensor 0]\nrole = supply\nlow = 102 counts, 0 bar gauge\nhigh = 921 counts, 10 bar gauge\n"
	         "[sensor 1]\nrole = cap\nlow = 102 counts, 0 bar gauge\nhigh = 921 counts, 10 bar gauge\n"
	         "[sensor 2]\nrole = rod\nlow = 102 counts, 0 bar gauge\nhigh = 921 counts, 10 bar gauge\n"
	         "[limits]\nsupply = %.2f bar gauge\nspeed = %.0f rpm\nrod force = %.0f N\n",
	         d->crank_m * between(d, 5, 8) * 1e3, d->crank_m * 1e3, d->bore_m * 1e3, d->rod_m * 1e3,
	         d->clearance_m3[END_CAP] * 1e6, d->clearance_m3[END_ROD] * 1e6, teeth, cap_adm, cap_co,
	         cap_rel, cap_comp, 180 + rod_adm, 180 + rod_co, 180 + rod_rel, rod_comp - 180,
	         m->supply_bar + 0.5, m->speed_limit_rpm, m->force_limit_n);
}

static void set(struct settings *s, const char *key, double value)
{
	char text[80];
	struct fault f = {0};
	snprintf(text, sizeof text, "%s=%.6g", key, value);
	int bad = settings_apply(s, text, &f);
	ck_assert_msg(bad == 0, "%s", f.text);
}

static void draw_valves(struct draw *d, struct loop_machine *m)
{
	struct settings *s = &m->settings;
	double on = between(d, 5, 45), off = between(d, 5, 45);
	double swept_ml = UNIT_PI / 4 * d->bore_m * d->bore_m * 2 * d->crank_m * 1e6;
	/* Passages that suit the cylinder at its speed, more or less. */
	double suits = 3 * (swept_ml / 390) * (m->rpm_to / 100);
	for (int v = 0; v < 4; v++) {
		s->open_delay[v] = on * between(d, 0.85, 1.15);
		s->shut_delay[v] = off * between(d, 0.85, 1.15);
		s->open_ramp[v] = between(d, 3, 6);
		s->shut_ramp[v] = between(d, 3, 6);
		s->c[v] = suits * between(d, 1, 2);
		m->delay_ms += (s->open_delay[v] + s->shut_delay[v]) / 8;
	}
	set(s, "regulator_c", fmax(3 * suits, 4));
	set(s, "line_volume", fmax(2 * swept_ml, 200));
}

static void draw_controller(struct draw *d, struct loop_machine *m)
{
	struct settings *s = &m->settings;
	set(s, "index_error", between(d, -4, 4));
	set(s, "latency", between(d, 0.2, 2));
	set(s, "interpolate", prng_chance(&d->random, 0.7));
	set(s, "count_edges", 2);
	set(s, "noise", between(d, 0.1, 0.4));
	set(s, "wall_h", between(d, 30, 120));
}

void loop_draw(unsigned i, struct loop_machine *m)
{
	static const enum plan_goal goals[3] = {PLAN_ECONOMY, PLAN_FULL_EXPANSION, PLAN_TORQUE};
	struct draw d = {.random = prng_make(2024, i)};
	memset(m, 0, sizeof *m);
	m->settings = settings_default();
	m->settings.seed = 100 + i;
	m->aim.goal = goals[i % 3];
	draw_size(&d, m);
	draw_speed(&d, m);
	write_engine(&d, m);
	draw_valves(&d, m);
	draw_controller(&d, m);
	struct settings *s = &m->settings;
	set(s, "duration", 40);
	set(s, "drive", DRIVE_HELD);
	set(s, "start_mode", 1); /* else the first turn compresses what is shut in */
	set(s, "hold", 150);
	set(s, "rpm", m->rpm);
	set(s, "rpm_to", m->rpm_to);
	set(s, "sweep", 20);
	set(s, "tank_volume", 5000);
	set(s, "regulator", m->supply_bar);
	set(s, "droop", 0.2);
}
