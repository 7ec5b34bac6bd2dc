/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/rehearse/controller.h"

#include "common/unit.h"

#include <math.h>

#define GUARD_DEG 15.0
#define SPEED_EDGES 4 /* leads go by a speed smoothed over about so many edges */

static double turn(double deg)
{
	double d = fmod(deg, 360);
	return d < 0 ? d + 360 : d;
}

static double pick(double setting, double from_file)
{
	return isnan(setting) ? from_file : setting;
}

static struct controller_valve make_valve(const struct engine *e, const struct settings *s, int i)
{
	struct controller_valve v = {
	    .opens_deg = pick(s->opens[i], unit_deg(e->valve[i].opens_rad)),
	    .shuts_deg = pick(s->shuts[i], unit_deg(e->valve[i].shuts_rad)),
	    .lead_open_s = pick(s->lead_open[i] * 1e-3, e->valve[i].lead_open_s),
	    .lead_shut_s = pick(s->lead_shut[i] * 1e-3, e->valve[i].lead_shut_s),
	};
	v.present = e->valve[i].present && !isnan(v.opens_deg) && !isnan(v.shuts_deg);
	return v;
}

void controller_make(struct controller *c, const struct engine *e, const struct settings *s, double index_deg,
                     double first_deg)
{
	for (int i = 0; i < ENGINE_VALVES_MAX; i++)
		c->valve[i] = make_valve(e, s, i);
	c->index_deg = index_deg;
	c->pitch_deg = 360 / (e->tooth_count * e->crank_ratio * s->count_edges);
	c->first_deg = first_deg;
	c->interpolate = s->interpolate != 0;
	c->latency_s = s->latency * 1e-3;
	c->latency_jitter_s = s->latency_jitter * 1e-3;
	c->blank_s = s->index_blank * 1e-3;
	controller_reset(c);
}

void controller_reset(struct controller *c)
{
	c->belief_deg = c->last_edge_s = c->interval_s = c->smooth_s = c->last_index_s = NAN;
	c->after_index = false;
	c->generation++;
	for (int i = 0; i < ENGINE_VALVES_MAX; i++)
		c->valve[i].on = false;
}

/* Degrees a second, smoothed; slower when the next edge is overdue. */
static double speed(const struct controller *c, double t_s)
{
	if (isnan(c->smooth_s))
		return 0;
	return c->pitch_deg / fmax(c->smooth_s, t_s - c->last_edge_s);
}

static double angle_now(const struct controller *c, double t_s)
{
	if (!c->interpolate || isnan(c->interval_s))
		return c->belief_deg;
	double moved = c->pitch_deg * (t_s - c->believed_s) / c->interval_s;
	return c->belief_deg + fmin(moved, c->after_index ? c->first_deg : c->pitch_deg);
}

static double opens_at(const struct controller_valve *v, double deg_per_s)
{
	return v->opens_deg - v->lead_open_s * deg_per_s;
}

static double shuts_at(const struct controller_valve *v, double deg_per_s)
{
	return v->shuts_deg - v->lead_shut_s * deg_per_s;
}

/* On between the two angles.  They move with the measured speed, so one that
 * has just been passed must not take back what it did: within GUARD_DEG
 * before the opening an open valve stays open, and before the shutting a shut
 * one stays shut. */
static bool wants_on(const struct controller_valve *v, double angle, double deg_per_s)
{
	double open = opens_at(v, deg_per_s), window = turn(shuts_at(v, deg_per_s) - open);
	double past_open = turn(angle - open);
	if (v->on)
		return past_open < window || past_open > 360 - fmin(GUARD_DEG, (360 - window) / 2);
	return past_open < window - fmin(GUARD_DEG, window / 2);
}

static void command(struct controller *c, unsigned i, double t_s, double angle)
{
	struct controller_valve *v = &c->valve[i];
	v->on = !v->on;
	queue_add(c->queue, &(struct happening){
	                        .t_s = t_s + c->latency_s + c->latency_jitter_s * prng_uniform(c->random),
	                        .kind = HAPPENS_COMMAND,
	                        .number = i,
	                        .level = v->on,
	                        .intended_deg = v->on ? v->opens_deg : v->shuts_deg,
	                        .controller_deg = turn(angle),
	                    });
}

/* Sets the timer to the next switching angle before the next edge. */
static void set_timer(struct controller *c, double t_s, double angle, double deg_per_s)
{
	double next = c->pitch_deg;
	for (int i = 0; i < ENGINE_VALVES_MAX; i++) {
		const struct controller_valve *v = &c->valve[i];
		if (!v->present)
			continue;
		double target = v->on ? shuts_at(v, deg_per_s) : opens_at(v, deg_per_s);
		next = fmin(next, turn(target - angle));
	}
	if (next < c->pitch_deg)
		queue_add(c->queue,
		          &(struct happening){.t_s = t_s + next / c->pitch_deg * c->interval_s + 1e-6,
		                              .kind = HAPPENS_EVALUATE,
		                              .number = c->generation});
}

static void believe(struct controller *c, double t_s, double deg)
{
	c->belief_deg = deg;
	c->believed_s = t_s;
	c->generation++;
}

static void evaluate(struct controller *c, double t_s)
{
	if (isnan(c->belief_deg))
		return;
	double angle = angle_now(c, t_s), deg_per_s = speed(c, t_s);
	for (unsigned i = 0; i < ENGINE_VALVES_MAX; i++)
		if (c->valve[i].present && wants_on(&c->valve[i], angle, deg_per_s) != c->valve[i].on)
			command(c, i, t_s, angle);
	if (c->interpolate && deg_per_s > 0)
		set_timer(c, t_s, angle, deg_per_s);
}

void controller_set(struct controller *c, double t_s, double deg)
{
	believe(c, t_s, deg);
	evaluate(c, t_s);
}

void controller_edge(struct controller *c, double t_s)
{
	c->interval_s = t_s - c->last_edge_s; /* NAN at the first edge */
	c->smooth_s =
	    isnan(c->smooth_s) ? c->interval_s : c->smooth_s + (c->interval_s - c->smooth_s) / SPEED_EDGES;
	c->last_edge_s = t_s;
	believe(c, t_s, turn(c->belief_deg + (c->after_index ? c->first_deg : c->pitch_deg)));
	c->after_index = false;
	evaluate(c, t_s);
}

void controller_index(struct controller *c, double t_s)
{
	if (t_s - c->last_index_s < c->blank_s)
		return;
	c->last_index_s = t_s;
	believe(c, t_s, turn(c->index_deg));
	c->after_index = true;
	evaluate(c, t_s);
}

void controller_timer(struct controller *c, double t_s, unsigned generation)
{
	if (generation == c->generation)
		evaluate(c, t_s);
}
