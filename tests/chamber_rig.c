/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/chamber_rig.h"

#include "common/air.h"
#include "common/unit.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define STEP_S 1e-4
#define STEPS_PER_MS 10
#define WALL_K 291.15
#define CV (AIR_R / (AIR_GAMMA - 1))
#define CP (AIR_GAMMA * CV)
#define POINT_RAD (UNIT_PI / 36)

struct rig_setup rig_healthy(void)
{
	return (struct rig_setup){.rpm_from = 60,
	                          .rpm_to = 180,
	                          .seconds = 60,
	                          .ripple = 0.05,
	                          .supply_pa = 6e5,
	                          .droop_pa = 2e4,
	                          .conductance = {3e-8, 3.5e-8},
	                          .critical_ratio = 0.35,
	                          .delay_s = {{18e-3, 22e-3}, {16e-3, 24e-3}},
	                          .ramp_s = {{4e-3, 4e-3}, {4e-3, 4e-3}},
	                          .jitter_s = 0.3e-3,
	                          .leak = 0,
	                          .wall_w_k = 0.5,
	                          .noise_of_scale = 0.005,
	                          .bits = 10,
	                          .sample_s = 1e-3,
	                          .opens_deg = {4, 168},
	                          .shuts_deg = {80, 320},
	                          .supply_sensor = true,
	                          .chamber_sensor = {true, true},
	                          .seed = 1};
}

void rig_as_spool(struct rig_setup *s)
{
	s->opens_deg[1] = s->shuts_deg[0];
	s->shuts_deg[1] = s->opens_deg[0];
}

/* --- the machine ---------------------------------------------------------------- */

static void describe_engine(const struct rig_setup *s, struct engine *e)
{
	*e = (struct engine){.mechanism = MECHANISM_OSCILLATING,
	                     .pivot_distance_m = 0.42,
	                     .crank_radius_m = 0.0625,
	                     .bore_m = 0.063,
	                     .rod_m = 0.02,
	                     .clearance_m3 = {18e-6, 21e-6},
	                     .ambient_pa = 101325,
	                     .air_k = WALL_K,
	                     .tooth_count = 36,
	                     .crank_ratio = 1};
	for (unsigned i = 0; i < 4; i++)
		e->valve[i] = (struct engine_valve){
		    .present = true, .passages = 1u << i, .opens_rad = NAN, .shuts_rad = NAN};
	const enum engine_sensor_role role[3] = {SENSOR_SUPPLY, SENSOR_CAP, SENSOR_ROD};
	const bool there[3] = {s->supply_sensor, s->chamber_sensor[0], s->chamber_sensor[1]};
	for (int i = 0; i < 3; i++)
		e->sensor[i] = (struct engine_sensor){.role = there[i] ? role[i] : SENSOR_NONE,
		                                      .points = 2,
		                                      .counts = {102, 921},
		                                      .value = {101325, 101325 + 1e6}};
}

struct motion { /* theta at every step */
	size_t n;
	double *theta, *omega;
};

/* Supply without droop at a share of the run. */
static double supply_of(const struct rig_setup *s, double share)
{
	return s->supply_to_pa > 0 ? s->supply_pa + share * (s->supply_to_pa - s->supply_pa) : s->supply_pa;
}

static struct motion turn_crank(const struct rig_setup *s)
{
	struct motion m = {.n = (size_t)(s->seconds / STEP_S)};
	m.theta = malloc(sizeof(double) * m.n);
	m.omega = malloc(sizeof(double) * m.n);
	double theta = s->pulse_s > 0 ? UNIT_PI / 2 : 0.3;
	for (size_t i = 0; i < m.n; i++) {
		double rpm = s->rpm_from + (s->rpm_to - s->rpm_from) * (double)i / (double)m.n;
		rpm = s->pulse_s > 0 ? 0 : rpm;
		m.theta[i] = theta;
		m.omega[i] = rpm * UNIT_PI / 30 * (1 + s->ripple * sin(2 * theta));
		theta += m.omega[i] * STEP_S;
	}
	return m;
}

static void note_crank(const struct motion *m, struct rig *r)
{
	size_t most = (size_t)((m->theta[m->n - 1] - m->theta[0]) / POINT_RAD) + 2;
	struct crank_point *p = calloc(most, sizeof(*p));
	size_t n = 0;
	for (size_t i = 0; i + 1 < m->n; i++) {
		double next = ceil(m->theta[i] / POINT_RAD) * POINT_RAD;
		if (next >= m->theta[i + 1] || n == most)
			continue;
		double into = (next - m->theta[i]) / (m->theta[i + 1] - m->theta[i]);
		double t_us = ((double)i + into) * STEP_S * 1e6;
		p[n].t_us = (int64_t)llround(t_us);
		/* the angle at the whole microsecond, not at the tooth */
		p[n].theta_rad = next + m->omega[i] * ((double)p[n].t_us - t_us) * 1e-6;
		p[n].omega_rad_s = m->omega[i];
		p[n].slot = (int64_t)llround(next / POINT_RAD);
		p[n].sd_rad = 1e-4f;
		n++;
	}
	r->wheel.teeth = 36;
	r->wheel.slots = 72;
	r->wheel.aligned = true;
	r->crank = (struct crank){.wheel = &r->wheel, .point = p, .n = n};
	r->crank.mean_speed_rad_s = (m->theta[m->n - 1] - m->theta[0]) / ((double)m->n * STEP_S);
}

/* --- valves ------------------------------------------------------------------------ */

struct movement { /* of one passage */
	double t50_s, ramp_s;
	bool opens;
};

struct passage_moves {
	struct movement *m;
	size_t n, at;
	double from; /* area before the last movement began */
};

static double area_at(struct passage_moves *p, double t_s)
{
	while (p->at + 1 < p->n && t_s >= p->m[p->at + 1].t50_s - p->m[p->at + 1].ramp_s / 2)
		p->at++;
	if (p->n == 0)
		return 0;
	const struct movement *m = &p->m[p->at];
	double ramp = fmin(fmax((t_s - m->t50_s) / m->ramp_s + 0.5, 0), 1);
	return m->opens ? ramp : 1 - ramp;
}

struct commander {
	const struct rig_setup *s;
	struct rig *r;
	gsl_rng *rng;
	struct passage_moves *moves; /* [end * 2 + passage] */
	bool open[4];
};

static void answer(struct commander *c, int end, int passage, bool opens, size_t step)
{
	const struct rig_setup *s = c->s;
	int line = end * 2 + passage;
	struct rig_event *e = &c->r->event[c->r->event_n++];
	double delay = s->delay_s[passage][!opens] + gsl_ran_gaussian(c->rng, s->jitter_s);
	delay += gsl_rng_uniform(c->rng) < s->late_share ? s->late_s : 0;
	delay += s->delay_per_pa * (supply_of(s, (double)step * STEP_S / s->seconds) - 6e5);
	bool missed = gsl_rng_uniform(c->rng) < s->missed_share;
	e->valve = (uint8_t)line;
	e->end = (uint8_t)end;
	e->event = (uint8_t)(passage * 2 + !opens);
	e->command_us = (double)step * STEP_S * 1e6;
	bool stands_so = c->open[line] == opens; /* nothing is left to move, nor to be missed */
	e->missed = !stands_so && (missed || s->sealed);
	e->moved = !stands_so && !e->missed;
	e->t50_us = e->command_us + 1e6 * delay;
	if (!e->moved)
		return;
	c->open[line] = opens;
	struct passage_moves *p = &c->moves[line];
	p->m[p->n++] = (struct movement){(double)step * STEP_S + delay, s->ramp_s[passage][!opens], opens};
}

static void command_at(struct commander *c, int line, bool opens, size_t step, double intended, double theta)
{
	c->r->leg.command[c->r->leg.command_n++] =
	    (struct ride_command){.t_us = (int64_t)llround((double)step * STEP_S * 1e6),
	                          .intended_rad = intended,
	                          .controller_rad = fmod(theta, 2 * UNIT_PI),
	                          .valve = (uint8_t)line,
	                          .on = opens};
	answer(c, line / 2, line % 2, opens, step);
}

#define PULSES_S 1.5 /* inlet, then exhaust, both ends */

/* Exhausts stay open until the end is empty. */
static double pulse_length(const struct commander *c, int line)
{
	return line % 2 ? 0.5 : c->s->pulse_s;
}

static void pulse_valves(struct commander *c, const struct motion *m)
{
	for (size_t i = 1; i < m->n; i++)
		for (int line = 0; line < 4; line++) {
			double since = fmod((double)i * STEP_S, PULSES_S) - (line % 2 ? 0.8 : 0.2);
			if (fabs(since) < STEP_S / 2)
				command_at(c, line, true, i, NAN, m->theta[i]);
			if (fabs(since - pulse_length(c, line)) < STEP_S / 2)
				command_at(c, line, false, i, NAN, m->theta[i]);
		}
}

/* Commands at their angles after the end's own dead centre. */
static void command_valves(struct commander *c, const struct motion *m)
{
	const struct rig_setup *s = c->s;
	double lead = s->intended_lead_deg;
	for (size_t i = 1; i < m->n; i++)
		for (int line = 0; line < 4; line++)
			for (int opens = 1; opens >= 0; opens--) {
				int end = line / 2, passage = line % 2;
				double deg =
				    (opens ? s->opens_deg : s->shuts_deg)[passage] - lead + 180 * end;
				double turn_before =
				    floor((m->theta[i - 1] - deg * UNIT_PI / 180) / (2 * UNIT_PI));
				double turn = floor((m->theta[i] - deg * UNIT_PI / 180) / (2 * UNIT_PI));
				if (turn == turn_before)
					continue;
				command_at(c, line, opens, i,
				           fmod((deg + lead + 360) * UNIT_PI / 180, 2 * UNIT_PI),
				           m->theta[i]);
			}
}

/* --- air ---------------------------------------------------------------------------- */

struct air {
	double mass_kg, energy_j;
};

struct surroundings {
	double volume_m3, dvolume_m3_s, area[2], supply_pa;
};

static double pressure_of(const struct air *a, double volume_m3)
{
	return (AIR_GAMMA - 1) * a->energy_j / volume_m3;
}

/* Signed flow from a to b. */
static double flow(double c, double b_ratio, double p_a, double t_a, double p_b, double t_b)
{
	return p_a >= p_b ? air_mass_flow(c, b_ratio, p_a, t_a, p_b)
	                  : -air_mass_flow(c, b_ratio, p_b, t_b, p_a);
}

static struct air rate_of(const struct rig_setup *s, const struct air *a, const struct surroundings *x,
                          double *inflow)
{
	const double ambient_pa = 101325;
	double t = a->energy_j / (a->mass_kg * CV), p = pressure_of(a, x->volume_m3);
	double in = flow(s->conductance[0] * x->area[0], s->critical_ratio, x->supply_pa, WALL_K, p, t);
	double out =
	    flow(s->conductance[1] * x->area[1] + s->leak, s->critical_ratio, p, t, ambient_pa, WALL_K);
	*inflow = in;
	return (struct air){.mass_kg = in - out,
	                    .energy_j = CP * ((in > 0 ? WALL_K : t) * in - (out > 0 ? t : WALL_K) * out) -
	                                p * x->dvolume_m3_s + s->wall_w_k * (WALL_K - t)};
}

/* Midpoint rule. */
static double advance(const struct rig_setup *s, struct air *a, const struct surroundings *now,
                      const struct surroundings *half)
{
	double inflow;
	struct air k1 = rate_of(s, a, now, &inflow);
	struct air middle = {a->mass_kg + STEP_S / 2 * k1.mass_kg, a->energy_j + STEP_S / 2 * k1.energy_j};
	struct air k2 = rate_of(s, &middle, half, &inflow);
	a->mass_kg += STEP_S * k2.mass_kg;
	a->energy_j += STEP_S * k2.energy_j;
	return inflow;
}

static void note_warmth(const struct air *a, size_t step, double *out)
{
	if (step % STEPS_PER_MS == 0)
		out[step / STEPS_PER_MS] = log(a->energy_j / (a->mass_kg * CV * WALL_K));
}

static void surround(const struct rig *r, struct passage_moves *moves, int end, double theta, double omega,
                     double t_s, struct surroundings *x)
{
	x->volume_m3 = mech_volume_m3(&r->mech, (enum engine_end)end, theta);
	x->dvolume_m3_s = mech_dvolume_m3(&r->mech, (enum engine_end)end, theta) * omega;
	for (int p = 0; p < 2; p++)
		x->area[p] = area_at(&moves[end * 2 + p], t_s);
}

struct sensor_state {
	double q;
	size_t next;
};

static void sample(const struct rig_setup *s, gsl_rng *rng, struct sensor_state *state, double p, size_t step,
                   size_t channel, struct rig *r)
{
	double follow = s->lag_s > 0 ? 1 - exp(-STEP_S / s->lag_s) : 1;
	state->q += follow * (p - state->q);
	/* channels are converted one after the other, 40 us apart */
	if (step < state->next || !r->leg.sensor[channel].value)
		return;
	state->next += (size_t)llround(s->sample_s / STEP_S);
	struct ride_series *series = &r->leg.sensor[channel];
	double pa = state->q + gsl_ran_gaussian(rng, s->noise_of_scale * 1e6);
	double counts = 102 + (pa - 101325) / 1e6 * (921 - 102);
	if (s->bits > 0)
		counts = fmin(fmax(nearbyint(counts), 0), 1023);
	series->t_us[series->n] = (int64_t)llround((double)step * STEP_S * 1e6);
	series->counts[series->n] = (uint16_t)fmax(counts, 0);
	series->value[series->n++] = (float)(101325 + (counts - 102) / (921 - 102) * 1e6);
}

static void breathe(const struct rig_setup *s, struct rig *r, const struct motion *m,
                    struct passage_moves *moves, gsl_rng *rng)
{
	struct air air[2];
	struct sensor_state state[3] = {{s->supply_pa, 0}, {101325, 1}, {101325, 2}};
	double droop = 0,
	       full = air_mass_flow(s->conductance[0], s->critical_ratio, s->supply_pa, WALL_K, 1e5);
	for (int end = 0; end < 2; end++) {
		double volume = mech_volume_m3(&r->mech, (enum engine_end)end, m->theta[0]);
		air[end] =
		    (struct air){101325 * volume / (AIR_R * WALL_K), 101325 * volume / (AIR_GAMMA - 1)};
	}
	for (size_t i = 0; i + 1 < m->n; i++) {
		double total = 0, t = (double)i * STEP_S, supply = supply_of(s, (double)i / (double)m->n);
		for (int end = 0; end < 2; end++) {
			struct surroundings now, half;
			surround(r, moves, end, m->theta[i], m->omega[i], t, &now);
			surround(r, moves, end, (m->theta[i] + m->theta[i + 1]) / 2,
			         (m->omega[i] + m->omega[i + 1]) / 2, t + STEP_S / 2, &half);
			now.supply_pa = half.supply_pa = supply - droop;
			sample(s, rng, &state[end + 1], pressure_of(&air[end], now.volume_m3), i,
			       (size_t)end + 1, r);
			note_warmth(&air[end], i, r->log_warmth[end]);
			total += advance(s, &air[end], &now, &half);
		}
		sample(s, rng, &state[0], supply - droop, i, 0, r);
		droop += STEP_S / 10e-3 * (s->droop_pa * total / full - droop);
	}
}

/* --- all together -------------------------------------------------------------------- */

static void make_room(const struct rig_setup *s, const struct motion *m, struct rig *r,
                      struct passage_moves *moves)
{
	size_t turns = (size_t)((m->theta[m->n - 1] - m->theta[0]) / (2 * UNIT_PI)) + 2;
	turns += (size_t)(s->seconds / PULSES_S);
	size_t samples = (size_t)(s->seconds / s->sample_s) + 8;
	r->leg.command = calloc(turns * 8, sizeof(*r->leg.command));
	r->event = calloc(turns * 8, sizeof(*r->event));
	for (int i = 0; i < 4; i++)
		moves[i].m = calloc(turns * 2, sizeof(*moves[i].m));
	for (int end = 0; end < 2; end++)
		r->log_warmth[end] = calloc(m->n / STEPS_PER_MS + 1, sizeof(*r->log_warmth[end]));
	for (int i = 0; i < 3; i++) {
		if (r->engine.sensor[i].role == SENSOR_NONE)
			continue;
		struct ride_series *series = &r->leg.sensor[i];
		series->t_us = calloc(samples, sizeof(*series->t_us));
		series->value = calloc(samples, sizeof(*series->value));
		series->counts = calloc(samples, sizeof(*series->counts));
	}
}

/* Truth of the commands in the core only. */
static void keep_core(struct rig *r)
{
	size_t n = 0;
	for (size_t i = 0; i < r->event_n; i++)
		if (r->event[i].command_us >= (double)r->leg.core_from_us &&
		    r->event[i].command_us < (double)r->leg.core_to_us)
			r->event[n++] = r->event[i];
	r->event_n = n;
}

struct rig *rig_run(const struct rig_setup *s)
{
	struct rig *r = calloc(1, sizeof(*r));
	struct passage_moves moves[4] = {0};
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_taus2);
	gsl_rng_set(rng, s->seed);
	describe_engine(s, &r->engine);
	r->mech = mech_of(&r->engine);
	struct motion m = turn_crank(s);
	make_room(s, &m, r, moves);
	note_crank(&m, r);
	struct commander c = {.s = s, .r = r, .rng = rng, .moves = moves};
	if (s->pulse_s > 0)
		pulse_valves(&c, &m);
	else
		command_valves(&c, &m);
	breathe(s, r, &m, moves, rng);
	r->leg.to_us = (int64_t)(s->seconds * 1e6);
	r->leg.core_from_us = 2000000; /* the first turns start from any pressure */
	r->leg.core_to_us = r->leg.to_us - 500000;
	keep_core(r);
	for (int i = 0; i < 4; i++)
		free(moves[i].m);
	free(m.theta);
	free(m.omega);
	gsl_rng_free(rng);
	return r;
}

void rig_free(struct rig *r)
{
	for (int i = 0; i < 3; i++) {
		free(r->leg.sensor[i].t_us);
		free(r->leg.sensor[i].value);
		free(r->leg.sensor[i].counts);
	}
	for (int end = 0; end < 2; end++)
		free(r->log_warmth[end]);
	free(r->leg.command);
	free(r->event);
	free((void *)(uintptr_t)r->crank.point);
	free(r);
}
