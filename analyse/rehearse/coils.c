/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/rehearse/coils.h"

#include "common/unit.h"

#include <math.h>

#define STREAM_COILS 100     /* one random stream a valve */
#define STREAM_ARMATURES 120 /* and one of its own, so that the rest is as without */

static struct spool_habits habits_of(const struct settings *s, int i)
{
	return (struct spool_habits){
	    .open_delay = s->open_delay[i],
	    .shut_delay = s->shut_delay[i],
	    .open_ramp = s->open_ramp[i],
	    .shut_ramp = s->shut_ramp[i],
	    .jitter = s->delay_jitter[i],
	    .bounce = s->bounce[i],
	    .bounce_time = s->bounce_time[i],
	    .stick = s->stick[i],
	    .slow = s->slow[i],
	    .slow_time = s->slow_time[i],
	};
}

static struct coil_port port_of(const struct engine *e, int port)
{
	int opposite = port ^ 1;
	struct coil_port p = {.valve = engine_valve_for(e, (enum engine_passage)(1u << port))};
	bool returned = p.valve < 0;
	if (returned)
		p.valve = engine_valve_for(e, (enum engine_passage)(1u << opposite));
	if (p.valve >= 0) {
		unsigned listed = 1u << (returned ? opposite : port);
		p.inverted = returned == engine_energised_opens(&e->valve[p.valve], listed);
	}
	return p;
}

void coils_make(struct coils *c, const struct engine *e, const struct settings *s)
{
	for (int i = 0; i < ENGINE_VALVES_MAX; i++)
		c->coil[i] = (struct coil){
		    .spool = spool_make(),
		    .habits = habits_of(s, i),
		    .commanded_us = {NAN, NAN},
		    .warm_delay_ms = s->warm_delay[i],
		    .warms_s = s->warm_time,
		    .random = prng_make(s->seed, STREAM_COILS + (uint64_t)i),
		    .armature = armature_make(s, (unsigned)i, engine_coil_channel(e, (unsigned)i) >= 0,
		                              prng_make(s->seed, STREAM_ARMATURES + (uint64_t)i)),
		};
	for (int port = 0; port < PORT_COUNT; port++)
		c->port[port] = port_of(e, port);
}

static double port_area(const struct coils *c, int port, double t_s)
{
	const struct coil_port *p = &c->port[port];
	if (p->valve < 0)
		return 0;
	double a = spool_area(&c->coil[p->valve].spool, t_s);
	return p->inverted ? 1 - a : a;
}

void coils_areas(struct coils *c, double t_s, double step_s, struct plant_areas *a)
{
	for (int i = 0; i < ENGINE_VALVES_MAX; i++) {
		c->coil[i].area_before = spool_area(&c->coil[i].spool, t_s);
		spool_advance(&c->coil[i].spool, t_s, t_s + step_s);
		armature_step(&c->coil[i].armature, t_s, step_s);
	}
	for (int k = 0; k < 3; k++)
		for (int port = 0; port < PORT_COUNT; port++)
			a->at[k][port] = port_area(c, port, t_s + k * step_s / 2);
}

static enum valve_event event_of(int port, bool opens)
{
	if (port == PORT_CAP_INLET || port == PORT_ROD_INLET)
		return opens ? EVENT_ADMISSION : EVENT_CUT_OFF;
	return opens ? EVENT_RELEASE : EVENT_COMPRESSION;
}

static enum engine_end end_of(int port)
{
	return port == PORT_CAP_INLET || port == PORT_CAP_EXHAUST ? END_CAP : END_ROD;
}

/* One row for each port this valve serves. */
static void note(const struct coils *c, unsigned valve, bool on, double half_us, double theta_deg,
                 struct truth *t)
{
	for (int port = 0; port < PORT_COUNT; port++) {
		if (c->port[port].valve != (int)valve)
			continue;
		truth_event(t, &(struct truth_event){
		                   .valve = valve,
		                   .end = end_of(port),
		                   .event = event_of(port, on != c->port[port].inverted),
		                   .command_us = c->coil[valve].commanded_us[on],
		                   .half_open_us = half_us,
		                   .theta_deg = theta_deg,
		               });
	}
}

static void give_up(struct coils *c, unsigned valve, bool on, struct truth *t)
{
	if (!isnan(c->coil[valve].commanded_us[on]))
		note(c, valve, on, NAN, NAN, t);
	c->coil[valve].commanded_us[on] = NAN;
}

/* While it was on or off. */
static void warm_up(struct coil *c, double t_s)
{
	c->warmth = c->on + (c->warmth - c->on) * exp(-(t_s - c->switched_s) / c->warms_s);
	c->switched_s = t_s;
}

void coils_command(struct coils *c, unsigned valve, double t_s, double t_us, bool on, double extra_delay_ms,
                   struct truth *t)
{
	struct coil *coil = &c->coil[valve];
	warm_up(coil, t_s);
	coil->on = on;
	give_up(c, valve, on, t);
	coil->commanded_us[on] = t_us;
	if (on && armature_cut_off(&coil->armature))
		return;
	double begins_s = spool_command(&coil->spool, &coil->habits, t_s, on,
	                                extra_delay_ms + coil->warm_delay_ms * coil->warmth, &coil->random);
	if (on)
		armature_on(&coil->armature, t_s, begins_s);
	else
		armature_off(&coil->armature, t_s);
}

static void tell_loops(const struct coils *c, unsigned valve, bool on, const struct plant *p, struct loops *s)
{
	for (int port = 0; port < PORT_COUNT; port++)
		if (c->port[port].valve == (int)valve &&
		    event_of(port, on != c->port[port].inverted) == EVENT_RELEASE)
			loops_release(s, p, end_of(port));
}

void coils_step(struct coils *c, const struct plant *p, const struct sender *clock, struct loops *s,
                struct truth *t)
{
	for (unsigned i = 0; i < ENGINE_VALVES_MAX; i++) {
		struct coil *coil = &c->coil[i];
		bool was = coil->area_before >= 0.5, is = spool_area(&coil->spool, p->t_s) >= 0.5;
		if (was == is)
			continue;
		tell_loops(c, i, is, p, s);
		if (isnan(coil->commanded_us[is]))
			continue; /* a bounce: the event was the first passage */
		double half_s = fmin(fmax(spool_half_s(&coil->spool), p->t_s - p->step_s), p->t_s);
		note(c, i, is, sender_us(clock, half_s), unit_deg(plant_theta(p, half_s)), t);
		coil->commanded_us[is] = NAN;
	}
}

void coils_end(struct coils *c, struct truth *t)
{
	for (unsigned i = 0; i < ENGINE_VALVES_MAX; i++) {
		give_up(c, i, false, t);
		give_up(c, i, true, t);
	}
}

unsigned coils_on(const struct coils *c)
{
	unsigned n = 0;
	for (int i = 0; i < ENGINE_VALVES_MAX; i++)
		n += c->coil[i].on;
	return n;
}
