/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Stretches of a ride to learn the wheel from. */
#include "analyse/beside.h"
#include "analyse/crank_learner.h"

#include <gsl/gsl_sort.h>
#include <math.h>
#include <stdlib.h>

#define TWO_PI 6.283185307179586477
#define LEARN_EDGES 30000 /* of a leg, spread over it; more tells no more */
#define FEWER_EDGES 8000  /* ... while the slots are still being told apart */
#define LEARN_WORK 1e9    /* multiplications */
#define ALONE_TURNS 4
#define SLOW_PART 0.3 /* of the mean speed: slower is starting or stopping */
#define BLOCK_TURNS 8 /* learned from at a time */
#define LEAST_EDGES 32

void learner_forget_blocks(struct block_list *b)
{
	for (size_t i = 0; i < b->n; i++)
		free(b->block[i].push);
	b->n = 0;
}

void learner_free_blocks(struct block_list *b)
{
	learner_forget_blocks(b);
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

size_t learner_block_edges(const struct wheel *w)
{
	unsigned turns = w->slots <= 128 ? BLOCK_TURNS : BLOCK_TURNS / 2;
	return turns * w->slots < 200 ? 200 : turns * w->slots;
}

/* The work grows with the square of the slots: of a fine wheel fewer edges are
 * learned from, which tell as much of each slot's angle in the end. */
size_t learner_edges_within(const struct wheel *w, size_t edges, double budget)
{
	double affordable = budget / (0.5 * w->slots * w->slots);
	return affordable < (double)edges ? (size_t)affordable : edges;
}

/* Mean speed over the runs, by slots and time. */
double learner_mean_omega(const struct crank_learner *l)
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
	double slow = SLOW_PART * learner_mean_omega(l);
	while (*from + span < *to && !runs_at(l, mark, *from, span, slow))
		++*from;
	while (*to > *from + span && !runs_at(l, mark, *to - 1 - span, span, slow))
		--*to;
}

/* Which runs are learned from. */
struct choice {
	const struct tooth_run *reference;
	bool by_pattern, alone, pieces;
};

/* A piece shorter than two turns may be anything, teeth passed backward too; but
 * where the search breaks off at the same place of a wheel each turn there is
 * nothing longer, and then one closing must do (`pieces`). */
static bool is_chosen(const struct crank_learner *l, const struct choice *c, size_t i, struct align_fix *f)
{
	const struct tooth_run *r = &l->teeth->run[i];
	*f = learner_place(l, i, c->by_pattern);
	if (c->alone && r != c->reference)
		return false;
	if (isnan(l->index_rad) && r == c->reference)
		return true; /* any place will do */
	if (r->sense < 0)
		return false;
	if (c->pieces)
		return f->votes > 0 && f->agree == f->votes && 3 * r->n > l->wheel.slots;
	return f->by != ALIGN_NONE && r->n > 2 * l->wheel.slots;
}

/* The runs whose place on the wheel is known, cut into blocks; of a long leg
 * blocks spread over all of it. */
static bool list_chosen(const struct crank_learner *l, const struct choice *c, struct block_list *b)
{
	const struct teeth *t = l->teeth;
	size_t size = learner_block_edges(&l->wheel), passed = 0;
	size_t most = l->all_blocks ? LEARN_EDGES : FEWER_EDGES;
	size_t stride = t->n / learner_edges_within(&l->wheel, most, LEARN_WORK) + 1;
	for (size_t i = 0; i < t->run_n; i++) {
		const struct tooth_mark *mark = t->mark + t->run[i].first;
		struct align_fix f;
		if (!is_chosen(l, c, i, &f))
			continue;
		size_t from = 0, to = t->run[i].n;
		trim_slow_ends(l, mark, &from, &to);
		for (; from < to; from += size) {
			size_t n = to - from < size ? to - from : size;
			if (passed++ % stride == 0 && n >= LEAST_EDGES &&
			    !add_block(b, &l->wheel, mark + from, n, f.shift))
				return false;
		}
	}
	return true;
}

bool learner_list_blocks(const struct crank_learner *l, bool by_pattern, struct block_list *b)
{
	struct choice c = {learner_reference_run(l->teeth, &l->wheel), by_pattern, false, false};
	/* While the wheel's pattern is not known a run passed backward looks like any
	 * other: only the reference is learned from, if it will do. */
	c.alone = !by_pattern && c.reference != NULL && c.reference->n > ALONE_TURNS * l->wheel.slots;
	if (!list_chosen(l, &c, b))
		return false;
	c.pieces = true;
	return b->n > 0 || list_chosen(l, &c, b);
}

void learner_watch_speeds(struct crank_learner *l, const struct block_list *b)
{
	double *omega = malloc((b->n + 1) * sizeof *omega);
	if (omega == NULL || b->n == 0) {
		free(omega);
		return;
	}
	for (size_t i = 0; i < b->n; i++)
		omega[i] = b->block[i].omega;
	gsl_sort(omega, 1, b->n);
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

/* Edges at the beginning of a block up to the last one there that is far off what all others say: pitch_add()
 * would not notice it. */
static size_t wrong_at_first(const struct smooth_state *state, size_t n)
{
	size_t wrong = 0;
	for (size_t i = 0; i < wrong + PITCH_BLIND && i < n; i++)
		wrong = state[i].wrong ? i + 1 : wrong;
	return wrong;
}

/* The crank at the marks of a block, smoothed: single edges may be wrong.  The block begins anew past
 * those at its beginning; where too few are left of it there is a hole. */
static bool smooth_block(const struct crank_learner *l, struct smooth_work *work, struct block *b,
                         struct torque_turn *turn)
{
	struct smooth_edge *edge = malloc(b->n * sizeof *edge);
	struct smooth_state *state = malloc(b->n * sizeof *state);
	bool ok = edge != NULL && state != NULL;
	for (size_t i = 0; ok && i < b->n; i++)
		edge[i] = (struct smooth_edge){1e-6 * (double)(b->mark[i].t_us - b->mark[0].t_us),
		                               teeth_angle_rad(&l->wheel, b->mark[i].slot + b->shift)};
	if (ok)
		smooth_run(work, &l->noise, edge, b->n, state);
	size_t from = ok ? wrong_at_first(state, b->n) : 0;
	b->hole = from + LEAST_EDGES > b->n;
	if (!b->hole) {
		b->mark += from;
		b->n -= from;
	}
	for (size_t i = 0; ok && !b->hole && i < b->n; i++)
		turn[i] =
		    (struct torque_turn){state[from + i].theta_rad + turn_of(l), state[from + i].omega_rad_s};
	free(edge);
	free(state);
	return ok;
}

/* Works out the pushes of a block by the wheel as it is known now. */
bool learner_push_block(const struct crank_learner *l, struct smooth_work *work, const struct leg *leg,
                        struct block *b)
{
	if (l->torque.kind == TORQUE_NONE)
		return true;
	free(b->push);
	b->push = malloc(b->n * l->torque.columns * sizeof *b->push);
	struct torque_turn *turn = malloc(b->n * sizeof *turn);
	bool ok = b->push != NULL && turn != NULL && smooth_block(l, work, b, turn);
	if (ok && !b->hole)
		b->hole = !torque_pushes(&l->torque, leg, b->mark, turn, b->n, b->push);
	free(turn);
	return ok;
}

void learner_take_block(const struct smooth_noise *noise, const struct block *b, struct pitch *into)
{
	if (!b->hole)
		pitch_add(into, noise, b->mark, b->n, b->shift, b->push);
}

struct lesson { /* the blocks of a leg, learned from by quarters */
	const struct crank_learner *l;
	const struct leg *leg;
	const struct smooth_noise *noise;
	const struct block_list *blocks;
	bool failed[LEARNER_QUARTERS]; /* no memory */
};

static size_t first_of_quarter(const struct block_list *b, size_t quarter)
{
	return (quarter * b->n + LEARNER_QUARTERS - 1) / LEARNER_QUARTERS;
}

/* The blocks of one quarter into its two cells, with fresh pushes that are not kept. */
static void take_quarter(void *ctx, size_t quarter)
{
	struct lesson *s = ctx;
	struct smooth_work *work = smooth_work_new();
	bool ok = work != NULL;
	size_t end = first_of_quarter(s->blocks, quarter + 1);
	for (size_t i = first_of_quarter(s->blocks, quarter); ok && i < end; i++) {
		struct block *k = &s->blocks->block[i];
		ok = learner_push_block(s->l, work, s->leg, k);
		if (ok)
			learner_take_block(s->noise, k,
			                   s->l->cell[2 * quarter + (k->omega > s->l->split_rad_s)]);
		free(k->push);
		k->push = NULL;
	}
	smooth_work_free(work);
	s->failed[quarter] = !ok;
}

bool learner_take_blocks(const struct crank_learner *l, const struct leg *leg,
                         const struct smooth_noise *noise, const struct block_list *b)
{
	struct lesson s = {l, leg, noise, b, {false}};
	beside_do(LEARNER_QUARTERS, take_quarter, &s);
	bool ok = true;
	for (size_t q = 0; q < LEARNER_QUARTERS; q++)
		ok = ok && !s.failed[q];
	return ok;
}
