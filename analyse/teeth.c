/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/crank_motion.h"
#include "analyse/teeth.h"
#include "analyse/teeth_walk.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define FLOOR_SD 1e-3   /* rad: an edge is not trusted further while counting */
#define WAY_ROW 2       /* edges passed the other way in a row: not just noise */
#define BACK_MARGIN 8.0 /* log odds */
#define SLOW_PART 0.25
#define FASTER 1.3
#define DOUBT_PICKS 12
#define TAIL_PICKS 6
#define TAIL_DOUBT 2
#define TAIL_PLAIN 3 /* single teeth that confirm a step over missed or extra ones */
#define BOUNCE_S 1.6e-3
#define TURN_MARKS 6  /* on either side of a turning point, by which it is told */
#define TURN_ODDS 5.0 /* log odds at which the crank went on */
#define TURN_REACH 3  /* odd: places about a step at which it may have turned */
#define TAIL_SD 4.0
#define ANCHOR_STRAY 0.013 /* rad: 0.75 deg */
#define ANCHOR_STEPS 8     /* intervals in a row that agree: a place to start from */

struct teeth *teeth_new(void)
{
	return calloc(1, sizeof(struct teeth));
}

void teeth_free(struct teeth *t)
{
	if (t == NULL)
		return;
	free(t->mark);
	free(t->run);
	free(t->t_s);
	free(t->level);
	free(t->way);
	free(t->hint);
	free(t->barrier_us);
	free(t);
}

static bool reserve(void **array, size_t *cap, size_t want, size_t size)
{
	if (want <= *cap)
		return true;
	size_t cap_new = want + want / 4 + 64;
	void *grown = realloc(*array, cap_new * size);
	if (grown == NULL)
		return false;
	*array = grown;
	*cap = cap_new;
	return true;
}

static bool reserve_edges(struct teeth *t, size_t n)
{
	size_t cap[3] = {t->edge_cap, t->edge_cap, t->edge_cap};
	if (!reserve((void **)&t->t_s, &cap[0], n, sizeof *t->t_s) ||
	    !reserve((void **)&t->level, &cap[1], n, sizeof *t->level) ||
	    !reserve((void **)&t->way, &cap[2], n, sizeof *t->way))
		return false;
	t->edge_cap = cap[0];
	return true;
}

/* Which way an edge was passed: the second channel stands a quarter pitch
 * further on, so that it tells by its level at the edge. */
static int8_t way_of(const struct ride_edge *e, const struct ride_edge *second, int quadrature)
{
	if (second == NULL || quadrature == 0)
		return 0;
	return (int8_t)(((e->level != 0) == (second->level != 0)) == (quadrature < 0) ? 1 : -1);
}

/* The edges that count, as seconds from the leg's first. */
static bool gather(struct teeth *t, const struct wheel *w, enum engine_edges edges, const struct leg *leg)
{
	if (!reserve_edges(t, leg->tooth_n))
		return false;
	t->t0_us = leg->tooth_n > 0 ? leg->tooth[0].t_us : leg->from_us;
	t->seen = 0;
	size_t second = 0; /* edges of the second channel up to now */
	for (size_t i = 0; i < leg->tooth_n; i++) {
		const struct ride_edge *e = &leg->tooth[i];
		while (second < leg->tooth2_n && leg->tooth2[second].t_us <= e->t_us)
			second++;
		if (edges != EDGES_BOTH && (e->level != 0) != (edges == EDGES_RISING))
			continue;
		t->t_s[t->seen] = 1e-6 * (double)(e->t_us - t->t0_us);
		t->way[t->seen] = way_of(e, second > 0 ? &leg->tooth2[second - 1] : NULL, w->quadrature);
		t->level[t->seen++] = e->level != 0;
	}
	return true;
}

void teeth_walk_take(struct teeth_walk *k, size_t edge, int64_t slot)
{
	if (k->pick_n > 0) {
		const struct teeth_pick *p = &k->pick[k->pick_n - 1];
		double dt = teeth_walk_t(k, edge) - teeth_walk_t(k, p->edge);
		k->slow_before = k->slow;
		k->slow = dt / (teeth_walk_angle(k, slot) - teeth_walk_angle(k, p->slot));
		double turn_part = 1.0 / k->w->slots;
		k->omega_ref += turn_part * (1 / k->slow - k->omega_ref);
	}
	k->pick[k->pick_n++] = (struct teeth_pick){edge, slot};
}

/* Is edge i the next tooth, beyond doubt? */
static bool step_is_plain(const struct teeth_walk *k, size_t i)
{
	const struct teeth_pick *last = &k->pick[k->pick_n - 1];
	int64_t slot = last->slot + 1;
	double expected = 0.5 * (k->slow + k->slow_before);
	double width = teeth_walk_angle(k, slot) - teeth_walk_angle(k, last->slot);
	double ratio = (teeth_walk_t(k, i) - teeth_walk_t(k, last->edge)) / (width * expected);
	return ratio > 0.75 && ratio < 1.3 && teeth_walk_fits(k, i, slot);
}

/* Were edges left out between two picks, other than bounces of the first? */
static bool left_out(const struct teeth_walk *k, size_t pick)
{
	const struct teeth_pick *a = &k->pick[pick];
	if (a[1].edge == a->edge + 1)
		return false;
	return teeth_walk_t(k, a[1].edge - 1) - teeth_walk_t(k, a->edge) > BOUNCE_S;
}

static bool is_odd(const struct teeth_walk *k, size_t pick)
{
	return left_out(k, pick) || k->pick[pick + 1].slot > k->pick[pick].slot + 1;
}

/* A story that takes every other edge for an extra one, or every tooth for two,
 * fits a crank at half or twice its speed.  No pick-up is that bad. */
static bool halves_the_speed(const struct teeth_walk *k)
{
	unsigned extra = 0, missed = 0;
	if (k->pick_n < 2 * DOUBT_PICKS)
		return false;
	for (size_t j = k->pick_n - 1 - DOUBT_PICKS; j + 1 < k->pick_n; j++) {
		extra += left_out(k, j);
		missed += k->pick[j + 1].slot > k->pick[j].slot + 1;
	}
	return 2 * extra >= DOUBT_PICKS || 2 * missed >= DOUBT_PICKS;
}

/* Takes back the picks of such a story: until four steps in a row are single teeth. */
static void take_back(struct teeth_walk *k)
{
	unsigned plain = 0;
	size_t n = k->pick_n;
	while (n > ANCHOR_STEPS && plain < 4) {
		plain = is_odd(k, n - 2) ? 0 : plain + 1;
		n--;
	}
	k->pick_n = n;
}

/* Walks from the picks there are as far as it goes; returns how it ended. */
static enum tooth_join walk_on(struct teeth_walk *k)
{
	size_t i = k->pick[k->pick_n - 1].edge + 1;
	while (i < k->n) {
		if (step_is_plain(k, i)) {
			teeth_walk_take(k, i, k->pick[k->pick_n - 1].slot + 1);
			i++;
			continue;
		}
		enum teeth_beam_end end = teeth_beam(k, &i);
		if (end != TEETH_BEAM_CLEAR)
			return end == TEETH_BEAM_OVER ? TOOTH_JOIN_GAP : TOOTH_JOIN_UNSURE;
		if (halves_the_speed(k))
			return TOOTH_JOIN_UNSURE;
	}
	return TOOTH_JOIN_GAP;
}

/* Where the teeth end, as before a crank that starts or after one that stops, the step over
 * missed or extra ones may be no step at all: nothing that comes after bears it out but
 * edges of noise. */
static void give_back_unconfirmed(struct teeth_walk *k)
{
	size_t plain = 0, n = k->pick_n;
	for (size_t j = n; j-- > ANCHOR_STEPS && plain < TAIL_PLAIN;) {
		plain++;
		if (is_odd(k, j - 1)) {
			n = j;
			plain = 0;
		}
	}
	k->pick_n = n;
}

/* The same; where it breaks off in doubt, or after odd steps, the last of the
 * picks are given back. */
static enum tooth_join walk(struct teeth_walk *k)
{
	enum tooth_join how = walk_on(k);
	unsigned odd = 0;
	for (size_t j = k->pick_n - 1; j > 0 && j + TAIL_PICKS >= k->pick_n; j--)
		odd += is_odd(k, j - 1);
	if (2 * odd >= TAIL_PICKS)
		take_back(k);
	else if (how == TOOTH_JOIN_UNSURE && k->pick_n > ANCHOR_STEPS + TAIL_DOUBT)
		k->pick_n -= TAIL_DOUBT;
	give_back_unconfirmed(k);
	return how;
}

/* Width of the gap after a slot, the teeth taken as equal; a mean slot is 1. */
static double mean_width(const struct teeth_walk *k, int64_t slot)
{
	if (!k->levels)
		return 1;
	int sign = k->dir * k->sense;
	bool leading = k->w->level[teeth_place(k->w, sign * slot)] != 0;
	return leading == (sign > 0) ? 2 * k->duty : 2 * (1 - k->duty);
}

/* Do ANCHOR_STEPS intervals from edge i on, slot c and following, look like
 * single teeth at an even speed?  Where on the wheel they are is not known yet,
 * so each tooth may stray by a usual pitch error. */
static bool anchors_at(const struct teeth_walk *k, size_t i, int64_t c)
{
	const size_t half = ANCHOR_STEPS / 2;
	double pass = ANCHOR_STRAY / k->pitch;
	double most = fmin(k->w->slots < 12 ? 1.5 : 1.3 + pass, 1.7);
	double span = teeth_walk_t(k, i + ANCHOR_STEPS) - teeth_walk_t(k, i);
	double mean = span / (double)ANCHOR_STEPS;
	for (size_t j = 0; j <= ANCHOR_STEPS; j++) {
		if (!teeth_walk_fits(k, i + j, c + (int64_t)j))
			return false;
		if (j == 0)
			continue;
		double dt = teeth_walk_t(k, i + j) - teeth_walk_t(k, i + j - 1);
		double slow = dt / mean_width(k, c + (int64_t)j - 1);
		if (slow > most * mean || slow * most < mean)
			return false;
	}
	double first = teeth_walk_t(k, i + half) - teeth_walk_t(k, i), rest = span - first;
	return first < most * rest && rest < most * first;
}

/* First slot from `near` on whose level is edge i's. */
static int64_t slot_for(const struct teeth_walk *k, size_t i, int64_t near)
{
	for (unsigned j = 0; j < k->w->slots; j++)
		if (teeth_walk_fits(k, i, near + j))
			return near + j;
	return near;
}

static bool find_anchor(const struct teeth_walk *k, int64_t near, size_t *edge, int64_t *slot)
{
	for (size_t i = 0; i + ANCHOR_STEPS < k->n; i++) {
		int64_t c = slot_for(k, i, near);
		if (anchors_at(k, i, c)) {
			*edge = i;
			*slot = c;
			return true;
		}
	}
	return false;
}

/* Starts a walk from picks in the pick buffer. */
static void set_out(struct teeth_walk *k)
{
	const struct teeth_pick *p = k->pick;
	size_t n = k->pick_n, last = n - 1, first = last > ANCHOR_STEPS ? last - ANCHOR_STEPS : 0;
	double span = teeth_walk_angle(k, p[last].slot) - teeth_walk_angle(k, p[first].slot);
	k->omega_ref = span / (teeth_walk_t(k, p[last].edge) - teeth_walk_t(k, p[first].edge));
	k->pick_n = n - 2;
	k->slow = 1 / k->omega_ref;
	for (size_t j = last - 1; j <= last; j++)
		teeth_walk_take(k, p[j].edge, p[j].slot);
}

/* Turns the picks of a walk into those of its mirror. */
static void mirror(struct teeth_walk *k)
{
	k->dir = -k->dir;
	for (size_t a = 0, b = k->pick_n; a < b; a++) {
		b--;
		struct teeth_pick low = k->pick[a], high = k->pick[b];
		k->pick[a] = (struct teeth_pick){k->n - 1 - high.edge, -high.slot};
		k->pick[b] = (struct teeth_pick){k->n - 1 - low.edge, -low.slot};
	}
}

/* Grows a run both ways from an anchor. */
static enum tooth_join grow_run(struct teeth_walk *k, size_t anchor, int64_t slot)
{
	k->pick_n = 0;
	for (size_t j = 0; j <= ANCHOR_STEPS; j++)
		k->pick[k->pick_n++] = (struct teeth_pick){anchor + j, slot + (int64_t)j};
	mirror(k);
	set_out(k);
	walk(k);
	mirror(k);
	set_out(k);
	return walk(k);
}

/* How well regular edges from `edge` on look like the wheel from `slot` on:
 * log likelihood by the motion filter. */
static double looks_like(const struct teeth_walk *k, size_t edge, int64_t slot)
{
	double t0 = teeth_walk_t(k, edge), dt = teeth_walk_t(k, edge + 1) - t0;
	double a0 = teeth_walk_angle(k, slot), omega = (teeth_walk_angle(k, slot + 1) - a0) / dt,
	       w2 = omega * omega;
	double var = k->edge_sd * k->edge_sd, drift = k->drift > 0 ? k->drift : w2 * w2, sum = 0, t = t0;
	struct motion m = {.x = {a0, omega, 0}, .p = {1e4 * var, 0, 0, w2, 0, w2 * w2}};
	for (size_t j = 0; j <= ANCHOR_STEPS; j++) {
		double at = teeth_walk_t(k, edge + j);
		motion_move(&m, at - t, drift * fabs(m.x[1]));
		double miss = teeth_walk_angle(k, slot + (int64_t)j) - m.x[0];
		struct motion_gain g = motion_take_covariance(m.p, var);
		motion_take_state(m.x, &g, miss);
		sum -= 0.5 * (log(g.s) + miss * miss / g.s);
		t = at;
	}
	return sum;
}

struct anchor_place {
	int64_t slot; /* in the walk's own count */
	int sense;
	double like;
};

static struct anchor_place best_place(struct teeth_walk k, size_t edge, int64_t near)
{
	int64_t a_tooth = k.w->slots / k.w->teeth, slot = slot_for(&k, edge, near);
	struct anchor_place best = {slot, k.sense, looks_like(&k, edge, slot) + 1e-6};
	for (unsigned j = 1; j < k.w->teeth; j++) {
		double like = looks_like(&k, edge, slot + j * a_tooth);
		if (like > best.like)
			best = (struct anchor_place){slot + j * a_tooth, k.sense, like};
	}
	return best;
}

/* Which way the anchor's edges were passed, by the second channel. */
static int way_over(const struct teeth *t, const double *at)
{
	const int8_t *way = t->way + (at - t->t_s);
	int sum = 0;
	for (size_t j = 0; j <= ANCHOR_STEPS; j++)
		sum += way[j];
	return sum;
}

static const struct tooth_hint *hint_at(const struct teeth *t, int64_t t_us)
{
	for (size_t i = 0; i < t->hint_n; i++)
		if (t->hint[i].t_us == t_us)
			return &t->hint[i];
	return NULL;
}

/* Where the anchor lies on the wheel, and which way it is passed: as is known,
 * or what it looks most like.  Backward only when both edges are seen and the
 * wheel is known (one edge of a tooth shows another place of it when it turns
 * back). */
static struct anchor_place place_anchor(const struct teeth *t, const struct teeth_walk *walk, size_t edge,
                                        int64_t near, int64_t t_us)
{
	struct teeth_walk k = *walk;
	const struct tooth_hint *hint = hint_at(t, t_us);
	if (hint != NULL) {
		int64_t m = (int64_t)k.w->slots;
		int64_t off = (hint->sense * hint->slot - near) % m;
		return (struct anchor_place){near + (off < 0 ? off + m : off), hint->sense, 0};
	}
	int way = way_over(t, k.t_s + edge);
	if (way < 0 && k.levels) {
		k.sense = -1;
		return best_place(k, edge, -near);
	}
	struct anchor_place forward = best_place(k, edge, near);
	if (way > 0)
		return forward;
	if (!k.levels || k.drift <= 0)
		return forward;
	k.sense = -1;
	struct anchor_place back = best_place(k, edge, -near);
	return back.like > forward.like + BACK_MARGIN ? back : forward;
}

static bool add_hint(struct teeth *t, size_t run, int64_t slot, int sense)
{
	if (!reserve((void **)&t->hint, &t->hint_cap, t->hint_n + 1, sizeof *t->hint))
		return false;
	t->hint[t->hint_n++] = (struct tooth_hint){t->run[run].anchor_us, slot, sense};
	return true;
}

bool teeth_know(struct teeth *t, const struct wheel *w, size_t run, int64_t shift)
{
	const struct tooth_run *r = &t->run[run];
	return add_hint(t, run, r->anchor_slot + shift, r->sense) && shift % (int64_t)w->slots != 0;
}

bool teeth_turn(struct teeth *t, size_t run, int64_t shift)
{
	const struct tooth_run *r = &t->run[run];
	return add_hint(t, run, shift - r->anchor_slot, -r->sense);
}

bool teeth_part(struct teeth *t, size_t run)
{
	if (!reserve((void **)&t->barrier_us, &t->barrier_cap, t->barrier_n + 1, sizeof *t->barrier_us))
		return false;
	t->barrier_us[t->barrier_n++] = t->mark[t->run[run].first].t_us;
	return true;
}

void teeth_forget(struct teeth *t)
{
	t->hint_n = t->barrier_n = 0;
}

static int64_t edge_us(const struct teeth *t, size_t edge)
{
	return t->t0_us + llrint(1e6 * t->t_s[edge]);
}

static bool add_run(struct teeth *t, const struct teeth_walk *k, size_t from, const struct tooth_run *run)
{
	if (!reserve((void **)&t->run, &t->run_cap, t->run_n + 1, sizeof *t->run))
		return false;
	t->run[t->run_n] = *run;
	t->run[t->run_n].first = t->n;
	t->run[t->run_n++].n = k->pick_n;
	for (size_t j = 0; j < k->pick_n; j++)
		t->mark[t->n++] =
		    (struct tooth_mark){edge_us(t, from + k->pick[j].edge), k->sense * k->pick[j].slot};
	return true;
}

/* A gap before the run, or doubt?  Teeth that belong to no run mean doubt. */
static enum tooth_join joined(const struct teeth *t, enum tooth_join end_before, size_t skipped)
{
	if (t->run_n == 0)
		return TOOTH_JOIN_START;
	return skipped > 1 ? TOOTH_JOIN_UNSURE : end_before;
}

/* Both edges: mean part of a pitch for which the level is high. */
static double duty_of(const struct wheel *w)
{
	double high = 0;
	for (unsigned i = 0; i < w->slots; i++)
		if (w->level[i] != 0)
			high += teeth_angle_rad(w, (int64_t)i + 1) - w->angle_rad[i];
	return high / 6.283185307179586477;
}

/* Slots that may be missing in a row and still be counted: with an acceleration
 * free to change by half the square of the speed a radian, the angle turned
 * unseen strays by 0.12 times its own 2.5th power (0.3 w^5 t^5 / 20, see
 * crank_motion.h), which must stay within a slot. */
static double gap_slots(double pitch)
{
	return fmax(2, pow(pitch / 0.122, 0.4) / pitch) + 0.5;
}

static struct teeth_walk walk_over(const struct teeth *t, const struct wheel *w, enum engine_edges edges)
{
	double pitch = 6.283185307179586477 / w->slots;
	return (struct teeth_walk){
	    .w = w,
	    .levels = edges == EDGES_BOTH,
	    .edge_sd = fmin(hypot(w->edge_sd_rad, FLOOR_SD), 0.2 * pitch),
	    .drift = w->drift_rad2_s4,
	    .pitch = pitch,
	    .duty = duty_of(w),
	    .gap_slots = gap_slots(pitch),
	    .sense = 1,
	    .t_s = t->t_s,
	    .level = t->level,
	    .n = t->seen,
	};
}

/* First edge after `from` that is passed the other way, as are the ones after it. */
static size_t edges_one_way(const struct teeth *t, size_t from, size_t end)
{
	int8_t way = t->way[from];
	for (size_t i = from + 1; i < end; i++) {
		way = way == 0 ? t->way[i] : way;
		if (t->way[i] != -way || way == 0)
			continue;
		size_t row = 1;
		while (row < WAY_ROW && i + row < end && t->way[i + row] == -way)
			row++;
		if (row == WAY_ROW || i + row == end)
			return i;
	}
	return end;
}

/* First edge at or after the next barrier after edge `from`; all when none. */
static size_t edges_to_barrier(const struct teeth *t, const struct wheel *w, size_t from)
{
	size_t end = t->seen;
	for (size_t i = 0; i < t->barrier_n; i++) {
		double at = 1e-6 * (double)(t->barrier_us[i] - t->t0_us) - 1e-7;
		size_t low = from, high = end;
		while (low < high) {
			size_t middle = low + (high - low) / 2;
			if (t->t_s[middle] < at)
				low = middle + 1;
			else
				high = middle;
		}
		if (low > from && low < end)
			end = low;
	}
	return w->quadrature != 0 && from < end ? edges_one_way(t, from, end) : end;
}

static bool string_runs(struct teeth *t, struct teeth_walk *whole, struct teeth_pick *picks)
{
	enum tooth_join end_before = TOOTH_JOIN_START;
	int64_t near = 0, slot;
	size_t from = 0, anchor, end = edges_to_barrier(t, whole->w, 0);
	while (from < t->seen) {
		struct teeth_walk k = *whole;
		k.t_s += from;
		k.level += from;
		k.n = end - from;
		k.dir = k.sense = 1;
		k.pick = picks;
		if (!find_anchor(&k, near, &anchor, &slot)) {
			from = end;
			end = edges_to_barrier(t, whole->w, from);
			end_before = TOOTH_JOIN_SLOW;
			continue;
		}
		struct tooth_run run = {.anchor_us = edge_us(t, from + anchor)};
		struct anchor_place place = place_anchor(t, &k, anchor, near, run.anchor_us);
		k.sense = run.sense = place.sense;
		run.anchor_slot = place.sense * place.slot;
		enum tooth_join how = grow_run(&k, anchor, place.slot);
		run.join = joined(t, end_before, k.pick[0].edge);
		if (!add_run(t, &k, from, &run))
			return false;
		end_before = how;
		near = k.sense * k.pick[k.pick_n - 1].slot + 1;
		from += k.pick[k.pick_n - 1].edge + 1;
	}
	return true;
}

static double step_speed(const struct wheel *w, const struct tooth_mark *m)
{
	double turned = teeth_angle_rad(w, m[1].slot) - teeth_angle_rad(w, m[0].slot);
	return fabs(turned) / (double)(m[1].t_us - m[0].t_us);
}

/* A step of the run far slower than what came before or comes after within a
 * quarter turn, and slower than both: the crank may have turned back there. */
static bool may_turn(const struct wheel *w, const struct tooth_mark *m, size_t n, size_t i)
{
	size_t reach = w->slots / 4 + 2, low = i > reach ? i - reach : 0,
	       high = i + reach < n - 1 ? i + reach : n - 1;
	double here = step_speed(w, m + i), before = 0, after = 0;
	for (size_t j = low; j < i; j++)
		before = fmax(before, step_speed(w, m + j));
	for (size_t j = i + 1; j < high; j++)
		after = fmax(after, step_speed(w, m + j));
	return fmax(before, after) > here / SLOW_PART && fmin(before, after) > here * FASTER;
}

/* Half the square, but a straight line beyond: an extra edge taken for a tooth must not decide. */
static double misfit(double z)
{
	return z < TAIL_SD ? 0.5 * z * z : TAIL_SD * (z - 0.5 * TAIL_SD);
}

struct mirror { /* marks from .. to-1: slot s is taken for slot - s */
	size_t from, to;
	int64_t slot;
};

/* Log density of marks by the motion filter. */
static double way_density(const struct wheel *w, const struct tooth_mark *m, size_t n, const struct mirror *r)
{
	double sum = 0, t = 0, per_s = 0;
	struct motion at = {{0}, {0}};
	for (size_t j = 0; j < n; j++) {
		int64_t slot = j >= r->from && j < r->to ? r->slot - m[j].slot : m[j].slot;
		double angle = teeth_angle_rad(w, slot), stray = w->stray_rad[teeth_place(w, slot)];
		double var = FLOOR_SD * FLOOR_SD + w->edge_sd_rad * w->edge_sd_rad + stray * stray;
		double now = 1e-6 * (double)(m[j].t_us - m[0].t_us);
		if (j == 0) {
			double all = 1e-6 * (double)(m[n - 1].t_us - m[0].t_us);
			double turned = teeth_angle_rad(w, m[n - 1].slot) - teeth_angle_rad(w, m[0].slot);
			double omega = turned / all;
			double w2 = omega * omega;
			per_s = w->drift_rad2_s4 * fabs(omega);
			at = (struct motion){{angle, omega, 0}, {1e4 * var, 0, 0, 4 * w2, 0, 4 * w2 * w2}};
		}
		motion_move(&at, now - t, per_s);
		struct motion_gain g = motion_take_covariance(at.p, var);
		double miss = angle - at.x[0];
		motion_take_state(at.x, &g, miss);
		sum -= 0.5 * log(g.s) + misfit(fabs(miss) / sqrt(g.s));
		t = now;
	}
	return sum;
}

/* Slower than this, rad/us, the crank's usual acceleration stops it within a step or less;
 * 0 where the way is told otherwise, or not to be told. */
static double turning_speed(const struct wheel *w)
{
	double width = 6.283185307179586477 / w->slots;
	bool told = w->slots == w->teeth || w->quadrature != 0;
	return told ? 0 : 1e-6 * sqrt(2 * TEETH_TURN_SLACK * sqrt(w->drift_rad2_s4) * width);
}

/* May the crank have turned back within the step from mark i on, past the same teeth again?
 * Where it is slow and slowest its speeds do not tell; the teeth's own spacing must: of the
 * marks before or of those after the wheel's slots are the ones they were taken for. */
static bool hides_turn(const struct wheel *w, const struct tooth_mark *m, size_t n, size_t i)
{
	double here = step_speed(w, m + i);
	if (i < 2 || i + 3 >= n || here > step_speed(w, m + i - 1) || here > step_speed(w, m + i + 1))
		return false;
	size_t from = i + 1 > TURN_MARKS ? i + 1 - TURN_MARKS : 0, turn = i + 1 - from;
	size_t count = turn + (i + 1 + TURN_MARKS < n ? TURN_MARKS : n - i - 1);
	double on = way_density(w, m + from, count, &(struct mirror){0, 0, 0}), back = -INFINITY;
	for (int64_t by = -TURN_REACH; by <= TURN_REACH; by += 2) {
		struct mirror before = {0, turn, 2 * m[i].slot + by}, after = {turn, count, before.slot};
		back = fmax(back, way_density(w, m + from, count, &before));
		back = fmax(back, way_density(w, m + from, count, &after));
	}
	return on - back < TURN_ODDS;
}

/* Slowest step of the slow stretch that begins at step i; *end is past it. */
static size_t slowest_step(const struct wheel *w, const struct tooth_mark *m, size_t n, size_t i, size_t *end)
{
	size_t slowest = i;
	for (*end = i; *end + 1 < n && may_turn(w, m, n, *end); ++*end)
		if (step_speed(w, m + *end) < step_speed(w, m + slowest))
			slowest = *end;
	return slowest;
}

/* Cheap: only a step much slower than the run's mean speed needs the closer look. */
static double suspicious_speed(const struct wheel *w, const struct tooth_mark *m, size_t n)
{
	double turned = teeth_angle_rad(w, m[n - 1].slot) - teeth_angle_rad(w, m[0].slot);
	return 0.7 * fabs(turned) / (double)(m[n - 1].t_us - m[0].t_us);
}

bool teeth_split(struct teeth *t, size_t r, size_t keep, enum tooth_join join)
{
	if (!reserve((void **)&t->run, &t->run_cap, t->run_n + 1, sizeof *t->run))
		return false;
	memmove(t->run + r + 1, t->run + r, (t->run_n - r) * sizeof *t->run);
	t->run_n++;
	struct tooth_run *a = &t->run[r], *b = &t->run[r + 1];
	a->n = keep;
	b->first += keep;
	b->n -= keep;
	b->join = join;
	if (t->mark[b->first].t_us > a->anchor_us)
		b->anchor_us = INT64_MIN; /* nothing to know it by */
	else
		a->anchor_us = INT64_MIN;
	return true;
}

/* First step of a run in which the crank may have turned back. */
static bool find_turn(const struct wheel *w, const struct tooth_mark *m, size_t n, size_t *step)
{
	double suspicious = n > 1 ? suspicious_speed(w, m, n) : 0, turning = turning_speed(w);
	double closer_look = fmax(suspicious, turning);
	for (size_t i = 0, end; i + 1 < n; i++) {
		double here = step_speed(w, m + i);
		if (here > closer_look)
			continue;
		*step = i;
		if (here <= suspicious && may_turn(w, m, n, i)) {
			*step = slowest_step(w, m, n, i, &end);
			i = end;
		} else if (here > turning || !hides_turn(w, m, n, i)) {
			continue;
		}
		if (*step >= 1 && *step + 3 <= n)
			return true;
	}
	return false;
}

/* Splits runs where the crank may have turned back. */
static bool split_runs(struct teeth *t, const struct wheel *w)
{
	for (size_t r = 0; r < t->run_n; r++) {
		size_t step;
		if (find_turn(w, t->mark + t->run[r].first, t->run[r].n, &step) &&
		    !teeth_split(t, r, step + 1, TOOTH_JOIN_SLOW))
			return false;
	}
	return true;
}

int teeth_associate(struct teeth *t, const struct wheel *w, enum engine_edges edges, const struct leg *leg,
                    struct fault *fault)
{
	t->n = t->run_n = 0;
	if (!gather(t, w, edges, leg) || !reserve((void **)&t->mark, &t->mark_cap, t->seen, sizeof *t->mark))
		return fault_set(fault, EX_OSERR, "out of memory for %zu tooth edges", leg->tooth_n);
	struct teeth_pick *picks = malloc((t->seen + 1) * sizeof *picks);
	if (picks == NULL)
		return fault_set(fault, EX_OSERR, "out of memory for %zu tooth edges", t->seen);
	struct teeth_walk whole = walk_over(t, w, edges);
	bool ok = string_runs(t, &whole, picks) && split_runs(t, w);
	free(picks);
	return ok ? 0 : fault_set(fault, EX_OSERR, "out of memory for runs of teeth");
}
