/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/rehearse/rehearse.h"

#include "analyse/rehearse/coils.h"
#include "analyse/rehearse/controller.h"
#include "analyse/rehearse/gauge.h"
#include "analyse/rehearse/pickup.h"
#include "analyse/rehearse/plant.h"
#include "analyse/rehearse/loops.h"
#include "common/unit.h"

#include <math.h>
#include <stdlib.h>
#include <sysexits.h>

#define HELLO_S 5.0
#define NO_SLIP 0.75      /* teeth */
#define SPEED_MOST 1000.0 /* rad/s: nothing here is meant for more */
#define STEP_LEAST_S 2e-6 /* shorter steps would take longer than the ride */

enum { STREAM_SENDER = 20, STREAM_CONTROLLER, STREAM_BUSY, STREAM_GAUGES = 40 };

/* Where the controller's count stands against the truth. */
struct slip_watch {
	double expected_deg; /* constant error that its settings explain */
	int teeth_out;
	enum cause last_cause; /* of the latest false or missing edge */
	struct truth_slip *open;
};

struct rehearse {
	struct engine engine; /* borrowed insides */
	struct settings s;
	struct plant plant;
	struct coils coils;
	struct pickup pickup;
	struct controller controller;
	struct gauge gauge[ENGINE_SENSORS_MAX];
	struct sender sender;
	struct loops loops;
	struct queue queue;
	struct slip_watch slips;
	struct truth *truth;
	struct prng controller_random, busy_random;
	double index_true_deg, controller_index_deg, first_tooth_deg;
	double start_theta_rad;
	double step_s;
	uint64_t steps; /* done */
	bool ran_away;
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

static int check(const struct engine *e, const struct settings *s, struct fault *fault)
{
	if (settings_check(s, fault) != 0)
		return -1;
	if (e->tooth_count == 0 || e->tooth_count > WHEEL_TEETH_MAX)
		return fault_set(fault, EX_DATAERR,
		                 "the engine file has no usable toothed wheel: [teeth] count must be 1 to %d",
		                 WHEEL_TEETH_MAX);
	if (isnan(e->index_rad))
		return fault_set(fault, EX_DATAERR,
		                 "the engine file gives no index angle: add it under [teeth]");
	if (s->count_edges == 2 && e->edges != EDGES_BOTH)
		return fault_set(fault, EX_USAGE, "count_edges=2 needs edges = both in the engine file");
	return 0;
}

/* What a channel's quantity is now, in the units of engine_sensor_value. */
static double quantity(const struct rehearse *r, enum engine_sensor_role role)
{
	const struct plant *p = &r->plant;
	switch (role) {
	case SENSOR_SUPPLY:
		return p->now.line.p_pa;
	case SENSOR_TANK:
		return p->now.tank.p_pa;
	case SENSOR_CAP:
		return p->now.chamber[END_CAP].p_pa;
	case SENSOR_ROD:
		return p->now.chamber[END_ROD].p_pa;
	case SENSOR_BATTERY:
		return r->s.battery - r->s.battery_sag * coils_on(&r->coils) -
		       r->s.battery_droop * p->t_s / 60;
	case SENSOR_THROTTLE:
		return p->t_s >= r->s.shut_at ? 0 : 1;
	case SENSOR_NONE:
	case SENSOR_ROLE_END:
		break;
	}
	return 0;
}

static void make_gauges(struct rehearse *r)
{
	unsigned order = 0;
	for (unsigned i = 0; i < ENGINE_SENSORS_MAX; i++) {
		struct gauge *g = &r->gauge[i];
		*g = gauge_make(&r->engine, &r->s, i, order, prng_make(r->s.seed, STREAM_GAUGES + i));
		if (g->rate_hz == 0)
			continue;
		order++;
		gauge_settle(g, quantity(r, g->sensor.role));
		queue_add(&r->queue,
		          &(struct happening){.t_s = gauge_due_s(g), .kind = HAPPENS_SAMPLE, .number = i});
	}
}

static void make_controller(struct rehearse *r)
{
	const struct settings *s = &r->s;
	double gap = true_first_deg(&r->engine, s);
	r->index_true_deg = unit_deg(r->engine.index_rad) + s->index_shift;
	r->controller_index_deg = unit_deg(r->engine.index_rad) + s->index_error;
	r->first_tooth_deg = isnan(s->first_tooth) ? gap : s->first_tooth;
	r->slips.expected_deg = r->controller_index_deg - r->index_true_deg + r->first_tooth_deg - gap;
	r->controller_random = prng_make(s->seed, STREAM_CONTROLLER);
	r->busy_random = prng_make(s->seed, STREAM_BUSY);
	r->controller.random = &r->controller_random;
	r->controller.queue = &r->queue;
	controller_make(&r->controller, &r->engine, s, r->controller_index_deg, r->first_tooth_deg);
}

/* A recorder that joins late learns who sends within HELLO_S. */
static void on_hello(struct rehearse *r, double t_s)
{
	sender_hello(&r->sender);
	queue_add(&r->queue, &(struct happening){.t_s = t_s + HELLO_S, .kind = HAPPENS_HELLO});
}

struct rehearse *rehearse_new(const struct engine *e, const struct settings *s, const char *truth_dir,
                              const struct rehearse_sink *sink, struct fault *fault)
{
	if (check(e, s, fault) != 0)
		return NULL;
	struct rehearse *r = calloc(1, sizeof *r);
	if (r == NULL || (r->truth = truth_open(truth_dir, fault)) == NULL) {
		if (r == NULL)
			fault_set(fault, EX_OSERR, "out of memory");
		free(r);
		return NULL;
	}
	r->engine = *e;
	r->s = *s;
	r->plant = plant_make(e, s);
	r->step_s = r->plant.step_s = fmin(r->plant.step_s, plant_step_limit(&r->plant));
	if (r->step_s < STEP_LEAST_S) {
		fault_set(
		    fault, EX_USAGE,
		    "these settings ask for steps of %.2g us; raise inertia, clearance or line_volume, or "
		    "lower friction, hold or a conductance",
		    r->step_s * 1e6);
		rehearse_free(r);
		return NULL;
	}
	r->start_theta_rad = r->plant.y[THETA];
	coils_make(&r->coils, e, s);
	make_controller(r);
	pickup_make(&r->pickup, e, s, r->index_true_deg, s->start_angle, &r->queue);
	make_gauges(r);
	r->sender = sender_make(s, sink, prng_make(s->seed, STREAM_SENDER));
	on_hello(r, 0);
	if (!isnan(s->reset_at))
		queue_add(&r->queue, &(struct happening){.t_s = s->reset_at, .kind = HAPPENS_RESET});
	if (s->start_mode != 0)
		controller_set(&r->controller, 0, within(s->start_angle, 360));
	return r;
}

static bool counts(const struct rehearse *r, bool level)
{
	return r->s.count_edges == 2 || level == (r->engine.edges != EDGES_FALLING);
}

static void begin_slip(struct rehearse *r, double t_s, double theta_deg, bool backward)
{
	struct slip_watch *w = &r->slips;
	enum cause cause = backward                      ? CAUSE_REVERSAL
	                   : w->last_cause == CAUSE_NONE ? CAUSE_INDEX
	                                                 : w->last_cause;
	w->open = truth_slip(r->truth, sender_us(&r->sender, t_s), theta_deg, cause);
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
		begin_slip(r, t_s, theta_deg, r->pickup.backward);
	if (teeth == 0 && w->teeth_out != 0 && w->open != NULL)
		w->open->healed_us = sender_us(&r->sender, t_s);
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
	bool level = r->pickup.level = !r->pickup.level;
	if (h->cause != CAUSE_NONE)
		r->slips.last_cause = h->cause;
	if (prng_chance(&r->busy_random, r->s.miss_edge)) {
		r->truth->edges_busy++;
		r->slips.last_cause = CAUSE_BUSY;
		return;
	}
	if (r->engine.edges == EDGES_BOTH || level == (r->engine.edges == EDGES_RISING)) {
		r->truth->edges_emitted++;
		sender_send(&r->sender, h->t_s, record_make(RECORD_TOOTH, 0, 0, level));
	}
	if (!counts(r, level))
		return;
	controller_edge(&r->controller, h->t_s);
	if (!isnan(h->theta_deg))
		watch_count(r, h->t_s, h->theta_deg);
}

static void on_index(struct rehearse *r, const struct happening *h)
{
	if (r->pickup.index_level == h->level)
		return;
	r->pickup.index_level = h->level;
	r->truth->index_emitted++;
	sender_send(&r->sender, h->t_s, record_make(RECORD_INDEX, 0, 0, h->level));
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
	r->truth->commands++;
	sender_send(&r->sender, h->t_s, v);
	double supply_bar = unit_bar_gauge(r->plant.now.line.p_pa, r->plant.ambient_pa);
	double volts = quantity(r, SENSOR_BATTERY) - r->s.battery;
	double extra_ms = r->s.delay_per_bar[h->number] * supply_bar + r->s.delay_per_volt[h->number] * volts;
	coils_command(&r->coils, h->number, h->t_s, sender_us(&r->sender, h->t_s), h->level, extra_ms,
	              r->truth);
}

static void on_sample(struct rehearse *r, const struct happening *h)
{
	struct gauge *g = &r->gauge[h->number];
	double u = 1 - (r->plant.t_s - h->t_s) / r->step_s;
	r->truth->samples++;
	sender_send(&r->sender, h->t_s, record_make(RECORD_SAMPLE, 0, h->number, gauge_read(g, u)));
	queue_add(&r->queue,
	          &(struct happening){.t_s = gauge_due_s(g), .kind = HAPPENS_SAMPLE, .number = h->number});
}

/* The board starts again: its clock at 0, its pins low, its count gone. */
static void on_reset(struct rehearse *r, double t_s)
{
	queue_forget(&r->queue, HAPPENS_COMMAND);
	for (unsigned i = 0; i < ENGINE_VALVES_MAX; i++)
		if (r->coils.coil[i].on)
			coils_command(&r->coils, i, t_s, sender_us(&r->sender, t_s), false, 0, r->truth);
	controller_reset(&r->controller);
	sender_reset(&r->sender, t_s);
	sender_hello(&r->sender);
}

static void happen(struct rehearse *r, const struct happening *h)
{
	switch (h->kind) {
	case HAPPENS_TOOTH:
		on_tooth(r, h);
		break;
	case HAPPENS_TOOTH2:
		r->pickup.level2 = !r->pickup.level2;
		sender_send(&r->sender, h->t_s, record_make(RECORD_TOOTH2, 0, 0, r->pickup.level2));
		break;
	case HAPPENS_INDEX:
		on_index(r, h);
		break;
	case HAPPENS_NOISE:
		pickup_noise(&r->pickup, h->t_s, &r->queue, r->truth);
		break;
	case HAPPENS_BURST:
		pickup_burst(&r->pickup, h->t_s, h->number == 0, &r->queue, r->truth);
		break;
	case HAPPENS_FALSE_INDEX:
		pickup_false_index(&r->pickup, h->t_s, &r->queue, r->truth);
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
	struct plant *p = &r->plant;
	struct plant_areas areas;
	p->t_s = (double)r->steps * r->step_s; /* no drift from adding up */
	coils_areas(&r->coils, p->t_s, r->step_s, &areas);
	plant_step(p, &areas);
	r->steps++;
	r->ran_away = !isfinite(p->y[THETA] + p->now.chamber[END_CAP].p_pa + p->now.chamber[END_ROD].p_pa) ||
	              fabs(p->y[OMEGA]) > SPEED_MOST;
	if (r->ran_away)
		return;
	coils_step(&r->coils, p, &r->sender, &r->loops, r->truth);
	loops_step(&r->loops, p, &r->sender, r->truth);
	for (int i = 0; i < ENGINE_SENSORS_MAX; i++)
		if (r->gauge[i].rate_hz > 0)
			gauge_step(&r->gauge[i], quantity(r, r->gauge[i].sensor.role), r->step_s);
	enum cause hidden = r->pickup.hidden_why;
	pickup_step(&r->pickup, p, &r->sender, &r->queue, r->truth);
	if (r->pickup.hidden && r->pickup.hidden_why != hidden)
		r->slips.last_cause = r->pickup.hidden_why;
	struct happening h;
	while (queue_take(&r->queue, p->t_s, &h))
		happen(r, &h);
}

int rehearse_run(struct rehearse *r, double until_s)
{
	uint64_t last = (uint64_t)llrint(fmin(until_s, r->s.duration) / r->step_s);
	while (r->steps < last && !r->sender.failed && !r->ran_away)
		step(r);
	return r->sender.failed || r->ran_away ? -1 : 0;
}

static void sum_up(struct rehearse *r)
{
	const struct plant *p = &r->plant;
	r->truth->duration_s = p->t_s;
	r->truth->crank_turns = (p->y[THETA] - r->start_theta_rad) / (2 * UNIT_PI);
	r->truth->vented_g = p->y[VENT] * 1e3;
	r->truth->records_sent = r->sender.sent;
	r->truth->records_lost = r->sender.lost;
}

int rehearse_finish(struct rehearse *r, struct fault *fault)
{
	if (r->ran_away)
		return fault_set(fault, EX_USAGE,
		                 "with these settings the engine runs away at %.3f s; load or brake it",
		                 r->plant.t_s);
	sender_end(&r->sender);
	coils_end(&r->coils, r->truth);
	sum_up(r);
	if (r->queue.dropped > 0)
		return fault_set(fault, EX_SOFTWARE,
		                 "%zu events did not fit into the rehearsal's queue; lower burst_hz or the "
		                 "index's bounces",
		                 r->queue.dropped);
	struct truth_facts f = {
	    .engine = &r->engine,
	    .settings = &r->s,
	    .index_true_deg = r->index_true_deg,
	    .controller_index_deg = r->controller_index_deg,
	    .pitch_error_deg = r->pickup.wheel.error_deg,
	    .teeth = r->pickup.wheel.teeth,
	    .first_tooth_deg = r->first_tooth_deg,
	    .start_us = r->sender.start_us,
	    .reset_us = isnan(r->s.reset_at) ? NAN : sender_us(&r->sender, r->s.reset_at),
	};
	return truth_finish(r->truth, &f, fault);
}

const struct truth *rehearse_truth(const struct rehearse *r)
{
	return r->truth;
}

void rehearse_free(struct rehearse *r)
{
	if (r == NULL)
		return;
	truth_free(r->truth);
	free(r);
}
