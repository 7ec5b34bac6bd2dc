/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/rehearse/rehearse.h"

#include "analyse/rehearse/controller.h"
#include "analyse/rehearse/machine.h"
#include "common/unit.h"

#include <math.h>
#include <stdlib.h>
#include <sysexits.h>

#define HELLO_S 5.0
#define NO_SLIP 0.75 /* teeth */

/* The machine has its own (machine.c). */
enum { STREAM_CONTROLLER = 21, STREAM_BUSY };

/* Where the controller's count stands against the truth. */
struct slip_watch {
	double expected_deg; /* constant error that its settings explain */
	int teeth_out;
	enum cause last_cause; /* of the latest false or missing edge */
	struct truth_slip *open;
};

struct rehearse {
	struct machine machine;
	struct controller controller;
	struct slip_watch slips;
	struct prng controller_random, busy_random;
	double controller_index_deg, first_tooth_deg;
};

static double within(double deg, double period)
{
	return deg - period * floor(deg / period);
}

/* Crank angle from the closing of the index to the first edge that counts. */
static double true_first_deg(const struct engine *e, const struct settings *s)
{
	double pitch = 360 / (e->tooth_count * e->crank_ratio);
	double rise = within(s->tooth_gap, pitch), fall = within(s->tooth_gap + s->duty * pitch, pitch);
	if (s->count_edges == 2)
		return fmin(rise, fall);
	return e->edges == EDGES_FALLING ? fall : rise;
}

static void plan_sample(struct rehearse *r, unsigned channel)
{
	queue_add(&r->machine.queue, &(struct happening){.t_s = gauge_due_s(&r->machine.gauge[channel]),
	                                                 .kind = HAPPENS_SAMPLE,
	                                                 .number = channel});
}

static void make_controller(struct rehearse *r)
{
	const struct settings *s = &r->machine.s;
	double gap = true_first_deg(&r->machine.engine, s);
	r->controller_index_deg = unit_deg(r->machine.engine.index_rad) + s->index_error;
	r->first_tooth_deg = isnan(s->first_tooth) ? gap : s->first_tooth;
	r->slips.expected_deg =
	    r->controller_index_deg - r->machine.index_true_deg + r->first_tooth_deg - gap;
	r->controller_random = prng_make(s->seed, STREAM_CONTROLLER);
	r->busy_random = prng_make(s->seed, STREAM_BUSY);
	r->controller.random = &r->controller_random;
	r->controller.queue = &r->machine.queue;
	controller_make(&r->controller, &r->machine.engine, s, r->controller_index_deg, r->first_tooth_deg);
}

/* A recorder that joins late learns who sends within HELLO_S. */
static void on_hello(struct rehearse *r, double t_s)
{
	sender_hello(&r->machine.sender);
	queue_add(&r->machine.queue, &(struct happening){.t_s = t_s + HELLO_S, .kind = HAPPENS_HELLO});
}

static void make_ready(struct rehearse *r)
{
	const struct settings *s = &r->machine.s;
	make_controller(r);
	for (unsigned i = 0; i < ENGINE_SENSORS_MAX; i++)
		if (r->machine.gauge[i].rate_hz > 0)
			plan_sample(r, i);
	on_hello(r, 0);
	if (!isnan(s->reset_at))
		queue_add(&r->machine.queue, &(struct happening){.t_s = s->reset_at, .kind = HAPPENS_RESET});
	if (s->start_mode != 0)
		controller_set(&r->controller, 0, within(s->start_angle, 360));
}

struct rehearse *rehearse_new(const struct engine *e, const struct settings *s, const char *truth_dir,
                              const struct rehearse_sink *sink, struct fault *fault)
{
	if (s->count_edges == 2 && e->edges != EDGES_BOTH) {
		fault_set(fault, EX_USAGE, "count_edges=2 needs edges = both in the engine file");
		return NULL;
	}
	struct rehearse *r = calloc(1, sizeof *r);
	if (r == NULL) {
		fault_set(fault, EX_OSERR, "out of memory");
		return NULL;
	}
	if (machine_open(&r->machine, e, s, truth_dir, sink, fault) != 0) {
		rehearse_free(r);
		return NULL;
	}
	make_ready(r);
	return r;
}

static bool counts(const struct rehearse *r, bool level)
{
	return r->machine.s.count_edges == 2 || level == (r->machine.engine.edges != EDGES_FALLING);
}

static void begin_slip(struct rehearse *r, double t_s, double theta_deg, bool backward)
{
	struct slip_watch *w = &r->slips;
	enum cause cause = backward                      ? CAUSE_REVERSAL
	                   : w->last_cause == CAUSE_NONE ? CAUSE_INDEX
	                                                 : w->last_cause;
	w->open = truth_slip(r->machine.truth, sender_us(&r->machine.sender, t_s), theta_deg, cause);
}

/* Compares the controller's angle with the truth at a true edge it counted. */
static void watch_count(struct rehearse *r, double t_s, double theta_deg)
{
	struct slip_watch *w = &r->slips;
	if (isnan(r->controller.belief_deg))
		return;
	double off = r->controller.belief_deg - theta_deg - w->expected_deg;
	off -= 360 * floor(off / 360 + 0.5);
	/* Where the teeth do not go into a turn, up to half of one is no slip. */
	off /= r->controller.pitch_deg;
	int teeth = fabs(off) < NO_SLIP ? 0 : (int)lrint(off);
	if (teeth != 0 && w->teeth_out == 0)
		begin_slip(r, t_s, theta_deg, r->machine.pickup.backward);
	if (teeth == 0 && w->teeth_out != 0 && w->open != NULL)
		w->open->healed_us = sender_us(&r->machine.sender, t_s);
	if (teeth == 0) {
		w->last_cause = CAUSE_NONE;
		w->open = NULL;
	}
	if (w->open != NULL && abs(teeth) > abs(w->open->teeth))
		w->open->teeth = teeth;
	w->teeth_out = teeth;
}

static void on_tooth(struct rehearse *r, const struct happening *h)
{
	bool level = r->machine.pickup.level = !r->machine.pickup.level;
	if (h->cause != CAUSE_NONE)
		r->slips.last_cause = h->cause;
	if (prng_chance(&r->busy_random, r->machine.s.miss_edge)) {
		r->machine.truth->edges_busy++;
		r->slips.last_cause = CAUSE_BUSY;
		return;
	}
	if (r->machine.engine.edges == EDGES_BOTH || level == (r->machine.engine.edges == EDGES_RISING)) {
		r->machine.truth->edges_emitted++;
		sender_send(&r->machine.sender, h->t_s, record_make(RECORD_TOOTH, 0, 0, level));
	}
	if (!counts(r, level))
		return;
	controller_edge(&r->controller, h->t_s);
	if (!isnan(h->theta_deg))
		watch_count(r, h->t_s, h->theta_deg);
}

static void on_index(struct rehearse *r, const struct happening *h)
{
	if (r->machine.pickup.index_level == h->level)
		return;
	r->machine.pickup.index_level = h->level;
	r->machine.truth->index_emitted++;
	sender_send(&r->machine.sender, h->t_s, record_make(RECORD_INDEX, 0, 0, h->level));
	if (!h->level)
		return;
	if (h->cause != CAUSE_NONE)
		r->slips.last_cause = h->cause;
	controller_index(&r->controller, h->t_s);
}

static int16_t tenths(double deg)
{
	return (int16_t)(lrint(within(deg, 360) * 10) % 3600);
}

/* A coil is switched: the plant hears of it, and so does the log. */
static void on_command(struct rehearse *r, const struct happening *h)
{
	struct record v = record_make(RECORD_VALVE, 0, h->number, h->level);
	v.intended_ddeg = tenths(h->intended_deg);
	v.controller_ddeg = tenths(h->controller_deg);
	sender_send(&r->machine.sender, h->t_s, v);
	machine_command(&r->machine, h->t_s, h->number, h->level);
}

static void on_sample(struct rehearse *r, const struct happening *h)
{
	int64_t counts = machine_sample(&r->machine, h->t_s, h->number);
	sender_send(&r->machine.sender, h->t_s, record_make(RECORD_SAMPLE, 0, h->number, counts));
	plan_sample(r, h->number);
}

/* The board starts again: its clock at 0, its pins low, its count gone. */
static void on_reset(struct rehearse *r, double t_s)
{
	queue_forget(&r->machine.queue, HAPPENS_COMMAND);
	for (unsigned i = 0; i < ENGINE_VALVES_MAX; i++)
		if (r->machine.coils.coil[i].on)
			coils_command(&r->machine.coils, i, t_s, sender_us(&r->machine.sender, t_s), false, 0,
			              r->machine.truth);
	controller_reset(&r->controller);
	sender_reset(&r->machine.sender, t_s);
	sender_hello(&r->machine.sender);
}

static void happen(struct rehearse *r, const struct happening *h)
{
	switch (h->kind) {
	case HAPPENS_TOOTH:
		on_tooth(r, h);
		break;
	case HAPPENS_TOOTH2:
		r->machine.pickup.level2 = !r->machine.pickup.level2;
		sender_send(&r->machine.sender, h->t_s,
		            record_make(RECORD_TOOTH2, 0, 0, r->machine.pickup.level2));
		break;
	case HAPPENS_INDEX:
		on_index(r, h);
		break;
	case HAPPENS_NOISE:
	case HAPPENS_BURST:
	case HAPPENS_FALSE_INDEX:
		machine_disturb(&r->machine, h);
		break;
	case HAPPENS_EVALUATE:
		controller_timer(&r->controller, h->t_s, h->number);
		break;
	case HAPPENS_COMMAND:
		on_command(r, h);
		break;
	case HAPPENS_SAMPLE:
		on_sample(r, h);
		break;
	case HAPPENS_HELLO:
		on_hello(r, h->t_s);
		break;
	case HAPPENS_RESET:
		on_reset(r, h->t_s);
		break;
	}
}

static void step(struct rehearse *r)
{
	enum cause hidden = r->machine.pickup.hidden_why;
	if (!machine_step(&r->machine))
		return;
	if (r->machine.pickup.hidden && r->machine.pickup.hidden_why != hidden)
		r->slips.last_cause = r->machine.pickup.hidden_why;
	struct happening h;
	while (queue_take(&r->machine.queue, r->machine.plant.t_s, &h))
		happen(r, &h);
}

int rehearse_run(struct rehearse *r, double until_s)
{
	const struct machine *m = &r->machine;
	uint64_t last = (uint64_t)llrint(fmin(until_s, m->s.duration) / m->plant.step_s);
	while (m->steps < last && !m->sender.failed && !m->ran_away)
		step(r);
	return m->sender.failed || m->ran_away ? -1 : 0;
}

int rehearse_finish(struct rehearse *r, struct fault *fault)
{
	struct machine *m = &r->machine;
	if (machine_end(m, fault) != 0)
		return -1;
	sender_end(&m->sender);
	m->truth->records_sent = m->sender.sent;
	m->truth->records_lost = m->sender.lost;
	struct truth_facts f = machine_facts(m);
	f.controller_index_deg = r->controller_index_deg;
	f.first_tooth_deg = r->first_tooth_deg;
	if (!isnan(m->s.reset_at))
		f.reset_us = sender_us(&m->sender, m->s.reset_at);
	return truth_finish(m->truth, &f, fault);
}

const struct truth *rehearse_truth(const struct rehearse *r)
{
	return r->machine.truth;
}

void rehearse_free(struct rehearse *r)
{
	if (r == NULL)
		return;
	machine_close(&r->machine);
	free(r);
}
