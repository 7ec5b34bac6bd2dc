/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Pass 1: the wheel. */
#include "analyse/crank_align.h"
#include "analyse/crank_index.h"
#include "analyse/pitch.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define TWO_PI 6.283185307179586477
#define DEG (TWO_PI / 360)
#define FIRST_SD (0.3 * DEG) /* an edge about a wheel not yet learned */
#define FIRST_SD_PITCH 0.2   /* ... and never more than this part of a pitch */
#define FIRST_DRIFT 0.3      /* of speed^4: how fast a crank changes its mind */
#define ROUNDS 3             /* over the first leg: associate, learn, again */
#define LEARN_EDGES 30000    /* of a leg, spread over it; more tells no more */
#define LEARN_WORK 1e9       /* multiplications */
#define SAMPLE_WORK 2e8
#define WINDOWS 3         /* of a later leg: a few stretches are looked at ... */
#define WINDOW_EDGES 4000 /* ... of so many edges */
#define FIRST_ORDER_LEARNED (PITCH_LOW_ORDERS + 1)
#define JOINT_ROUNDS 3    /* the pushes follow from the wheel, a little */
#define SLOW_PART 0.3     /* of the mean speed: slower is starting or stopping */
#define BLOCK_TURNS 8     /* learned from at a time */
#define SAMPLE_EDGES 4000 /* for choosing the noise */
#define HALF_EDGES 1000   /* a half of fewer checks nothing */
#define SPAN_MIN 1.6      /* fastest over slowest: less tells an assumed torque from a wheel error no more */
#define FEW_TEETH 8
#define SHAPE_PART 0.005
#define LOW_SD_MAX (0.08 * DEG)     /* low orders known worse than this are not believed */
#define LOW_SD_ADMITTED (0.3 * DEG) /* halves of the ride disagree by more: not believed either */
#define LOW_UNKNOWN_SD (0.3 * DEG)  /* what a wheel's low orders may be when nothing tells */

struct crank_learner {
	struct engine engine; /* shallow */
	struct wheel nominal, wheel;
	struct smooth_noise noise; /* of the crank as it moves */
	struct smooth_noise joint; /* ... when the known pushes are taken out */
	struct torque torque;
	struct teeth *teeth;
	struct pitch *half[2];         /* learned from the slower and the faster half */
	double split_rad_s;            /* between them */
	double slow_rad_s, fast_rad_s; /* 5 % and 95 % of the speeds learned from */
	struct smooth_work *work;
	struct pitch_result result, free; /* free: no order held */
	int64_t *closing_us;
	size_t closing_cap, closings;
	double index_rad; /* where the index closes on `wheel`; NAN = not seen yet */
	bool started;
	unsigned legs; /* after the first */
	uint64_t edges, index_events;
	struct index_watch watch;
	double index_spread_rad;
};

struct crank_learner *crank_learner_new(const struct engine *e)
{
	struct crank_learner *l = calloc(1, sizeof *l);
	if (l == NULL)
		return NULL;
	l->engine = *e;
	l->index_rad = NAN;
	l->teeth = teeth_new();
	l->work = smooth_work_new();
	if (l->teeth == NULL || l->work == NULL) {
		crank_learner_free(l);
		return NULL;
	}
	return l;
}

void crank_learner_free(struct crank_learner *l)
{
	if (l == NULL)
		return;
	teeth_free(l->teeth);
	pitch_free(l->half[0]);
	pitch_free(l->half[1]);
	smooth_work_free(l->work);
	free(l->closing_us);
	free(l);
}

static int compare_doubles(const void *a, const void *b)
{
	double x = *(const double *)a, y = *(const double *)b;
	return (x > y) - (x < y);
}

/* Both edges: how much of a pitch lies between a rising edge and the falling
 * one after it, as the median over the leg. */
static double duty_of(const struct leg *leg)
{
	double part[2048];
	size_t n = 0, stride = leg->tooth_n / 2048 + 1;
	for (size_t i = 0; i + 2 < leg->tooth_n && n < 2048; i += stride) {
		size_t j = leg->tooth[i].level != 0 ? i : i + 1;
		const struct ride_edge *e = &leg->tooth[j];
		if (j + 2 >= leg->tooth_n || e[0].level == 0 || e[1].level != 0 || e[2].level == 0)
			continue;
		double high = (double)(e[1].t_us - e[0].t_us), both = (double)(e[2].t_us - e[0].t_us);
		if (both > 0)
			part[n++] = high / both;
	}
	if (n == 0)
		return 0.5;
	qsort(part, n, sizeof *part, compare_doubles);
	return fmin(fmax(part[n / 2], 0.02), 0.98);
}

static struct wheel nominal_wheel(const struct engine *e, const struct leg *leg)
{
	struct wheel w = {.teeth = e->tooth_count};
	bool both = e->edges == EDGES_BOTH;
	double pitch = TWO_PI / w.teeth, duty = both ? duty_of(leg) : 0;
	w.slots = both ? 2 * w.teeth : w.teeth;
	for (unsigned i = 0; i < w.slots; i++) {
		unsigned tooth = both ? i / 2 : i;
		bool trailing = both && i % 2 == 1;
		w.angle_rad[i] = pitch * (tooth + (trailing ? duty : 0));
		w.level[i] = both ? !trailing : e->edges == EDGES_RISING;
	}
	w.edge_sd_rad = fmin(FIRST_SD, FIRST_SD_PITCH * TWO_PI / w.slots);
	return w;
}

static int take_closings(struct crank_learner *l, const struct leg *leg, struct fault *fault)
{
	if (leg->index_n > l->closing_cap) {
		int64_t *grown = realloc(l->closing_us, leg->index_n * sizeof *grown);
		if (grown == NULL)
			return fault_set(fault, EX_OSERR, "out of memory for %zu index events", leg->index_n);
		l->closing_us = grown;
		l->closing_cap = leg->index_n;
	}
	l->closings = align_closings(leg, l->closing_us);
	return 0;
}

/* Where the index closes, by one run: the median direction of its closings. */
static double index_on_run(struct crank_learner *l, const struct tooth_run *run)
{
	const struct tooth_mark *mark = l->teeth->mark + run->first;
	struct align_fix f = align_run(&l->wheel, 0, l->closing_us, l->closings, mark, run->n, NULL);
	double spread;
	if (f.by == ALIGN_NONE)
		return NAN;
	l->watch.n = 0;
	index_watch_add(&l->watch, &l->wheel, mark, run->n, 0, true, l->closing_us, l->closings);
	return index_watch_rad(&l->watch, &l->wheel, &spread);
}

static const struct tooth_run *longest_run(const struct teeth *t)
{
	const struct tooth_run *best = NULL;
	for (size_t i = 0; i < t->run_n; i++)
		if (best == NULL || t->run[i].n > best->n)
			best = &t->run[i];
	return best;
}

/* Places the runs on the wheel; fix[r] for each. */
static struct align_fix place(const struct crank_learner *l, size_t r, bool by_pattern)
{
	const struct tooth_run *run = &l->teeth->run[r];
	return align_run(&l->wheel, l->index_rad, l->closing_us, l->closings, l->teeth->mark + run->first,
	                 run->n, by_pattern ? &l->noise : NULL);
}

static int string_once(struct crank_learner *l, const struct leg *leg, struct fault *fault)
{
	if (teeth_associate(l->teeth, &l->wheel, l->engine.edges, leg, fault) != 0)
		return -1;
	const struct tooth_run *longest = longest_run(l->teeth);
	if (isnan(l->index_rad) && longest != NULL)
		l->index_rad = index_on_run(l, longest);
	if (!align_split(l->teeth, &l->wheel, l->index_rad, l->closing_us, l->closings))
		return fault_set(fault, EX_OSERR, "out of memory for runs of teeth");
	return 0;
}

/* Strings the edges, and once more where a run was started from the wrong slot. */
static int associate(struct crank_learner *l, const struct leg *leg, bool by_pattern, struct fault *fault)
{
	teeth_forget(l->teeth);
	if (string_once(l, leg, fault) != 0)
		return -1;
	bool again = false;
	for (size_t r = 0; r < l->teeth->run_n; r++) {
		struct align_fix f = place(l, r, by_pattern);
		if (f.by != ALIGN_NONE)
			again |= teeth_know(l->teeth, &l->wheel, r, f.shift);
	}
	return again && by_pattern ? string_once(l, leg, fault) : 0;
}

/* A stretch of a run to learn from. */
struct block {
	const struct tooth_mark *mark;
	size_t n;
	int64_t shift;
	double omega;
	struct torque_push *push; /* between its marks; NULL: not worked out */
	bool hole;                /* the gauges say nothing here */
};

struct block_list {
	struct block *block;
	size_t n, cap;
};

static void forget_blocks(struct block_list *b)
{
	for (size_t i = 0; i < b->n; i++)
		free(b->block[i].push);
	b->n = 0;
}

static void free_blocks(struct block_list *b)
{
	forget_blocks(b);
	free(b->block);
}

static bool add_block(struct block_list *b, const struct wheel *w, const struct tooth_mark *mark, size_t n,
                      int64_t shift)
{
	if (b->n == b->cap) {
		size_t cap = 2 * b->cap + 64;
		struct block *grown = realloc(b->block, cap * sizeof *grown);
		if (grown == NULL)
			return false;
		b->block = grown;
		b->cap = cap;
	}
	double turned = TWO_PI * (double)(mark[n - 1].slot - mark[0].slot) / w->slots;
	b->block[b->n++] = (struct block){
	    mark, n, shift, turned / (1e-6 * (double)(mark[n - 1].t_us - mark[0].t_us)), NULL, false};
	return true;
}

static size_t block_edges(const struct wheel *w)
{
	unsigned turns = w->slots <= 128 ? BLOCK_TURNS : BLOCK_TURNS / 2;
	return turns * w->slots < 200 ? 200 : turns * w->slots;
}

/* The work grows with the square of the slots: of a fine wheel fewer edges are
 * learned from, which tell as much of each slot's angle in the end. */
static size_t edges_within(const struct wheel *w, size_t edges, double budget)
{
	double affordable = budget / (0.5 * w->slots * w->slots);
	return affordable < (double)edges ? (size_t)affordable : edges;
}

/* Mean speed over the runs, by slots and time. */
static double mean_omega(const struct crank_learner *l)
{
	double slots = 0, time_s = 0;
	for (size_t i = 0; i < l->teeth->run_n; i++) {
		const struct tooth_run *r = &l->teeth->run[i];
		const struct tooth_mark *m = l->teeth->mark + r->first;
		slots += (double)(m[r->n - 1].slot - m[0].slot);
		time_s += 1e-6 * (double)(m[r->n - 1].t_us - m[0].t_us);
	}
	return time_s > 0 ? TWO_PI * slots / l->wheel.slots / time_s : 0;
}

/* Does the crank run, from mark i over the next `span` marks? */
static bool runs_at(const struct crank_learner *l, const struct tooth_mark *mark, size_t i, size_t span,
                    double slow)
{
	double dt = 1e-6 * (double)(mark[i + span].t_us - mark[i].t_us);
	return TWO_PI * (double)(mark[i + span].slot - mark[i].slot) / l->wheel.slots > slow * dt;
}

/* Starts and stops are left out: friction turns round there, and teeth may
 * have passed back and forth. */
static void trim_slow_ends(const struct crank_learner *l, const struct tooth_mark *mark, size_t *from,
                           size_t *to)
{
	size_t span = l->wheel.slots / 8 + 2;
	double slow = SLOW_PART * mean_omega(l);
	while (*from + span < *to && !runs_at(l, mark, *from, span, slow))
		++*from;
	while (*to > *from + span && !runs_at(l, mark, *to - 1 - span, span, slow))
		--*to;
}

/* The runs whose place on the wheel is known, cut into blocks; of a long leg
 * blocks spread over all of it. */
static bool list_blocks(const struct crank_learner *l, bool by_pattern, struct block_list *b)
{
	const struct teeth *t = l->teeth;
	const struct tooth_run *longest = longest_run(t);
	size_t size = block_edges(&l->wheel), passed = 0,
	       stride = t->n / edges_within(&l->wheel, LEARN_EDGES, LEARN_WORK) + 1;
	for (size_t i = 0; i < t->run_n; i++) {
		const struct tooth_run *r = &t->run[i];
		struct align_fix f = place(l, i, by_pattern);
		bool anchor = isnan(l->index_rad) && r == longest; /* any place will do */
		/* A piece shorter than two turns may be anything, teeth passed backward too. */
		bool placed = f.by != ALIGN_NONE && r->n > 2 * l->wheel.slots;
		if (!placed && !anchor)
			continue;
		size_t from = 0, to = r->n;
		trim_slow_ends(l, t->mark + r->first, &from, &to);
		for (; from < to; from += size) {
			size_t n = to - from < size ? to - from : size;
			if (passed++ % stride == 0 && n >= 32 &&
			    !add_block(b, &l->wheel, t->mark + r->first + from, n, f.shift))
				return false;
		}
	}
	return true;
}

static void watch_speeds(struct crank_learner *l, const struct block_list *b)
{
	double *omega = malloc((b->n + 1) * sizeof *omega);
	if (omega == NULL || b->n == 0) {
		free(omega);
		return;
	}
	for (size_t i = 0; i < b->n; i++)
		omega[i] = b->block[i].omega;
	qsort(omega, b->n, sizeof *omega, compare_doubles);
	double slow = omega[b->n / 20], fast = omega[b->n - 1 - b->n / 20];
	l->slow_rad_s = l->slow_rad_s > 0 ? fmin(l->slow_rad_s, slow) : slow;
	l->fast_rad_s = fmax(l->fast_rad_s, fast);
	if (!l->started)
		l->split_rad_s = omega[b->n / 2];
	free(omega);
}

/* What is added to the wheel's angle to give the crank's. */
static double turn_of(const struct crank_learner *l)
{
	return isnan(l->index_rad) || isnan(l->engine.index_rad) ? 0 : l->engine.index_rad - l->index_rad;
}

/* The crank at the marks of a block, smoothed: single edges may be wrong. */
static bool smooth_block(struct crank_learner *l, const struct block *b, struct torque_turn *turn)
{
	struct smooth_edge *edge = malloc(b->n * sizeof *edge);
	struct smooth_state *state = malloc(b->n * sizeof *state);
	bool ok = edge != NULL && state != NULL;
	for (size_t i = 0; ok && i < b->n; i++)
		edge[i] = (struct smooth_edge){1e-6 * (double)(b->mark[i].t_us - b->mark[0].t_us),
		                               teeth_angle_rad(&l->wheel, b->mark[i].slot + b->shift)};
	if (ok)
		smooth_run(l->work, &l->noise, edge, b->n, state);
	for (size_t i = 0; ok && i < b->n; i++)
		turn[i] = (struct torque_turn){state[i].theta_rad + turn_of(l), state[i].omega_rad_s};
	free(edge);
	free(state);
	return ok;
}

/* Works out the pushes of a block by the wheel as it is known now. */
static bool push_block(struct crank_learner *l, const struct leg *leg, struct block *b)
{
	if (l->torque.kind == TORQUE_NONE)
		return true;
	free(b->push);
	b->push = malloc(b->n * l->torque.columns * sizeof *b->push);
	struct torque_turn *turn = malloc(b->n * sizeof *turn);
	bool ok = b->push != NULL && turn != NULL && smooth_block(l, b, turn);
	b->hole = ok && !torque_pushes(&l->torque, leg, b->mark, turn, b->n, l->wheel.slots, b->push);
	free(turn);
	return ok;
}

static void learn_block(const struct smooth_noise *noise, const struct block *b, struct pitch *into)
{
	if (!b->hole)
		pitch_add(into, noise, b->mark, b->n, b->shift, b->push);
}

/* Every block into its half, with fresh pushes that are not kept. */
static bool learn_blocks(struct crank_learner *l, const struct leg *leg, const struct smooth_noise *noise,
                         const struct block_list *b)
{
	for (size_t i = 0; i < b->n; i++) {
		struct block *k = &b->block[i];
		if (!push_block(l, leg, k))
			return false;
		learn_block(noise, k, l->half[k->omega > l->split_rad_s]);
		free(k->push);
		k->push = NULL;
	}
	return true;
}

static bool fresh_halves(struct crank_learner *l)
{
	for (int i = 0; i < 2; i++) {
		pitch_free(l->half[i]);
		l->half[i] = pitch_new(&l->nominal, &l->torque);
		if (l->half[i] == NULL)
			return false;
	}
	return true;
}

static int out_of_memory(struct fault *fault)
{
	return fault_set(fault, EX_OSERR, "out of memory for the wheel");
}

/* How much larger than supposed a half's innovations are. */
static double half_residual(const struct crank_learner *l, int i)
{
	struct pitch_result r;
	struct fault ignored;
	bool enough = pitch_edges(l->half[i]) > 4 * (l->wheel.slots + l->torque.columns);
	return enough && pitch_solve(l->half[i], 0, &r, &ignored) == 0 ? r.residual : 1;
}

static int solve_whole(struct crank_learner *l, unsigned low_limit, struct fault *fault)
{
	struct pitch *whole = pitch_new(&l->nominal, &l->torque);
	if (whole == NULL)
		return out_of_memory(fault);
	for (int i = 0; i < 2; i++)
		pitch_join(whole, l->half[i], 1 / half_residual(l, i));
	int bad = pitch_solve(whole, low_limit, &l->result, fault);
	pitch_free(whole);
	return bad;
}

static void take_result(struct crank_learner *l)
{
	double scale = sqrt(fmax(l->result.residual, 1));
	for (unsigned i = 0; i < l->wheel.slots; i++) {
		l->wheel.angle_rad[i] = l->nominal.angle_rad[i] + l->result.error_rad[i];
		l->wheel.angle_sd_rad[i] = l->result.sd_rad[i] * scale;
	}
}

/* The halves of the ride, each by itself, should find the same low orders.
 * Where they differ by more than they claim, all claims grow in proportion, and
 * an order that stands out is known no better than they differ. */
static void compare_halves(struct crank_learner *l)
{
	struct pitch_result half[2];
	struct fault ignored;
	for (int i = 0; i < 2; i++)
		if (pitch_edges(l->half[i]) < HALF_EDGES ||
		    pitch_solve(l->half[i], 0, &half[i], &ignored) != 0)
			return;
	double sum = 0, z2[2 * PITCH_LOW_ORDERS];
	for (unsigned c = 0; c < 2 * PITCH_LOW_ORDERS; c++) {
		double apart = half[0].low_rad[c] - half[1].low_rad[c];
		double var = half[0].residual * half[0].low_sd_rad[c] * half[0].low_sd_rad[c] +
		             half[1].residual * half[1].low_sd_rad[c] * half[1].low_sd_rad[c];
		z2[c] = var > 0 ? apart * apart / var : 0;
		sum += z2[c] / (2 * PITCH_LOW_ORDERS);
	}
	double grow = sqrt(fmax(sum, 1));
	for (unsigned c = 0; c < 2 * PITCH_LOW_ORDERS; c++) {
		double apart = fabs(half[0].low_rad[c] - half[1].low_rad[c]);
		l->result.low_sd_rad[c] *= grow;
		if (z2[c] > 9)
			l->result.low_sd_rad[c] = fmax(l->result.low_sd_rad[c], apart / 2);
	}
}

/* An assumed torque is never quite the true one: allow for a small part of the
 * unevenness that it takes out at the mean speed. */
static void allow_for_shape(struct crank_learner *l)
{
	double w2 = l->split_rad_s * l->split_rad_s;
	for (unsigned h = 1; l->torque.kind == TORQUE_ASSUMED && h <= PITCH_LOW_ORDERS; h++) {
		double ripple = torque_assumed_order(&l->torque, l->free.factor, h) / (h * h * w2);
		for (unsigned c = 2 * h - 2; c < 2 * h; c++)
			l->result.low_sd_rad[c] = hypot(l->result.low_sd_rad[c], SHAPE_PART * ripple);
	}
}

/* What the check adds to the scatter of the slots. */
static void widen_slots(struct crank_learner *l)
{
	for (unsigned i = 0; i < l->wheel.slots; i++) {
		double var = l->wheel.angle_sd_rad[i] * l->wheel.angle_sd_rad[i];
		for (unsigned c = 0; c < 2 * PITCH_LOW_ORDERS; c++) {
			double angle = (c / 2 + 1) * l->wheel.angle_rad[i];
			double shape = c % 2 == 0 ? cos(angle) : sin(angle);
			double more = l->result.low_sd_rad[c] * l->result.low_sd_rad[c] -
			              l->free.low_sd_rad[c] * l->free.low_sd_rad[c];
			var += shape * shape * fmax(more, 0);
		}
		l->wheel.angle_sd_rad[i] = sqrt(var);
	}
}

static double worst_low_sd(const struct crank_learner *l)
{
	double worst = 0;
	unsigned orders = l->wheel.teeth / 2 < PITCH_LOW_ORDERS ? l->wheel.teeth / 2 : PITCH_LOW_ORDERS;
	for (unsigned c = 0; c < 2 * orders; c++)
		worst = fmax(worst, l->result.low_sd_rad[c]);
	return worst;
}

/* Are the low orders told from torque? Leaves the result to be used. */
static int settle_low_orders(struct crank_learner *l, struct fault *fault)
{
	if (solve_whole(l, 0, fault) != 0)
		return -1;
	l->free = l->result;
	torque_scale(&l->torque, &l->free.factor[0], &l->free.factor_sd[0]);
	bool spanned = l->fast_rad_s > SPAN_MIN * l->slow_rad_s;
	bool known = l->torque.kind == TORQUE_MEASURED || l->torque.kind == TORQUE_EVEN ||
	             (l->torque.kind == TORQUE_ASSUMED && spanned);
	known = known && worst_low_sd(l) < LOW_SD_MAX;
	if (known) {
		compare_halves(l);
		allow_for_shape(l);
	}
	known = known && worst_low_sd(l) < LOW_SD_ADMITTED;
	l->wheel.low_orders_known = known;
	l->wheel.low_order_limit = known ? 0 : FIRST_ORDER_LEARNED;
	if (!known && solve_whole(l, FIRST_ORDER_LEARNED, fault) != 0)
		return -1;
	take_result(l);
	if (known)
		widen_slots(l);
	return 0;
}

/* A sample of the ride, to choose the noise by. */
struct sample {
	const struct block_list *blocks;
	size_t stride;
	struct pitch *pitch;
	double best; /* evidence */
};

/* Takes the noise, at its best scale, when it makes the sample more likely. */
static void try_noise(struct crank_learner *l, struct sample *s, const struct smooth_noise *trial)
{
	struct pitch_result r;
	struct fault ignored;
	pitch_clear(s->pitch);
	for (size_t i = 0; i < s->blocks->n; i += s->stride)
		learn_block(trial, &s->blocks->block[i], s->pitch);
	if (pitch_edges(s->pitch) < 200 || pitch_solve(s->pitch, 0, &r, &ignored) != 0 ||
	    !(r.evidence > s->best))
		return;
	s->best = r.evidence;
	l->joint =
	    (struct smooth_noise){trial->edge_sd_rad * sqrt(r.residual), trial->drift_rad2_s4 * r.residual};
	l->free = r;
}

/* Over a grid of drift to edge noise, in powers of ten. */
static void search_noise(struct crank_learner *l, struct sample *s, double edge_sd, double step)
{
	double unit = edge_sd * edge_sd * pow(l->split_rad_s, 4);
	s->best = -INFINITY;
	for (double lg = -1; lg < 7.01; lg += step)
		try_noise(l, s, &(struct smooth_noise){edge_sd, pow(10, lg) * unit});
}

/* Noise of the joint model: the one that makes a sample of the ride most
 * likely; looked for twice, since edges taken for the wrong slot are known only
 * by a first result. */
static bool choose_joint_noise(struct crank_learner *l, const struct leg *leg, const struct block_list *b)
{
	size_t edges = edges_within(&l->wheel, SAMPLE_EDGES, SAMPLE_WORK);
	struct sample s = {.blocks = b, .stride = b->n * block_edges(&l->wheel) / edges + 1};
	s.pitch = pitch_new(&l->nominal, &l->torque);
	bool ok = s.pitch != NULL;
	for (size_t i = 0; ok && i < b->n; i += s.stride)
		ok = push_block(l, leg, &b->block[i]);
	if (ok) {
		search_noise(l, &s, fmax(l->noise.edge_sd_rad, 1e-4), 2);
		pitch_guess(s.pitch, &l->free);
		search_noise(l, &s, l->joint.edge_sd_rad, 1);
		struct smooth_noise found = l->joint;
		for (double factor = 0.3; factor < 4; factor *= 10)
			try_noise(l, &s,
			          &(struct smooth_noise){found.edge_sd_rad, found.drift_rad2_s4 * factor});
	}
	pitch_free(s.pitch);
	return ok;
}

static void fit_noise(struct crank_learner *l)
{
	const struct tooth_run *r = longest_run(l->teeth);
	if (r == NULL)
		return;
	size_t n = r->n < 4000 ? r->n : 4000;
	struct smooth_edge *edge = malloc(n * sizeof *edge);
	if (edge == NULL)
		return;
	const struct tooth_mark *mark = l->teeth->mark + r->first + (r->n - n) / 2;
	struct align_fix f = align_run(&l->wheel, l->index_rad, l->closing_us, l->closings,
	                               l->teeth->mark + r->first, r->n, NULL);
	for (size_t i = 0; i < n; i++)
		edge[i] = (struct smooth_edge){1e-6 * (double)(mark[i].t_us - mark[0].t_us),
		                               teeth_angle_rad(&l->wheel, mark[i].slot + f.shift)};
	if (smooth_fit_noise(edge, n, &l->noise)) {
		l->wheel.edge_sd_rad = l->noise.edge_sd_rad;
		l->wheel.drift_rad2_s4 = l->noise.drift_rad2_s4;
	}
	free(edge);
}

/* One round over the first leg: associate, learn the high orders. */
static int learn_round(struct crank_learner *l, const struct leg *leg, unsigned round, struct block_list *b,
                       struct fault *fault)
{
	if (associate(l, leg, round > 0, fault) != 0)
		return -1;
	if (l->teeth->run_n == 0)
		return 0;
	if (round == 0)
		l->noise = (struct smooth_noise){l->wheel.edge_sd_rad, FIRST_DRIFT * pow(mean_omega(l), 4)};
	forget_blocks(b);
	if (!fresh_halves(l) || !list_blocks(l, round > 0, b) || !learn_blocks(l, leg, &l->noise, b))
		return out_of_memory(fault);
	if (solve_whole(l, FIRST_ORDER_LEARNED, fault) != 0)
		return -1;
	take_result(l);
	watch_speeds(l, b);
	fit_noise(l);
	return 0;
}

/* A wheel of few teeth has only low orders.  Where no valve is switched, nothing
 * drives it in step with the crank, and its spacing shows. */
static struct torque choose_torque(const struct crank_learner *l, const struct leg *leg)
{
	struct torque t = torque_of(&l->engine, !isnan(l->index_rad) && !isnan(l->engine.index_rad));
	bool free_wheel = l->wheel.teeth <= FEW_TEETH && leg->command_n == 0;
	return t.kind != TORQUE_MEASURED && free_wheel ? torque_even() : t;
}

/* With the pushes known or assumed: all orders together. */
static int learn_joint(struct crank_learner *l, const struct leg *leg, const struct block_list *b,
                       struct fault *fault)
{
	l->torque = choose_torque(l, leg);
	if (!choose_joint_noise(l, leg, b))
		return out_of_memory(fault);
	for (unsigned round = 0; round < JOINT_ROUNDS; round++) {
		if (!fresh_halves(l))
			return out_of_memory(fault);
		pitch_guess(l->half[0], &l->free);
		pitch_guess(l->half[1], &l->free);
		if (!learn_blocks(l, leg, &l->joint, b))
			return out_of_memory(fault);
		if (settle_low_orders(l, fault) != 0)
			return -1;
	}
	return 0;
}

static void watch_index(struct crank_learner *l)
{
	for (size_t r = 0; r < l->teeth->run_n; r++) {
		const struct tooth_run *run = &l->teeth->run[r];
		struct align_fix f = place(l, r, true);
		index_watch_add(&l->watch, &l->wheel, l->teeth->mark + run->first, run->n, f.shift,
		                f.by != ALIGN_NONE, l->closing_us, l->closings);
	}
	if (l->watch.n > 0)
		l->index_rad = index_watch_rad(&l->watch, &l->wheel, &l->index_spread_rad);
}

/* The first leg several times over, each time with a better wheel. */
static int learn_first(struct crank_learner *l, const struct leg *leg, struct fault *fault)
{
	struct block_list b = {0};
	int bad = 0;
	l->nominal = l->wheel = nominal_wheel(&l->engine, leg);
	l->torque.kind = TORQUE_NONE;
	if (take_closings(l, leg, fault) != 0)
		return -1;
	for (unsigned round = 0; round < ROUNDS && bad == 0; round++)
		bad = learn_round(l, leg, round, &b, fault);
	if (bad == 0 && b.n > 0) {
		bad = learn_joint(l, leg, &b, fault);
		fit_noise(l);
		l->watch = (struct index_watch){.n = 0};
		l->started = true;
		watch_index(l);
	}
	free_blocks(&b);
	return bad;
}

/* A later leg, or a stretch of it: more of the same. */
static int learn_stretch(struct crank_learner *l, const struct leg *leg, struct fault *fault)
{
	struct block_list b = {0};
	if (take_closings(l, leg, fault) != 0 || associate(l, leg, true, fault) != 0)
		return -1;
	bool ok = list_blocks(l, true, &b) && learn_blocks(l, leg, &l->joint, &b);
	watch_speeds(l, &b);
	free_blocks(&b);
	watch_index(l);
	return ok ? 0 : out_of_memory(fault);
}

/* Edges of a column before a time. */
static size_t edges_before(const struct ride_edge *e, size_t n, int64_t t_us)
{
	size_t low = 0;
	while (n > 0) {
		size_t half = n / 2;
		bool before = e[low + half].t_us < t_us;
		low += before ? half + 1 : 0;
		n = before ? n - half - 1 : half;
	}
	return low;
}

/* Part of a leg by its teeth. */
static struct leg window_of(const struct leg *leg, size_t first, size_t n)
{
	struct leg w = *leg;
	w.tooth = leg->tooth + first;
	w.tooth_n = n;
	w.from_us = w.tooth[0].t_us;
	w.to_us = w.tooth[n - 1].t_us;
	size_t from = edges_before(leg->index, leg->index_n, w.from_us);
	w.index = leg->index + from;
	w.index_n = edges_before(w.index, leg->index_n - from, w.to_us + 1);
	return w;
}

static int learn_more(struct crank_learner *l, const struct leg *leg, struct fault *fault)
{
	if (leg->tooth_n < 2 * WINDOWS * WINDOW_EDGES)
		return learn_stretch(l, leg, fault);
	for (size_t i = 0; i < WINDOWS; i++) {
		size_t first = leg->tooth_n * (2 * i + 1) / (2 * WINDOWS) - WINDOW_EDGES / 2;
		struct leg w = window_of(leg, first, WINDOW_EDGES);
		if (learn_stretch(l, &w, fault) != 0)
			return -1;
	}
	return 0;
}

int crank_learn(struct crank_learner *l, const struct leg *leg, struct fault *fault)
{
	l->edges += leg->tooth_n;
	l->index_events += leg->index_n;
	if (leg->tooth_n < 16 || l->engine.tooth_count == 0)
		return 0;
	if (!l->started)
		return learn_first(l, leg, fault);
	if (learn_more(l, leg, fault) != 0)
		return -1;
	/* The wheel is worked out anew each time the ride has doubled, and at the end. */
	l->legs++;
	return (l->legs & (l->legs - 1)) == 0 ? settle_low_orders(l, fault) : 0;
}

static void __attribute__((format(printf, 2, 3))) remark(struct wheel *w, const char *format, ...)
{
	if (w->remarks == sizeof w->remark / sizeof w->remark[0])
		return;
	va_list args;
	va_start(args, format);
	vsnprintf(w->remark[w->remarks++], sizeof w->remark[0], format, args);
	va_end(args);
}

static int check_count(const struct crank_learner *l, struct wheel *w, struct fault *fault)
{
	unsigned best = index_watch_teeth(&l->watch);
	if (best == 0)
		return 0;
	if (best % w->teeth != 0)
		return fault_set(
		    fault, EX_DATAERR,
		    "the engine file gives the wheel %u teeth, but %u teeth pass between two closings of "
		    "the index; set `count = %u` in [teeth], or check `edges`",
		    w->teeth, best, best);
	if (best > w->teeth)
		remark(w, "the index closes only once in %u turns of the wheel", best / w->teeth);
	return 0;
}

/* Turns the wheel so that its index closes where the engine file says, and
 * numbers the slots from the first one past 0 deg. */
static void place_on_crank(const struct crank_learner *l, struct wheel *w)
{
	const struct wheel *from = &l->wheel;
	double turn = w->aligned ? l->engine.index_rad - l->index_rad : 0;
	unsigned first = 0;
	double lowest = INFINITY;
	for (unsigned i = 0; i < w->slots; i++) {
		double a = from->angle_rad[i] + turn;
		a -= TWO_PI * floor(a / TWO_PI);
		if (a < lowest) {
			lowest = a;
			first = i;
		}
	}
	for (unsigned i = 0; i < w->slots; i++) {
		unsigned j = (first + i) % w->slots;
		double a = from->angle_rad[j] + turn;
		w->angle_rad[i] = a - TWO_PI * floor(a / TWO_PI);
		w->angle_sd_rad[i] = from->angle_sd_rad[j];
		w->level[i] = from->level[j];
	}
}

/* Leading edges against equal pitch; trailing edges against leading ones. */
static void describe_pitch(const struct engine *e, struct wheel *w)
{
	bool both = w->slots > w->teeth;
	uint8_t leading = e->edges == EDGES_FALLING ? 0 : 1;
	double pitch = TWO_PI / w->teeth, mean = 0, behind = 0;
	unsigned k = 0;
	for (unsigned i = 0; i < w->slots; i++) {
		if (w->level[i] != leading)
			continue;
		w->pitch_error_rad[k] = w->angle_rad[i] - k * pitch;
		mean += w->pitch_error_rad[k++] / w->teeth;
		double gap = w->angle_rad[(i + 1) % w->slots] - w->angle_rad[i];
		behind += (gap < 0 ? gap + TWO_PI : gap) / w->teeth;
	}
	for (k = 0; k < w->teeth; k++)
		w->pitch_error_rad[k] -= mean;
	w->edge_offset_rad = both ? behind : NAN;
}

static int check_usable(const struct crank_learner *l, struct fault *fault)
{
	if (l->engine.tooth_count == 0)
		return fault_set(
		    fault, EX_CONFIG,
		    "the engine file gives no toothed wheel; add `count` to its section [teeth]");
	if (l->edges == 0)
		return fault_set(fault, EX_DATAERR,
		                 "the ride holds no tooth edges; check the pick-up and its wiring");
	if (!l->started)
		return fault_set(
		    fault, EX_DATAERR,
		    "the ride holds %llu tooth edges, but nowhere %u in a row that turn evenly; the crank "
		    "angle cannot be told from them",
		    (unsigned long long)l->edges, 9u);
	return 0;
}

static void finish_low_orders(const struct crank_learner *l, struct wheel *w)
{
	double more = 0;
	if (!w->low_orders_known) {
		remark(w,
		       "pitch errors of orders 1 to %d cannot be told from the engine's own unevenness and "
		       "are taken as zero",
		       PITCH_LOW_ORDERS);
		more = LOW_UNKNOWN_SD;
	} else if (l->torque.kind == TORQUE_EVEN) {
		remark(w, "torque shape assumed: nothing drives the wheel in step with the crank");
	} else if (l->torque.kind == TORQUE_ASSUMED) {
		remark(w,
		       "torque shape assumed: pitch errors of orders 1 to %d rest on a torque that does not "
		       "change with speed",
		       PITCH_LOW_ORDERS);
	}
	for (unsigned i = 0; i < w->slots; i++)
		w->angle_sd_rad[i] = hypot(w->angle_sd_rad[i], more);
}

int crank_learned(struct crank_learner *l, struct wheel *w, struct fault *fault)
{
	if (check_usable(l, fault) != 0)
		return -1;
	if (l->legs > 0 && settle_low_orders(l, fault) != 0)
		return -1;
	*w = l->wheel;
	w->remarks = 0;
	if (check_count(l, w, fault) != 0)
		return -1;
	w->aligned = !isnan(l->index_rad) && !isnan(l->engine.index_rad);
	if (isnan(l->engine.index_rad))
		remark(w, "the engine file gives no index angle: angles are relative only");
	else if (!w->aligned)
		remark(w, "no index was seen: angles are relative only");
	place_on_crank(l, w);
	describe_pitch(&l->engine, w);
	w->index_spread_rad = l->index_spread_rad;
	finish_low_orders(l, w);
	return 0;
}
