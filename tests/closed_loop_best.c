/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The best timing, found without the plan's model: angles are tried one after
 * the other in the rehearsal's plant (two energy balances, line, regulator,
 * walls, leaks) with valves that move exactly where they are told. */
#include "analyse/cycle.h"
#include "analyse/rehearse/plant.h"
#include "common/unit.h"
#include "tests/closed_loop.h"

#include <math.h>

#define WARM_TURNS 2

struct trial {
	const struct loop_machine *m;
	struct engine engine;
	double omega;
	struct loop_best *best;
};

struct turn { /* one measured turn */
	double work_j, air_kg, useful_rad, peak_pa, release_pa;
};

static struct cycle_valve port_valve(const struct trial *t, int port, const double phi_deg[EVENT_KINDS])
{
	const struct settings *s = &t->m->settings;
	bool exhaust = port % 2 == 1;
	double turned = port >= 2 ? 180 : 0;
	return (struct cycle_valve){
	    .c_m3_s_pa = 1,
	    .opens_rad = unit_rad(turned + phi_deg[exhaust ? EVENT_RELEASE : EVENT_ADMISSION]),
	    .shuts_rad = unit_rad(turned + phi_deg[exhaust ? EVENT_COMPRESSION : EVENT_CUT_OFF]),
	    .ramp_open_s = s->open_ramp[port] * 1e-3,
	    .ramp_shut_s = s->shut_ramp[port] * 1e-3};
}

static void set_areas(const struct trial *t, const struct plant *p,
                      const struct cycle_valve valve[PORT_COUNT], struct plant_areas *a)
{
	for (int i = 0; i < 3; i++)
		for (int port = 0; port < PORT_COUNT; port++)
			a->at[i][port] =
			    cycle_area(&valve[port], t->omega, p->y[THETA] + t->omega * p->step_s * i / 2);
}

/* Useful while gauge pressure is a tenth of the supply's on the way out. */
static void look(const struct trial *t, const struct plant *p, const double phi_deg[EVENT_KINDS],
                 double before, struct turn *out)
{
	double line = p->now.line.p_pa, ambient = p->ambient_pa;
	double opens = 2 * UNIT_PI * WARM_TURNS + unit_rad(phi_deg[EVENT_RELEASE]) -
	               t->omega * t->m->settings.open_ramp[PORT_CAP_EXHAUST] * 1e-3 / 2;
	for (int end = 0; end < END_COUNT; end++) {
		double phi = fmod(p->y[THETA] - (end == END_ROD ? UNIT_PI : 0), 2 * UNIT_PI);
		double p_pa = p->now.chamber[end].p_pa;
		if (phi < UNIT_PI && p_pa - ambient >= 0.1 * (line - ambient))
			out->useful_rad += p->y[THETA] - before;
		out->peak_pa = fmax(out->peak_pa, p_pa);
		if (end == END_CAP && before < opens && p->y[THETA] >= opens)
			out->release_pa = p_pa;
	}
}

static struct turn run(const struct trial *t, const double phi_deg[EVENT_KINDS])
{
	struct settings s = t->m->settings;
	s.drive = DRIVE_IMPOSED;
	s.rpm = unit_rpm(t->omega);
	s.rpm_to = NAN;
	s.start_angle = 0;
	struct plant p = plant_make(&t->engine, &s);
	struct turn out = {0};
	struct cycle_valve valve[PORT_COUNT];
	double start_work = NAN, start_air = 0;
	p.step_s = fmin(0.25e-3, plant_step_limit(&p));
	for (int port = 0; port < PORT_COUNT; port++)
		valve[port] = port_valve(t, port, phi_deg);
	while (p.y[THETA] < 2 * UNIT_PI * (WARM_TURNS + 1)) {
		struct plant_areas a;
		double before = p.y[THETA];
		set_areas(t, &p, valve, &a);
		plant_step(&p, &a);
		if (p.y[THETA] < 2 * UNIT_PI * WARM_TURNS)
			continue;
		if (isnan(start_work)) {
			start_work = p.y[WORK] + p.y[WORK_ROD];
			start_air = p.y[AIR] + p.y[AIR_ROD];
		}
		look(t, &p, phi_deg, before, &out);
	}
	out.work_j = p.y[WORK] + p.y[WORK_ROD] - start_work;
	out.air_kg = p.y[AIR] + p.y[AIR_ROD] - start_air;
	return out;
}

static double judge(const struct trial *t, const struct turn *r)
{
	double supply = t->m->supply_bar * 1e5, ambient = t->engine.ambient_pa;
	double merit = loop_merit(t->m, r->work_j, r->air_kg);
	double force = (r->peak_pa - ambient) * UNIT_PI / 4 * t->engine.bore_m * t->engine.bore_m;
	double over =
	    fmax(force / t->m->force_limit_n - 1, 0) + fmax((r->peak_pa - ambient) / supply - 1.05, 0);
	merit -= 5 * over * fabs(merit);
	if (t->m->aim.goal == PLAN_FULL_EXPANSION) {
		double off = (r->release_pa - ambient) / supply;
		merit -= 100 * off * off * 1e5;
	}
	return r->air_kg > 0 ? merit : -INFINITY;
}

static void try(struct trial *t, const double phi_deg[EVENT_KINDS])
{
	struct turn r = run(t, phi_deg);
	double merit = judge(t, &r);
	t->best->trials++;
	if (merit <= t->best->merit)
		return;
	t->best->merit = merit;
	t->best->work_j = r.work_j;
	t->best->air_kg = r.air_kg;
	t->best->useful_fraction = r.useful_rad / UNIT_PI / END_COUNT;
	for (int k = 0; k < EVENT_KINDS; k++)
		t->best->phi_deg[k] = phi_deg[k];
}

static void sweep(struct trial *t, enum valve_event_kind k, double low, double high, double step)
{
	double phi[EVENT_KINDS];
	for (int i = 0; i < EVENT_KINDS; i++)
		phi[i] = t->best->phi_deg[i];
	for (double x = low; x <= high; x += step) {
		phi[k] = x;
		if (phi[EVENT_CUT_OFF] < phi[EVENT_RELEASE] && phi[EVENT_ADMISSION] < phi[EVENT_CUT_OFF])
			try(t, phi);
	}
}

/* Full expansion is to the dead centre; the others may release where they like. */
static void sweep_all(struct trial *t, double wide, double step)
{
	const double *at = t->best->phi_deg;
	sweep(t, EVENT_CUT_OFF, fmax(at[EVENT_CUT_OFF] - wide * 4, 12),
	      fmin(at[EVENT_CUT_OFF] + wide * 4, 168), 2 * step);
	if (t->m->aim.goal != PLAN_FULL_EXPANSION)
		sweep(t, EVENT_RELEASE, fmax(at[EVENT_RELEASE] - wide * 2, 100),
		      fmin(at[EVENT_RELEASE] + wide, 186), 2 * step);
	sweep(t, EVENT_COMPRESSION, fmax(at[EVENT_COMPRESSION] - wide * 3, 280),
	      fmin(at[EVENT_COMPRESSION] + wide * 3, 358), 2 * step);
	sweep(t, EVENT_ADMISSION, at[EVENT_ADMISSION] - wide / 4, at[EVENT_ADMISSION] + wide / 4, step);
}

void loop_find_best(const struct loop_machine *m, struct loop_best *out)
{
	struct trial t = {.m = m, .engine = loop_engine(m->text), .best = out};
	static const double start[EVENT_KINDS] = {1, 80, 172, 340};
	t.omega = (m->rpm + m->rpm_to) / 2 * UNIT_PI / 30;
	*out = (struct loop_best){.merit = -INFINITY};
	if (m->aim.goal == PLAN_FULL_EXPANSION) {
		const double full[EVENT_KINDS] = {1, 60, 180, 330};
		try(&t, full);
	} else {
		try(&t, start);
	}
	sweep_all(&t, 16, 3);
	sweep_all(&t, 8, 2);
	sweep_all(&t, 4, 1);
	engine_free(&t.engine);
}
