/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Pass 1: the rounds over a ride in which the wheel is found. */
#include "analyse/crank_learner.h"

#include <math.h>
#include <stdlib.h>
#include <sysexits.h>

#define FIRST_DRIFT 0.3 /* of speed^4: how fast a crank changes its mind */
#define ROUNDS 3        /* over the first leg: associate, learn, again */
#define REFERENCE_TURNS 6
#define WINDOWS 3         /* of a later leg: a few stretches are looked at ... */
#define WINDOW_EDGES 2000 /* ... of so many edges */

struct crank_learner *crank_learner_new(const struct engine *e)
{
	struct crank_learner *l = calloc(1, sizeof *l);
	if (l == NULL)
		return NULL;
	l->engine = *e;
	l->index_rad = l->index_opens_rad = NAN;
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
	for (unsigned c = 0; c < LEARNER_CELLS; c++)
		pitch_free(l->cell[c]);
	smooth_work_free(l->work);
	free(l->closing_us);
	free(l->opening_us);
	free(l->closing_nm);
	free(l);
}

static int take_index(struct crank_learner *l, const struct leg *leg, struct fault *fault)
{
	if (leg->index_n > l->closing_cap) {
		int64_t *closing = realloc(l->closing_us, leg->index_n * sizeof *closing);
		l->closing_us = closing != NULL ? closing : l->closing_us;
		int64_t *opening = realloc(l->opening_us, leg->index_n * sizeof *opening);
		l->opening_us = opening != NULL ? opening : l->opening_us;
		if (closing == NULL || opening == NULL)
			return fault_set(fault, EX_OSERR, "out of memory for %zu index events", leg->index_n);
		l->closing_cap = leg->index_n;
	}
	l->closings = l->openings = 0;
	if (leg->index_n > 0) {
		l->closings = align_closings(leg, l->closing_us);
		l->openings = align_openings(leg, l->opening_us);
	}
	return 0;
}

static struct align_index index_of(const struct crank_learner *l)
{
	return (struct align_index){l->index_rad, l->index_opens_rad, l->closing_us, l->closings,
	                            1e6 * l->spot.late_s};
}

/* Where the index closes, by one run: it must close there more often than not. */
static void index_on_run(struct crank_learner *l, const struct tooth_run *run)
{
	const struct tooth_mark *mark = l->teeth->mark + run->first;
	l->watch.n = 0;
	index_watch_add(&l->watch, &l->wheel, mark, run->n, 0, true, l->closing_us, l->closings, NULL);
	l->spot = index_watch_spot(&l->watch, &l->wheel);
	l->index_rad = l->spot.rad;
	struct align_index index = index_of(l);
	if (isnan(l->index_rad) || align_run(&l->wheel, &index, mark, run->n, 1, NULL).by == ALIGN_NONE) {
		l->index_rad = NAN;
		l->spot.late_s = 0;
	}
}

static const struct tooth_run *longest_run(const struct teeth *t)
{
	const struct tooth_run *longest = NULL;
	for (size_t i = 0; i < t->run_n; i++)
		if (longest == NULL || t->run[i].n > longest->n)
			longest = &t->run[i];
	return longest;
}

const struct tooth_run *learner_reference_run(const struct teeth *t, const struct wheel *w)
{
	const struct tooth_run *longest = longest_run(t);
	for (size_t i = 0; i < t->run_n; i++)
		if (4 * t->run[i].n >= longest->n && t->run[i].n > REFERENCE_TURNS * w->slots)
			return &t->run[i];
	return longest;
}

struct align_fix learner_place(const struct crank_learner *l, size_t r, bool by_pattern)
{
	struct align_index index = index_of(l);
	return string_fix(l->teeth, r, &l->wheel, by_pattern ? &l->noise : NULL, &index);
}

int learner_out_of_memory(struct fault *fault)
{
	return fault_set(fault, EX_OSERR, "out of memory for the wheel");
}

/* Strings the edges; the first time the index is put on the wheel where the
 * reference run has it. */
static int associate(struct crank_learner *l, const struct leg *leg, bool by_pattern, struct fault *fault)
{
	if (isnan(l->index_rad)) {
		if (teeth_associate(l->teeth, &l->wheel, l->engine.edges, leg, fault) != 0)
			return -1;
		const struct tooth_run *reference = learner_reference_run(l->teeth, &l->wheel);
		if (reference != NULL)
			index_on_run(l, reference);
	}
	struct align_index index = index_of(l);
	return string_leg(l->teeth, &l->wheel, by_pattern ? &l->noise : NULL, &index, l->engine.edges, leg,
	                  fault);
}

/* On the run that the wheel was first learned from: another may be passed backward,
 * and a noise that makes a mirrored wheel look right hides that. */
static void fit_noise(struct crank_learner *l)
{
	const struct tooth_run *r = l->teeth->run_n > 0 ? learner_reference_run(l->teeth, &l->wheel) : NULL;
	if (r == NULL)
		return;
	size_t n = r->n < 4000 ? r->n : 4000;
	struct smooth_edge *edge = malloc(n * sizeof *edge);
	if (edge == NULL)
		return;
	const struct tooth_mark *mark = l->teeth->mark + r->first + (r->n - n) / 2;
	struct align_fix f = learner_place(l, (size_t)(r - l->teeth->run), false);
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
		l->noise =
		    (struct smooth_noise){.edge_sd_rad = l->wheel.edge_sd_rad,
		                          .drift_rad2_s4 = FIRST_DRIFT * pow(learner_mean_omega(l), 4)};
	learner_forget_blocks(b);
	l->all_blocks = round + 1 == ROUNDS;
	if (!learner_fresh_cells(l) || !learner_list_blocks(l, round > 0, b) ||
	    !learner_take_blocks(l, leg, &l->noise, b))
		return learner_out_of_memory(fault);
	if (l->all_blocks)
		learner_compare_times(l);
	if (learner_solve(l, LEARNER_HIGH_ORDERS, fault) != 0)
		return -1;
	learner_take_result(l);
	learner_watch_speeds(l, b);
	fit_noise(l);
	return 0;
}

static void note_index(struct crank_learner *l, const struct leg *leg)
{
	const double *nm = learner_closing_torque(l, leg);
	for (size_t r = 0; r < l->teeth->run_n; r++) {
		const struct tooth_run *run = &l->teeth->run[r];
		if (run->sense < 0)
			continue;
		struct align_fix f = learner_place(l, r, true);
		const struct tooth_mark *mark = l->teeth->mark + run->first;
		bool placed = f.by != ALIGN_NONE;
		index_watch_add(&l->watch, &l->wheel, mark, run->n, f.shift, placed, l->closing_us,
		                l->closings, nm);
		index_watch_add(&l->opens, &l->wheel, mark, run->n, f.shift, placed, l->opening_us,
		                l->openings, NULL);
	}
}

/* Where it closes and opens, by all that was noted. */
static void place_index(struct crank_learner *l)
{
	learner_watch_wind(l);
	if (l->watch.n > 0) {
		l->spot = index_watch_spot(&l->watch, &l->wheel);
		l->index_rad = l->spot.rad;
	}
	if (l->opens.n > 0)
		l->index_opens_rad = index_watch_spot(&l->opens, &l->wheel).rad;
}

/* The first leg several times over, each time with a better wheel. */
static int learn_first(struct crank_learner *l, const struct leg *leg, struct fault *fault)
{
	struct block_list b = {0};
	int bad = 0;
	l->nominal = l->wheel = learner_nominal_wheel(&l->engine, leg);
	l->torque.kind = TORQUE_NONE;
	if (take_index(l, leg, fault) != 0)
		return -1;
	for (unsigned round = 0; round < ROUNDS && bad == 0; round++)
		bad = learn_round(l, leg, round, &b, fault);
	if (bad == 0 && b.n > 0) {
		bad = learner_joint(l, leg, &b, fault);
		fit_noise(l);
		/* With the pushes taken out the edges' own scatter shows; without, what the
		 * crank does between few teeth hides it. */
		l->wheel.edge_sd_rad = fmax(l->wheel.edge_sd_rad, l->joint.edge_sd_rad);
		l->watch = (struct index_watch){.n = 0};
		l->started = true;
		note_index(l, leg);
		place_index(l);
	}
	learner_free_blocks(&b);
	return bad;
}

/* A later leg, or a stretch of it: more of the same. */
static int learn_stretch(struct crank_learner *l, const struct leg *leg, struct fault *fault)
{
	struct block_list b = {0};
	if (take_index(l, leg, fault) != 0 || associate(l, leg, true, fault) != 0)
		return -1;
	bool ok = learner_list_blocks(l, true, &b) && learner_take_blocks(l, leg, &l->joint, &b);
	learner_watch_speeds(l, &b);
	learner_free_blocks(&b);
	note_index(l, leg);
	return ok ? 0 : learner_out_of_memory(fault);
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

/* Closings of the index and commands of each valve: both come once a turn. */
static void count_turns(struct crank_learner *l, const struct leg *leg)
{
	for (size_t i = 0; i < leg->index_n; i++)
		l->closings_in_all += leg->index[i].level != 0 && !align_is_bounce(leg, i) &&
		                      leg->index[i].t_us >= leg->core_from_us &&
		                      leg->index[i].t_us < leg->core_to_us;
	for (size_t i = 0; i < leg->command_n; i++) {
		const struct ride_command *c = &leg->command[i];
		if (c->on && c->t_us >= leg->core_from_us && c->t_us < leg->core_to_us)
			l->switched_on[c->valve]++;
	}
}

int crank_learn(struct crank_learner *l, const struct leg *leg, struct fault *fault)
{
	l->edges += leg->tooth_n;
	l->index_events += leg->index_n;
	count_turns(l, leg);
	if (leg->tooth_n < 16 || l->engine.tooth_count == 0 || !learner_teeth_fit(&l->engine))
		return 0;
	if (!l->started)
		return learn_first(l, leg, fault);
	if (learn_more(l, leg, fault) != 0)
		return -1;
	place_index(l);
	/* The wheel is worked out anew each time the ride has doubled, and at the end. */
	l->legs++;
	return (l->legs & (l->legs - 1)) == 0 ? learner_settle(l, fault) : 0;
}
