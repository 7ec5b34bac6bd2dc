/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/plan_model.h"

#include "common/air.h"
#include "common/unit.h"

#include <math.h>

#define TURN (2 * UNIT_PI)

static double forward(double from_rad, double to_rad)
{
	double d = fmod(to_rad - from_rad, TURN);
	return d < 0 ? d + TURN : d;
}

/* --- timing and events ----------------------------------------------------- */

void plan_timing_place(const struct plan_machine *m, const struct plan_conditions *at,
                       double phi_rad[END_COUNT][EVENT_KINDS], struct plan_timing *out)
{
	for (int v = 0; v < ENGINE_VALVES_MAX; v++)
		out->command_rad[v][0] = out->command_rad[v][1] = NAN;
	for (int i = END_COUNT * EVENT_KINDS - 1; i >= 0; i--) {
		enum engine_end end = (enum engine_end)(i / EVENT_KINDS);
		const struct plan_edge *e = &m->edge[end][i % EVENT_KINDS];
		if (!m->used[end])
			continue;
		double theta = phi_rad[end][i % EVENT_KINDS] + mech_dead_centre_rad(&m->mech, end);
		out->command_rad[e->valve][e->on] = theta - at->omega_rad_s * plan_edge_delay_s(e, at);
	}
}

void plan_timing_events(const struct plan_machine *m, const struct plan_conditions *at,
                        const struct plan_timing *t, double phi_rad[END_COUNT][EVENT_KINDS])
{
	for (int i = 0; i < END_COUNT * EVENT_KINDS; i++) {
		enum engine_end end = (enum engine_end)(i / EVENT_KINDS);
		enum valve_event_kind k = (enum valve_event_kind)(i % EVENT_KINDS);
		const struct plan_edge *e = &m->edge[end][k];
		phi_rad[end][k] = NAN;
		if (m->used[end])
			phi_rad[end][k] = plan_natural_rad(k, t->command_rad[e->valve][e->on] +
			                                          at->omega_rad_s * plan_edge_delay_s(e, at) -
			                                          mech_dead_centre_rad(&m->mech, end));
	}
}

/* --- prediction ------------------------------------------------------------ */

static struct cycle_valve passage(const struct plan_machine *m, enum engine_end end, int which,
                                  double opens_rad, double shuts_rad)
{
	return (struct cycle_valve){.c_m3_s_pa = m->c_m3_s_pa[end][which],
	                            .b = PLAN_CRITICAL_RATIO,
	                            .opens_rad = opens_rad,
	                            .shuts_rad = shuts_rad,
	                            .ramp_open_s = m->ramp_s[end][which][0],
	                            .ramp_shut_s = m->ramp_s[end][which][1]};
}

struct cycle_case plan_cycle_case(const struct plan_machine *m, const struct plan_conditions *at,
                                  enum engine_end end, const double phi_rad[EVENT_KINDS])
{
	return (struct cycle_case){
	    .mech = &m->mech,
	    .end = end,
	    .table = &m->table[end],
	    .omega_rad_s = at->omega_rad_s,
	    .supply_pa = at->supply_pa,
	    .ambient_pa = m->engine.ambient_pa,
	    .air_k = m->engine.air_k,
	    .n = m->n[end],
	    .leak_m3_s_pa = m->leak_m3_s_pa[end],
	    .seat_m3_s_pa = m->seat_m3_s_pa[end],
	    .inlet = passage(m, end, 0, phi_rad[EVENT_ADMISSION], phi_rad[EVENT_CUT_OFF]),
	    .exhaust = passage(m, end, 1, phi_rad[EVENT_RELEASE], phi_rad[EVENT_COMPRESSION]),
	};
}

/* Push of one end on the piston, away from that end, against ambient, N. */
static double push_n(const struct plan_machine *m, const struct plan_prediction *p, enum engine_end end,
                     double theta_rad)
{
	if (!m->used[end])
		return 0;
	double phi = theta_rad - mech_dead_centre_rad(&m->mech, end);
	return (cycle_pressure_at(&p->cycle[end], phi) - m->engine.ambient_pa) * m->mech.area_m2[end];
}

static double greatest_force_n(const struct plan_machine *m, const struct plan_prediction *p)
{
	double most = 0;
	for (int end = 0; end < END_COUNT; end++)
		if (m->used[end])
			most = fmax(most, p->cycle[end].peak_force_n);
	for (int degree = 0; degree < CYCLE_DEGREES; degree++) {
		double theta = unit_rad(degree);
		most = fmax(most, fabs(push_n(m, p, END_CAP, theta) - push_n(m, p, END_ROD, theta)));
	}
	return most;
}

void plan_torque_range(const struct plan_machine *m, const struct plan_prediction *p, double *least_nm,
                       double *most_nm)
{
	*least_nm = INFINITY;
	*most_nm = -INFINITY;
	for (int degree = 0; degree < CYCLE_DEGREES; degree++) {
		double theta = unit_rad(degree), torque = 0;
		for (int i = 0; i < END_COUNT; i++)
			if (m->used[i])
				torque += push_n(m, p, (enum engine_end)i, theta) / m->mech.area_m2[i] *
				          mech_dvolume_m3(&m->mech, (enum engine_end)i, theta);
		*least_nm = fmin(*least_nm, torque);
		*most_nm = fmax(*most_nm, torque);
	}
}

static double friction_j(const struct plan_machine *m)
{
	double swept = 0;
	for (int end = 0; end < END_COUNT; end++)
		if (m->used[end])
			swept += mech_swept_m3(&m->mech, (enum engine_end)end);
	return m->friction_pa * swept;
}

static void sum_ends(const struct plan_machine *m, const struct plan_conditions *at,
                     struct plan_prediction *p)
{
	double useful = 0;
	int ends = 0;
	p->work_j = p->air_kg = 0;
	for (int end = 0; end < END_COUNT; end++) {
		if (!m->used[end])
			continue;
		p->work_j += p->cycle[end].work_j;
		p->air_kg += p->cycle[end].air_kg;
		useful += p->cycle[end].useful_rad / UNIT_PI;
		ends++;
	}
	p->useful_fraction = ends > 0 ? useful / ends : NAN;
	p->torque_nm = p->work_j / TURN;
	p->net_torque_nm = (p->work_j - friction_j(m)) / TURN;
	p->power_w = p->net_torque_nm * at->omega_rad_s;
	p->economy_j_kg = (p->work_j - friction_j(m)) / p->air_kg;
	p->rod_force_n = greatest_force_n(m, p);
}

void plan_predict(const struct plan_machine *m, const struct plan_conditions *at, const struct plan_timing *t,
                  int only, struct plan_prediction *p)
{
	plan_timing_events(m, at, t, p->phi_rad);
	for (int end = 0; end < END_COUNT; end++) {
		if (!m->used[end] || (only >= 0 && only != end))
			continue;
		const double *phi = p->phi_rad[end];
		struct cycle_case c = plan_cycle_case(m, at, (enum engine_end)end, phi);
		c.start_pa = p->cycle[end].end_pa;
		c.start_k = p->cycle[end].end_k;
		cycle_run(&c, &p->cycle[end]);
		double half_ramp = at->omega_rad_s * m->ramp_s[end][1][0] / 2;
		p->first_release_pa[end] = cycle_pressure_at(&p->cycle[end], phi[EVENT_RELEASE] - half_ramp);
	}
	sum_ends(m, at, p);
}

/* --- what cannot be -------------------------------------------------------- */

double plan_least_admission_rad(const struct plan_machine *m, enum engine_end end,
                                const struct plan_conditions *at)
{
	return PLAN_Z90 * plan_edge_scatter_rad(m, &m->edge[end][EVENT_ADMISSION], at);
}

static double ramp_of_event(const struct plan_machine *m, enum engine_end end, enum valve_event_kind k)
{
	int which = k == EVENT_RELEASE || k == EVENT_COMPRESSION;
	int way = k == EVENT_CUT_OFF || k == EVENT_COMPRESSION;
	return m->ramp_s[end][which][way];
}

/* How long a coil must stay in its new state for the valve to follow. */
static double hold_s(const struct plan_machine *m, enum engine_end end, enum valve_event_kind k,
                     const struct plan_conditions *at)
{
	return plan_edge_delay_s(&m->edge[end][k], at) + ramp_of_event(m, end, k) / 2;
}

double plan_shortest_admission_s(const struct plan_machine *m, enum engine_end end,
                                 const struct plan_conditions *at)
{
	return hold_s(m, end, EVENT_ADMISSION, at) + plan_edge_delay_s(&m->edge[end][EVENT_CUT_OFF], at) -
	       plan_edge_delay_s(&m->edge[end][EVENT_ADMISSION], at);
}

/* Least angle between one passage half shut and the other half open. */
static double gap_rad(const struct plan_machine *m, const struct plan_conditions *at, enum engine_end end,
                      enum valve_event_kind shuts, enum valve_event_kind then_opens)
{
	double ramps =
	    at->omega_rad_s * (ramp_of_event(m, end, shuts) + ramp_of_event(m, end, then_opens)) / 2;
	double scatter = hypot(plan_edge_scatter_rad(m, &m->edge[end][shuts], at),
	                       plan_edge_scatter_rad(m, &m->edge[end][then_opens], at));
	return ramps + PLAN_Z90 * scatter;
}

static double overlap_rad(const struct plan_machine *m, const struct plan_conditions *at, enum engine_end end,
                          const double phi[EVENT_KINDS])
{
	double before_admission = phi[EVENT_ADMISSION] + TURN - phi[EVENT_COMPRESSION] -
	                          gap_rad(m, at, end, EVENT_COMPRESSION, EVENT_ADMISSION);
	double before_release =
	    phi[EVENT_RELEASE] - phi[EVENT_CUT_OFF] - gap_rad(m, at, end, EVENT_CUT_OFF, EVENT_RELEASE);
	double order = phi[EVENT_CUT_OFF] - phi[EVENT_ADMISSION];
	return fmax(-before_admission, 0) + fmax(-before_release, 0) + fmax(-order, 0);
}

/* The event that an edge of a valve makes, at the first end that has it. */
static bool event_of(const struct plan_machine *m, int valve, bool on, enum engine_end *end,
                     enum valve_event_kind *k)
{
	for (int i = 0; i < END_COUNT * EVENT_KINDS; i++) {
		*end = (enum engine_end)(i / EVENT_KINDS);
		*k = (enum valve_event_kind)(i % EVENT_KINDS);
		if (m->used[*end] && m->edge[*end][*k].valve == valve && m->edge[*end][*k].on == on)
			return true;
	}
	return false;
}

static void short_pulses(const struct plan_machine *m, const struct plan_conditions *at,
                         const struct plan_timing *t, struct plan_breach *b)
{
	double most = 0;
	for (int i = 0; i < 2 * ENGINE_VALVES_MAX; i++) {
		int v = i / 2, on = i % 2;
		enum engine_end end;
		enum valve_event_kind k;
		if (!event_of(m, v, on, &end, &k))
			continue;
		double held = forward(t->command_rad[v][on], t->command_rad[v][!on]) / at->omega_rad_s;
		double lacks = fmax(hold_s(m, end, k, at) - held, 0);
		b->short_pulse_s += lacks;
		if (lacks > most) {
			most = lacks;
			b->short_valve = v;
			b->short_on = on == 1;
		}
	}
}

struct plan_breach plan_breach_of(const struct plan_machine *m, const struct plan_conditions *at,
                                  const struct plan_timing *t, const struct plan_prediction *p)
{
	struct plan_breach b = {.short_valve = -1};
	short_pulses(m, at, t, &b);
	for (int end = 0; end < END_COUNT; end++) {
		if (!m->used[end])
			continue;
		const double *phi = p->phi_rad[end];
		double least = plan_least_admission_rad(m, (enum engine_end)end, at);
		b.early_admission_rad += fmax(least - phi[EVENT_ADMISSION], 0);
		b.overlap_rad += overlap_rad(m, at, (enum engine_end)end, phi);
		b.over_supply_part += fmax(p->cycle[end].peak_pa / at->supply_pa - 1.02, 0);
	}
	if (isfinite(m->engine.limit_rod_force_n))
		b.force_part = fmax(p->rod_force_n / m->engine.limit_rod_force_n - 1, 0);
	return b;
}
