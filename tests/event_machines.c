/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/event_machines.h"

#include "analyse/rehearse/prng.h"
#include "common/unit.h"

#include <math.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdio.h>
#include <string.h>

struct draw {
	struct prng random;
	struct event_machine *m;
	double bore_m, rod_m, crank_m, swept_ml, clearance_ml[2];
	bool odd, small;
	struct prng odds; /* of its own: the rest is as without */
};

static double between(struct draw *d, double low, double high)
{
	return low + (high - low) * prng_uniform(&d->random);
}

/* Evenly in the logarithm. */
static double around(struct draw *d, double low, double high)
{
	return low * pow(high / low, prng_uniform(&d->random));
}

static void say(struct event_machine *m, const char *format, ...) __attribute__((format(printf, 2, 3)));
static void say(struct event_machine *m, const char *format, ...)
{
	va_list args;
	va_start(args, format);
	vsnprintf(m->word[m->n], EVENT_MACHINE_WORD, format, args);
	va_end(args);
	m->words[2 * m->n] = "--set";
	m->words[2 * m->n + 1] = m->word[m->n];
	m->n++;
}

static void draw_size(struct draw *d)
{
	d->bore_m = around(d, 0.032, 0.1);
	d->rod_m = d->bore_m * between(d, 0.25, 0.4);
	d->crank_m = around(d, 0.03, 0.08);
	if (d->small) {
		d->bore_m = 0.04;
		d->rod_m = 0.012;
		d->crank_m = 0.03;
	}
	double cap = UNIT_PI / 4 * d->bore_m * d->bore_m, rod = cap - UNIT_PI / 4 * d->rod_m * d->rod_m;
	d->swept_ml = cap * 2 * d->crank_m * 1e6;
	d->clearance_ml[0] = around(d, 0.04, 0.16) * d->swept_ml;
	d->clearance_ml[1] = around(d, 0.04, 0.16) * rod * 2 * d->crank_m * 1e6;
	if (d->small) {
		d->clearance_ml[0] = 0.12 * d->swept_ml;
		d->clearance_ml[1] = 0.12 * rod * 2 * d->crank_m * 1e6;
	}
	d->m->bore_mm = d->bore_m * 1e3;
	d->m->swept_ml = d->swept_ml;
}

/* Settings before the valves' delays of about 20 ms. */
static void write_engine(struct draw *d)
{
	double set[2][4]; /* [end] inlet opens, shuts, exhaust opens, shuts */
	for (int end = 0; end < 2; end++) {
		set[end][0] = fmod(between(d, 352, 368), 360);
		set[end][1] = between(d, 60, 110);
		set[end][2] = between(d, 152, 172);
		set[end][3] = between(d, 295, 335);
		if (d->odd && prng_chance(&d->odds, 0.5)) /* shut not before the inlet opens */
			set[end][3] = 335 + 20 * prng_uniform(&d->odds);
	}
	snprintf(d->m->engine, sizeof d->m->engine,
	         "[engine]\nname = drawn machine\nmechanism = oscillating cylinder\n"
	         "pivot distance = %.1f mm\ncrank radius = %.2f mm\nbore = %.2f mm\nrod = %.2f mm\n"
	         "clearance cap = %.2f ml\nclearance rod = %.2f ml\nambient = 1.013 bar\n"
	         "air temperature = 18 degC\n"
	         "[teeth]\ncount = 48\nedges = both\nindex angle = 14.5 deg\n"
	         "[valve 0]\nrole = cap inlet\nopens = %.1f deg\nshuts = %.1f deg\n"
	         "[valve 1]\nrole = cap exhaust\nopens = %.1f deg\nshuts = %.1f deg\n"
	         "[valve 2]\nrole = rod inlet\nopens = %.1f deg\nshuts = %.1f deg\n"
	         "[valve 3]\nrole = rod exhaust\nopens = %.1f deg\nshuts = %.1f deg\n"
	         "[sensor 0]\nrole = supply\nlow = 102 counts, 0 bar gauge\nhigh = 921 counts, 10 bar gauge\n"
	         "[sensor 1]\nrole = cap\nlow = 102 counts, 0 bar gauge\nhigh = 921 counts, 10 bar gauge\n"
	         "[sensor 2]\nrole = rod\nlow = 102 counts, 0 bar gauge\nhigh = 921 counts, 10 bar gauge\n",
	         d->crank_m * between(d, 5, 8) * 1e3, d->crank_m * 1e3, d->bore_m * 1e3, d->rod_m * 1e3,
	         d->clearance_ml[0], d->clearance_ml[1], set[0][0], set[0][1], set[0][2], set[0][3],
	         fmod(180 + set[1][0], 360), 180 + set[1][1], 180 + set[1][2], set[1][3] - 180);
}

static void draw_motion(struct draw *d)
{
	struct event_machine *m = d->m;
	m->rpm = between(d, 55, 120);
	m->rpm_to = m->rpm * between(d, 1, 2);
	m->supply_bar = between(d, 3, 6.5);
	if (d->small) {
		m->rpm = 60;
		m->rpm_to = 200;
		m->supply_bar = 6;
	}
	say(m, "drive=1");
	say(m, "rpm=%.2f", m->rpm);
	say(m, "rpm_to=%.2f", m->rpm_to);
	say(m, "start_mode=1");
	say(m, "interpolate=1");
	say(m, "count_edges=2");
	say(m, "tank_volume=5000");
	say(m, "tank=14");
	say(m, "regulator=%.3f", m->supply_bar);
	say(m, "droop=%.3f", between(d, 0.1, 0.6));
	say(m, "line_volume=%.1f", d->swept_ml * between(d, 0.5, 2));
}

/* Passages from just wide enough for the cylinder to several times that; ramps of 2 to 8 ms. */
static void draw_valves(struct draw *d)
{
	struct event_machine *m = d->m;
	double size = d->swept_ml / 390, suits = 3 * size * fmax(m->rpm_to / 150, 0.7);
	double wide[2] = {suits * around(d, 0.8, 4), suits * around(d, 0.8, 4)}; /* inlets, exhausts */
	for (int p = 0; p < 2 && d->odd; p++)
		wide[p] *= pow(4, prng_uniform(&d->odds));
	for (int v = 0; v < 4; v++) {
		double ramp[2] = {4 * around(d, 0.5, 2), 4 * around(d, 0.5, 2)};
		say(m, "c.%d=%.4f", v, fmin(wide[v % 2] * around(d, 0.85, 1.18), 50));
		say(m, "b.%d=%.3f", v, between(d, 0.2, 0.5));
		say(m, "open_ramp.%d=%.3f", v, ramp[0]);
		say(m, "shut_ramp.%d=%.3f", v, ramp[1]);
		say(m, "open_delay.%d=%.3f", v, between(d, 8, 25));
		say(m, "shut_delay.%d=%.3f", v, between(d, 8, 25));
		if (v == 0)
			memcpy(m->ramp_ms, ramp, sizeof ramp);
	}
	say(m, "regulator_c=%.2f", fmin(6 * wide[0], 99));
	say(m, "seat_leak=%.5f", size * around(d, 0.0005, 0.01));
	say(m, "piston_leak=%.5f", size * around(d, 0.0005, 0.02));
	say(m, "gland_leak=%.5f", size * around(d, 0.0005, 0.01));
	say(m, "wall_h=%.1f", around(d, 25, 120));
}

/* Gauges as people own them: some 2 % and 50 mbar apart, and behind a hose. */
static void draw_gauges(struct draw *d)
{
	d->m->lag_ms = 4 * prng_uniform(&d->odds);
	for (int channel = 1; channel <= 2; channel++) {
		say(d->m, "gain.%d=%.3f", channel, 6 * prng_uniform(&d->odds) - 3);
		say(d->m, "zero.%d=%.3f", channel, prng_uniform(&d->odds) - 0.5);
	}
}

void event_machine_draw(unsigned i, double seconds, double hz, enum event_machines which,
                        struct event_machine *m)
{
	struct draw d = {.random = prng_make(4711, i),
	                 .m = m,
	                 .odd = which == EVENT_MACHINES_ODD,
	                 .small = which == EVENT_MACHINES_SMALL,
	                 .odds = prng_make(4712, i)};
	memset(m, 0, sizeof *m);
	draw_size(&d);
	write_engine(&d);
	draw_motion(&d);
	draw_valves(&d);
	m->lag_ms = prng_chance(&d.random, 0.2) ? 0 : between(&d, 0, 3);
	if (d.odd)
		draw_gauges(&d);
	say(m, "lag=%.4f", m->lag_ms);
	say(m, "noise=0.5");
	say(m, "rate=%.1f", hz);
	say(m, "sweep=%.2f", seconds / 2);
	m->words[2 * m->n] = "--duration";
	snprintf(m->word[m->n], EVENT_MACHINE_WORD, "%.2f", seconds);
	m->words[2 * m->n + 1] = m->word[m->n];
	m->n++;
	m->words[2 * m->n] = "--seed";
	snprintf(m->word[m->n], EVENT_MACHINE_WORD, "%u", i + 1);
	m->words[2 * m->n + 1] = m->word[m->n];
	m->n++;
}
