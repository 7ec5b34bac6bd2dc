/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/avr/ride.h"

#include "analyse/rehearse/machine.h"
#include "common/unit.h"

#include <math.h>
#include <stdlib.h>
#include <sysexits.h>

#define READY_CYCLES 160000 /* within 10 ms of power-on the controller's clock runs */

struct ride {
	struct machine machine;
	struct ride_faults faults;
	struct board *board;
	uint64_t zero; /* cycle at time 0, when the controller's clock started */
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
	const struct machine *m = &r->machine;
	double theta = t_s < m->plant.step_s ? m->start_theta_rad : plant_theta(&m->plant, t_s);
	r->coil[r->coil_n++] = (struct ride_coil){t_s, unit_deg(theta), valve, on};
}

static void on_coil(void *ctx, uint64_t cycle, unsigned valve, bool on)
{
	struct ride *r = ctx;
	if (r->zero == 0)
		return; /* the pins are set up */
	double t_s = seconds(r, cycle);
	remember_coil(r, t_s, valve, on);
	machine_command(&r->machine, t_s, valve, on);
}

static unsigned on_sample(void *ctx, uint64_t cycle, unsigned channel)
{
	struct ride *r = ctx;
	return (unsigned)machine_sample(&r->machine, seconds(r, cycle), channel);
}

/* --- what the engine does to the board --- */

static void set_pin(struct ride *r, double t_s, enum board_pin pin, bool high)
{
	if (!board_pin_at(r->board, cycle_at(r, t_s), pin, high))
		abort(); /* an edge that is not fed would be counted against the controller */
}

static void on_tooth(struct ride *r, double t_s)
{
	r->machine.pickup.level = !r->machine.pickup.level;
	r->fed.tooth++;
	r->machine.truth->edges_emitted++;
	set_pin(r, t_s, BOARD_TOOTH, r->machine.pickup.level);
}

/* The switch pulls the pin to ground. */
static void on_index(struct ride *r, const struct happening *h)
{
	if (h->level && within(h->t_s, r->faults.index_lost_at, r->faults.index_lost_until))
		return;
	if (r->machine.pickup.index_level == h->level)
		return;
	r->machine.pickup.index_level = h->level;
	r->fed.index++;
	r->machine.truth->index_emitted++;
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
	case HAPPENS_BURST:
	case HAPPENS_FALSE_INDEX:
		machine_disturb(&r->machine, h);
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

static int no_record(void *ctx, const struct record *record)
{
	(void)ctx;
	(void)record;
	return 0;
}

static int make_board(struct ride *r, const char *elf, struct fault *fault)
{
	const struct board_world world = {r, on_byte, on_coil, on_sample};
	r->board = board_new(elf, &world, fault);
	if (r->board == NULL)
		return -1;
	board_pin_at(r->board, 1, BOARD_TOOTH, r->machine.pickup.level);
	board_pin_at(r->board, 1, BOARD_INDEX, !r->machine.pickup.index_level);
	while (board_clock_started(r->board) == 0 && board_cycle(r->board) < READY_CYCLES)
		board_run(r->board, board_cycle(r->board) + 100);
	r->zero = board_clock_started(r->board);
	return r->zero > 0 ? 0 : fault_set(fault, EX_SOFTWARE, "%s: its clock (timer 1) does not start", elf);
}

struct ride *ride_new(const struct engine *e, const struct settings *s, const struct ride_faults *faults,
                      const char *elf, const char *truth_dir, const struct ride_link *link,
                      struct fault *fault)
{
	const struct rehearse_sink nobody = {NULL, no_record};
	struct settings its_own = *s;
	its_own.skew = its_own.drift = its_own.counter = 0; /* the board's clock is the emulator's */
	struct ride *r = calloc(1, sizeof *r);
	if (r == NULL)
		abort();
	r->faults = *faults;
	r->link = *link;
	if (machine_open(&r->machine, e, &its_own, truth_dir, &nobody, fault) != 0 ||
	    make_board(r, elf, fault) != 0) {
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
	machine_close(&r->machine);
	free(r->coil);
	free(r);
}

/* --- running --- */

static void break_board(struct ride *r, double before_s)
{
	double now_s = r->machine.plant.t_s;
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
	if (within(r->faults.unplugged_at, before_s, r->machine.plant.t_s))
		set_plug(r, r->faults.unplugged_at, false);
	if (within(r->faults.unplugged_until, before_s, r->machine.plant.t_s))
		set_plug(r, r->faults.unplugged_until, true);
}

/* The engine goes a step ahead; the board follows, with the pins changing at
 * their instants.  What the board switches in the step moves a valve only after
 * the valve's delay, which is longer than a step. */
void ride_run(struct ride *r, double until_s)
{
	const struct plant *p = &r->machine.plant;
	while (p->t_s + p->step_s / 2 < until_s) {
		double before_s = p->t_s;
		struct happening h;
		if (!machine_step(&r->machine))
			return; /* ride_finish says so */
		while (queue_take(&r->machine.queue, r->machine.plant.t_s, &h))
			happen(r, &h);
		break_board(r, before_s);
		pull_plug(r, before_s);
		board_run(r->board, cycle_at(r, r->machine.plant.t_s));
	}
}

int ride_finish(struct ride *r, struct fault *fault)
{
	struct machine *m = &r->machine;
	if (machine_end(m, fault) != 0)
		return -1;
	struct truth_facts f = machine_facts(m);
	f.controller_index_deg = unit_deg(m->engine.index_rad);
	f.first_tooth_deg = first_edge_deg(&m->engine, &m->s);
	return truth_finish(m->truth, &f, fault);
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
	return unit_deg(r->machine.plant.y[THETA]);
}

double ride_rpm(const struct ride *r)
{
	return unit_rpm(r->machine.plant.y[OMEGA]);
}

const struct truth *ride_truth(const struct ride *r)
{
	return r->machine.truth;
}

struct board *ride_board(struct ride *r)
{
	return r->board;
}
