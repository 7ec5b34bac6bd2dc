/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/rehearse/pickup.h"

#include "common/unit.h"

#include <math.h>

#define BOUNCE_LATEST_S 1.5e-3
#define BOUNCE_WIDTH_S 100e-6
#define FALSE_INDEX_S 2e-3

enum {
	STREAM_WHEEL = 1,
	STREAM_FAULTS,
	STREAM_BURSTS,
	STREAM_INDEX,
	STREAM_INDEX_FAULTS,
	STREAM_ISR,
	STREAM_SECOND
};

static void plan_burst(struct pickup *p, double after_s, struct queue *q)
{
	if (p->s.burst_rate > 0)
		queue_add(q, &(struct happening){.t_s = after_s + prng_wait(&p->bursts, 60 / p->s.burst_rate),
		                                 .kind = HAPPENS_BURST});
}

static void plan_false_index(struct pickup *p, double after_s, struct queue *q)
{
	if (p->s.index_extra > 0)
		queue_add(q, &(struct happening){.t_s = after_s +
		                                        prng_wait(&p->index_faults, 60 / p->s.index_extra),
		                                 .kind = HAPPENS_FALSE_INDEX});
}

static void make_index(struct pickup *p, const struct settings *s, double index_deg, double theta_deg)
{
	p->index = (struct index_switch){
	    .closes_deg = index_deg,
	    .width_deg = s->index_width,
	    .hysteresis_deg = s->index_hysteresis,
	    .jitter_deg = s->index_jitter,
	    .random = prng_make(s->seed, STREAM_INDEX),
	};
	index_switch_place(&p->index, theta_deg);
	p->index_level = p->index.closed;
}

void pickup_make(struct pickup *p, const struct engine *e, const struct settings *s, double index_deg,
                 double theta_deg, struct queue *q)
{
	p->s = *s;
	double first = index_deg + s->tooth_gap;
	double pitch = 360 / (e->tooth_count * e->crank_ratio);
	wheel_make(&p->wheel, e->tooth_count, pitch, first, s, prng_make(s->seed, STREAM_WHEEL));
	p->second = p->wheel;
	p->second.first_deg += p->wheel.pitch_deg / 4;
	p->second.random = prng_make(s->seed, STREAM_SECOND);
	p->level = wheel_place(&p->wheel, theta_deg);
	p->level2 = wheel_place(&p->second, theta_deg);
	make_index(p, s, index_deg, theta_deg);
	p->faults = prng_make(s->seed, STREAM_FAULTS);
	p->bursts = prng_make(s->seed, STREAM_BURSTS);
	p->index_faults = prng_make(s->seed, STREAM_INDEX_FAULTS);
	p->isr = prng_make(s->seed, STREAM_ISR);
	p->burst_until_s = -1;
	p->hidden = p->index_hidden = p->backward = false;
	if (!isnan(s->burst_at))
		queue_add(q, &(struct happening){.t_s = s->burst_at, .kind = HAPPENS_BURST, .number = 1});
	plan_burst(p, 0, q);
	plan_false_index(p, 0, q);
}

static void change(struct pickup *p, struct queue *q, double t_s, double theta_deg, enum cause cause)
{
	queue_add(q, &(struct happening){.t_s = t_s + p->s.isr * 1e-6 * prng_uniform(&p->isr),
	                                 .kind = HAPPENS_TOOTH,
	                                 .theta_deg = theta_deg,
	                                 .cause = cause});
}

static void false_pulse(struct pickup *p, struct queue *q, double t_s, double width_s, enum cause cause,
                        struct truth *t)
{
	change(p, q, t_s, NAN, cause);
	change(p, q, t_s + width_s, NAN, cause);
	t->teeth_extra++;
	t->edges_extra += 2;
}

static enum cause why_hidden(struct pickup *p, unsigned tooth, double rpm, double t_s)
{
	if ((double)tooth == p->s.miss_tooth)
		return CAUSE_SAME_TOOTH;
	if (fabs(rpm) >= p->s.miss_above && prng_chance(&p->faults, p->s.miss))
		return CAUSE_MISSED;
	if (t_s < p->burst_until_s && prng_chance(&p->faults, p->s.burst_mask))
		return CAUSE_BURST;
	return CAUSE_NONE;
}

/* A tooth comes under the pick-up: seen or not, with a false pulse or not. */
static void enter_tooth(struct pickup *p, unsigned tooth, double t_s, double omega, struct queue *q,
                        struct truth *t)
{
	t->teeth++;
	p->hidden_why = why_hidden(p, tooth, unit_rpm(omega), t_s);
	p->hidden = p->hidden_why != CAUSE_NONE;
	t->teeth_missed += p->hidden;
	if (!prng_chance(&p->faults, p->s.extra))
		return;
	double pitch_s = unit_rad(p->wheel.pitch_deg) / fmax(fabs(omega), 0.1);
	false_pulse(p, q, t_s + pitch_s * prng_uniform(&p->faults), p->s.extra_width * 1e-6, CAUSE_EXTRA, t);
}

static void take_edge(struct pickup *p, const struct wheel_edge *e, const struct plant *plant,
                      const struct sender *clock, struct queue *q, struct truth *t)
{
	double t_s = plant_passes(plant, unit_rad(e->theta_deg)), omega = plant_omega(plant, t_s);
	bool backward = plant->y[THETA] < plant->y_before[THETA];
	t->reversals += backward != p->backward;
	p->backward = backward;
	truth_edge(t, sender_us(clock, t_s), e->theta_deg, unit_rpm(omega));
	if (e->into)
		enter_tooth(p, e->tooth, t_s, omega, q, t);
	if (p->hidden) {
		t->edges_missed++;
		return;
	}
	change(p, q, t_s, e->theta_deg, CAUSE_NONE);
	if (prng_chance(&p->faults, p->s.edge_bounce))
		false_pulse(p, q, t_s + BOUNCE_LATEST_S * prng_uniform(&p->faults), BOUNCE_WIDTH_S,
		            CAUSE_EXTRA, t);
}

/* How far the chain lets the toothed wheel lag the crank. */
static double lag_deg(const struct pickup *p, const struct plant *plant)
{
	return p->s.wind_up > 0 ? p->s.wind_up / 10 * plant_gas_torque(plant, &plant->now) : 0;
}

static void take_second(struct pickup *p, const struct plant *plant, struct queue *q)
{
	struct wheel_edge e;
	double lag = lag_deg(p, plant);
	while (wheel_next(&p->second, unit_deg(plant->y[THETA]) - lag, plant->t_s, &e))
		queue_add(q, &(struct happening){.t_s = plant_passes(plant, unit_rad(e.theta_deg + lag)),
		                                 .kind = HAPPENS_TOOTH2});
}

static void switch_index(struct queue *q, double t_s, bool level, enum cause cause)
{
	queue_add(q, &(struct happening){.t_s = t_s, .kind = HAPPENS_INDEX, .level = level, .cause = cause});
}

static void bounce_index(struct pickup *p, double t_s, struct queue *q, struct truth *t)
{
	double mean = p->s.index_bounce_time * 1e-3;
	for (int i = 0; i < (int)p->s.index_bounces; i++) {
		t_s += mean * (0.5 + prng_uniform(&p->index_faults));
		switch_index(q, t_s, false, CAUSE_NONE);
		t_s += mean * (0.5 + prng_uniform(&p->index_faults));
		switch_index(q, t_s, true, CAUSE_NONE);
		t->index_bounces++;
	}
}

static void take_index(struct pickup *p, const struct plant *plant, struct queue *q, struct truth *t)
{
	double at_deg;
	if (!index_switch_move(&p->index, unit_deg(plant->y[THETA]), &at_deg))
		return;
	double t_s = plant_passes(plant, unit_rad(at_deg)) + p->s.index_late * 1e-3;
	bool closed = p->index.closed;
	if (closed) {
		t->index_closed++;
		p->index_hidden = prng_chance(&p->index_faults, p->s.index_miss);
		t->index_missed += p->index_hidden;
	}
	if (p->index_hidden)
		return;
	switch_index(q, t_s, closed, CAUSE_NONE);
	if (closed && prng_chance(&p->index_faults, p->s.index_bounce))
		bounce_index(p, t_s, q, t);
}

void pickup_step(struct pickup *p, const struct plant *plant, const struct sender *clock, struct queue *q,
                 struct truth *t)
{
	struct wheel_edge e;
	double lag = lag_deg(p, plant);
	while (wheel_next(&p->wheel, unit_deg(plant->y[THETA]) - lag, plant->t_s, &e)) {
		e.theta_deg += lag; /* of the crank */
		take_edge(p, &e, plant, clock, q, t);
	}
	if (p->s.quadrature != 0)
		take_second(p, plant, q);
	take_index(p, plant, q, t);
}

void pickup_burst(struct pickup *p, double t_s, bool again, struct queue *q, struct truth *t)
{
	t->bursts++;
	p->burst_until_s = t_s + p->s.burst_time * 1e-3;
	if (p->s.burst_hz > 0)
		queue_add(q, &(struct happening){.t_s = t_s + prng_wait(&p->bursts, 1 / p->s.burst_hz),
		                                 .kind = HAPPENS_NOISE});
	if (again)
		plan_burst(p, p->burst_until_s, q);
}

void pickup_noise(struct pickup *p, double t_s, struct queue *q, struct truth *t)
{
	if (t_s >= p->burst_until_s)
		return;
	double gap = prng_wait(&p->bursts, 1 / p->s.burst_hz);
	false_pulse(p, q, t_s, gap * 0.5 * (0.1 + prng_uniform(&p->bursts)), CAUSE_BURST, t);
	queue_add(q, &(struct happening){.t_s = t_s + gap, .kind = HAPPENS_NOISE});
}

void pickup_false_index(struct pickup *p, double t_s, struct queue *q, struct truth *t)
{
	plan_false_index(p, t_s, q);
	if (p->index_level)
		return;
	switch_index(q, t_s, true, CAUSE_INDEX);
	switch_index(q, t_s + FALSE_INDEX_S, false, CAUSE_INDEX);
	t->index_extra++;
}
