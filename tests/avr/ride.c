/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/avr/ride.h"

#include "analyse/rehearse/coils.h"
#include "analyse/rehearse/gauge.h"
#include "analyse/rehearse/loops.h"
#include "analyse/rehearse/pickup.h"
#include "common/unit.h"

#include <math.h>
#include <stdlib.h>
#include <sysexits.h>

#define STREAM_GAUGES 40
#define STREAM_SENDER 20
#define READY_CYCLES 160000 /* within 10 ms of power-on the controller's clock runs */

struct ride {
	struct engine engine; /* borrowed insides */
	struct settings s;
	struct ride_faults faults;
	struct plant plant;
	struct coils coils;
	struct pickup pickup;
	struct gauge gauge[ENGINE_SENSORS_MAX];
	struct sender clock; /* only tells the truth's time */
	struct loops loops;
	struct queue queue;
	struct truth *truth;
	struct board *board;
	uint64_t zero; /* cycle at time 0, when the controller's clock started */
	uint64_t steps;
	double index_true_deg, start_rad;
	struct ride_link link;
	struct ride_coil *coil;
	size_t coil_n, coil_room;
	struct ride_fed fed;
};

struct ride_faults ride_no_faults(void)
{
	return (struct ride_faults){NAN, 0, NAN, 0, NAN, NAN, NAN, NAN};
}

static void write_byte(void *ctx, uint8_t byte)
{
	fputc(byte, ctx);
}

struct ride_link ride_link_file(FILE *f)
{
	return (struct ride_link){f, write_byte, NULL};
}

static double seconds(const struct ride *r, uint64_t cycle)
{
	return ((double)cycle - (double)r->zero) / BOARD_HZ;
}

static uint64_t cycle_at(const struct ride *r, double t_s)
{
	return r->zero + (uint64_t)llround(t_s * BOARD_HZ);
}

static bool within(double t_s, double from, double until)
{
	return t_s >= from && t_s < until;
}

/* --- what the board does to the engine --- */

static void on_byte(void *ctx, uint64_t cycle, uint8_t byte)
{
	struct ride *r = ctx;
	if (r->link.byte != NULL &&
	    !within(seconds(r, cycle), r->faults.unplugged_at, r->faults.unplugged_until))
		r->link.byte(r->link.ctx, byte);
}

static void remember_coil(struct ride *r, double t_s, unsigned valve, bool on)
{
	if (r->coil_n == r->coil_room) {
		r->coil_room = r->coil_room == 0 ? 1024 : 2 * r->coil_room;
		struct ride_coil *more = realloc(r->coil, r->coil_room * sizeof *more);
		if (more == NULL)
			abort(); /* a test without its facts is none */
		r->coil = more;
	}
	double theta = t_s < r->plant.step_s ? r->start_rad : plant_theta(&r->plant, t_s);
	r->coil[r->coil_n++] = (struct ride_coil){t_s, unit_deg(theta), valve, on};
}

static double volts(const struct ride *r)
{
	return r->s.battery - r->s.battery_sag * coils_on(&r->coils) - r->s.battery_droop * r->plant.t_s / 60;
}

static void on_coil(void *ctx, uint64_t cycle, unsigned valve, bool on)
{
	struct ride *r = ctx;
	if (r->zero == 0)
		return; /* the pins are set up */
	double t_s = seconds(r, cycle);
	double supply_bar = unit_bar_gauge(r->plant.now.line.p_pa, r->plant.ambient_pa);
	double extra_ms =
	    r->s.delay_per_bar[valve] * supply_bar + r->s.delay_per_volt[valve] * (volts(r) - r->s.battery);
	r->truth->commands++;
	remember_coil(r, t_s, valve, on);
	coils_command(&r->coils, valve, t_s, sender_us(&r->clock, t_s), on, extra_ms, r->truth);
}

static double quantity(const struct ride *r, enum engine_sensor_role role)
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
		return volts(r);
	case SENSOR_THROTTLE:
		return p->t_s >= r->s.shut_at ? 0 : 1;
	case SENSOR_NONE:
	case SENSOR_ROLE_END:
		break;
	}
	return 0;
}

static unsigned on_sample(void *ctx, uint64_t cycle, unsigned channel)
{
	struct ride *r = ctx;
	struct gauge *g = &r->gauge[channel];
	r->fed.samples++;
	if (g->rate_hz == 0)
		return 0;
	double u = 1 - (r->plant.t_s - seconds(r, cycle)) / r->plant.step_s;
	return (unsigned)gauge_read(g, fmin(fmax(u, 0), 1));
}

/* --- what the engine does to the board --- */

static void set_pin(struct ride *r, double t_s, enum board_pin pin, bool high)
{
	if (!board_pin_at(r->board, cycle_at(r, t_s), pin, high))
		abort(); /* an edge that is not fed would be counted against the controller */
}

static void on_tooth(struct ride *r, double t_s)
{
	r->pickup.level = !r->pickup.level;
	r->fed.tooth++;
	r->truth->edges_emitted++;
	set_pin(r, t_s, BOARD_TOOTH, r->pickup.level);
}

/* The switch pulls the pin to ground. */
static void on_index(struct ride *r, const struct happening *h)
{
	if (h->level && within(h->t_s, r->faults.index_lost_at, r->faults.index_lost_until))
		return;
	if (r->pickup.index_level == h->level)
		return;
	r->pickup.index_level = h->level;
	r->fed.index++;
	r->truth->index_emitted++;
	set_pin(r, h->t_s, BOARD_INDEX, !h->level);
}

static void happen(struct ride *r, const struct happening *h)
{
	switch (h->kind) {
	case HAPPENS_TOOTH:
		on_tooth(r, h->t_s);
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
	default: /* second pick-up, rehearsed controller and sender: not on this board */
		break;
	}
}

/* --- setting up --- */

static double first_edge_deg(const struct engine *e, const struct settings *s)
{
	double pitch = 360.0 / e->tooth_count;
	return s->tooth_gap - pitch * floor(s->tooth_gap / pitch);
}

static void make_gauges(struct ride *r)
{
	for (unsigned i = 0; i < ENGINE_SENSORS_MAX; i++) {
		struct gauge *g = &r->gauge[i];
		*g = gauge_make(&r->engine, &r->s, i, i, prng_make(r->s.seed, STREAM_GAUGES + i));
		if (g->rate_hz > 0)
			gauge_settle(g, quantity(r, g->sensor.role));
	}
}

static int no_record(void *ctx, const struct record *record)
{
	(void)ctx;
	(void)record;
	return 0;
}

static void make_engine(struct ride *r)
{
	const struct rehearse_sink nobody = {NULL, no_record};
	r->s.skew = r->s.drift = r->s.counter = 0; /* the board's clock is the emulator's */
	r->plant = plant_make(&r->engine, &r->s);
	r->plant.step_s = fmin(r->plant.step_s, plant_step_limit(&r->plant));
	r->start_rad = r->plant.y[THETA];
	r->index_true_deg = unit_deg(r->engine.index_rad) + r->s.index_shift;
	coils_make(&r->coils, &r->engine, &r->s);
	pickup_make(&r->pickup, &r->engine, &r->s, r->index_true_deg, r->s.start_angle, &r->queue);
	make_gauges(r);
	r->clock = sender_make(&r->s, &nobody, prng_make(r->s.seed, STREAM_SENDER));
}

static int make_board(struct ride *r, const char *elf, struct fault *fault)
{
	const struct board_world world = {r, on_byte, on_coil, on_sample};
	r->board = board_new(elf, &world, fault);
	if (r->board == NULL)
		return -1;
	board_pin_at(r->board, 1, BOARD_TOOTH, r->pickup.level);
	board_pin_at(r->board, 1, BOARD_INDEX, !r->pickup.index_level);
	while (board_clock_started(r->board) == 0 && board_cycle(r->board) < READY_CYCLES)
		board_run(r->board, board_cycle(r->board) + 100);
	r->zero = board_clock_started(r->board);
	return r->zero > 0 ? 0 : fault_set(fault, EX_SOFTWARE, "%s: its clock (timer 1) does not start", elf);
}

struct ride *ride_new(const struct engine *e, const struct settings *s, const struct ride_faults *faults,
                      const char *elf, const char *truth_dir, const struct ride_link *link,
                      struct fault *fault)
{
	if (settings_check(s, fault) != 0)
		return NULL;
	struct ride *r = calloc(1, sizeof *r);
	if (r == NULL || (r->truth = truth_open(truth_dir, fault)) == NULL) {
		free(r);
		return NULL;
	}
	r->engine = *e;
	r->s = *s;
	r->faults = *faults;
	r->link = *link;
	make_engine(r);
	if (make_board(r, elf, fault) != 0) {
		ride_free(r);
		return NULL;
	}
	return r;
}

void ride_free(struct ride *r)
{
	if (r == NULL)
		return;
	if (r->board != NULL)
		board_free(r->board);
	truth_free(r->truth);
	free(r->coil);
	free(r);
}

/* --- running --- */

static void step_engine(struct ride *r)
{
	struct plant *p = &r->plant;
	struct plant_areas areas;
	p->t_s = (double)r->steps * p->step_s; /* no drift from adding up */
	coils_areas(&r->coils, p->t_s, p->step_s, &areas);
	plant_step(p, &areas);
	r->steps++;
	coils_step(&r->coils, p, &r->clock, &r->loops, r->truth);
	loops_step(&r->loops, p, &r->clock, r->truth);
	for (int i = 0; i < ENGINE_SENSORS_MAX; i++)
		if (r->gauge[i].rate_hz > 0)
			gauge_step(&r->gauge[i], quantity(r, r->gauge[i].sensor.role), p->step_s);
	pickup_step(&r->pickup, p, &r->clock, &r->queue, r->truth);
}

static void break_board(struct ride *r, double before_s)
{
	double now_s = r->plant.t_s;
	if (within(r->faults.reset_at, before_s, now_s))
		board_reset(r->board, BOARD_RESET_PIN, cycle_at(r, r->faults.reset_at + r->faults.reset_s));
	if (within(r->faults.dip_at, before_s, now_s))
		board_reset(r->board, BOARD_RESET_LOW_VOLTAGE,
		            cycle_at(r, r->faults.dip_at + r->faults.dip_s));
}

/* The pull-down at D0 shows when the plug is out; the bytes are lost (on_byte). */
static void set_plug(struct ride *r, double t_s, bool in)
{
	set_pin(r, t_s, BOARD_LINE, in);
	if (r->link.plug != NULL)
		r->link.plug(r->link.ctx, in);
}

static void pull_plug(struct ride *r, double before_s)
{
	if (within(r->faults.unplugged_at, before_s, r->plant.t_s))
		set_plug(r, r->faults.unplugged_at, false);
	if (within(r->faults.unplugged_until, before_s, r->plant.t_s))
		set_plug(r, r->faults.unplugged_until, true);
}

/* The engine goes a step ahead; the board follows, with the pins changing at
 * their instants.  What the board switches in the step moves a valve only after
 * the valve's delay, which is longer than a step. */
void ride_run(struct ride *r, double until_s)
{
	while (r->plant.t_s + r->plant.step_s / 2 < until_s) {
		double before_s = r->plant.t_s;
		struct happening h;
		step_engine(r);
		while (queue_take(&r->queue, r->plant.t_s, &h))
			happen(r, &h);
		break_board(r, before_s);
		pull_plug(r, before_s);
		board_run(r->board, cycle_at(r, r->plant.t_s));
	}
}

int ride_finish(struct ride *r, struct fault *fault)
{
	struct truth *t = r->truth;
	coils_end(&r->coils, t);
	t->duration_s = r->plant.t_s;
	t->crank_turns = (r->plant.y[THETA] - r->start_rad) / (2 * UNIT_PI);
	t->vented_g = r->plant.y[VENT] * 1e3;
	t->samples = r->fed.samples;
	const struct truth_facts f = {
	    .engine = &r->engine,
	    .settings = &r->s,
	    .index_true_deg = r->index_true_deg,
	    .controller_index_deg = unit_deg(r->engine.index_rad),
	    .pitch_error_deg = r->pickup.wheel.error_deg,
	    .teeth = r->pickup.wheel.teeth,
	    .first_tooth_deg = first_edge_deg(&r->engine, &r->s),
	    .reset_us = NAN,
	};
	return truth_finish(t, &f, fault);
}

const struct ride_coil *ride_coils(const struct ride *r, size_t *n)
{
	*n = r->coil_n;
	return r->coil;
}

struct ride_fed ride_fed(const struct ride *r)
{
	return r->fed;
}

double ride_theta_deg(const struct ride *r)
{
	return unit_deg(r->plant.y[THETA]);
}

double ride_rpm(const struct ride *r)
{
	return unit_rpm(r->plant.y[OMEGA]);
}

const struct truth *ride_truth(const struct ride *r)
{
	return r->truth;
}

struct board *ride_board(struct ride *r)
{
	return r->board;
}
