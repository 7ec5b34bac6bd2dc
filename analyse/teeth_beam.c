/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/crank_motion.h"
#include "analyse/teeth_walk.h"

#include <math.h>

#define STORIES_MAX 12
#define BACK_PICKS 2 /* picks taken back: an extra edge may have passed for a tooth */
#define WARM_PICKS 8 /* picks that tell the speed before the search */
#define MARGIN 8.0   /* log odds at which a story has won */
#define MARGIN_OVER 5.0
#define CLEAN_STEPS 3
#define TAIL_SD 4.0
#define REACH_SD 8.0

/* Prior odds: a few per cent of teeth missed, of edges extra. */
#define LOG_TOOTH (-0.06)
#define LOG_MISSED (-3.5)
#define LOG_MISSED_FLOOR (-9.0) /* else, after a gap, rejecting all would win */
#define LOG_EXTRA (-3.5)
#define LOG_BOUNCE (-1.2)
#define BOUNCE_S 1.6e-3
#define LOG_TWO_PI 1.8378770664093453

struct node { /* a picked edge of a story; stories share their past */
	struct teeth_pick pick;
	int parent;
};

struct story {
	struct motion m; /* at the last picked edge */
	double t;        /* of it */
	int64_t slot;
	double log_p;
	int node;
	int clean; /* single steps in a row */
};

struct beam {
	const struct teeth_walk *k;
	struct story story[STORIES_MAX], grown[STORIES_MAX * 8];
	int story_n, grown_n;
	struct node node[TEETH_BEAM_EDGES * STORIES_MAX * 8];
	int node_n;
};

/* Per second; torque changes with the angle turned, about as much at any
 * speed of one ride. */
static double drift_rate(const struct teeth_walk *k, double omega)
{
	double per_rad = k->drift > 0 ? 2 * k->drift : 0.3 * pow(fmax(k->omega_ref, fabs(omega)), 4);
	return per_rad * fmax(fabs(omega), 0.05 * k->omega_ref);
}

/* Story of the picks before the search: their angles filtered. */
static void warm_up(struct beam *b, size_t from, size_t to)
{
	const struct teeth_walk *k = b->k;
	struct story *s = &b->story[0];
	const struct teeth_pick *p = k->pick;
	s->slot = p[from].slot;
	s->t = teeth_walk_t(k, p[from].edge);
	double dt = teeth_walk_t(k, p[from + 1].edge) - s->t;
	double omega = (teeth_walk_angle(k, p[from + 1].slot) - teeth_walk_angle(k, s->slot)) / dt;
	s->m = (struct motion){
	    .x = {teeth_walk_angle(k, s->slot), omega, 0},
	    .p = {teeth_walk_var(k, s->slot), 0, 0, omega * omega, 0, omega * omega * omega * omega}};
	for (size_t i = from + 1; i < to; i++) {
		double t = teeth_walk_t(k, p[i].edge);
		motion_move(&s->m, t - s->t, drift_rate(k, s->m.x[1]));
		struct motion_gain g = motion_take_covariance(s->m.p, teeth_walk_var(k, p[i].slot));
		motion_take_state(s->m.x, &g, teeth_walk_angle(k, p[i].slot) - s->m.x[0]);
		s->t = t;
		s->slot = p[i].slot;
	}
	s->log_p = 0;
	s->node = -1;
	s->clean = 0;
	b->story_n = 1;
}

static void keep(struct beam *b, const struct story *s)
{
	/* Two stories that agree on the last tooth have the same future. */
	for (int j = 0; j < b->grown_n; j++) {
		struct story *o = &b->grown[j];
		if (o->slot == s->slot && o->t == s->t) {
			if (s->log_p > o->log_p)
				*o = *s;
			return;
		}
	}
	if (b->grown_n < (int)(sizeof b->grown / sizeof b->grown[0]))
		b->grown[b->grown_n++] = *s;
}

static void reject(struct beam *b, const struct story *s, double dt)
{
	struct story r = *s;
	r.log_p += dt < BOUNCE_S ? LOG_BOUNCE : LOG_EXTRA;
	r.clean = 0;
	keep(b, &r);
}

/* Half the square, but a straight line beyond TAIL_SD: a wheel not quite known
 * and a torque that jumps must not make the true story impossible. */
static double misfit(double z)
{
	return z < TAIL_SD ? 0.5 * z * z : TAIL_SD * (z - 0.5 * TAIL_SD);
}

/* The edge is the m-th slot after the story's last. */
static void accept(struct beam *b, const struct story *s, const struct motion *at, size_t edge, double t,
                   int m)
{
	const struct teeth_walk *k = b->k;
	struct story r = *s;
	r.slot += m;
	double angle = teeth_walk_angle(k, r.slot);
	r.m = *at;
	struct motion_gain g = motion_take_covariance(r.m.p, teeth_walk_var(k, r.slot));
	double miss = angle - at->x[0];
	motion_take_state(r.m.x, &g, miss);
	if (r.m.x[1] <= 0)
		return;
	r.log_p += LOG_TOOTH + fmax((m - 1) * LOG_MISSED, LOG_MISSED_FLOOR) + log(k->pitch) -
	           0.5 * (LOG_TWO_PI + log(g.s)) - misfit(fabs(miss) / sqrt(g.s));
	r.t = t;
	r.clean = m == 1 ? s->clean + 1 : 0;
	if (b->node_n == (int)(sizeof b->node / sizeof b->node[0]))
		return;
	b->node[b->node_n] = (struct node){{edge, r.slot}, s->node};
	r.node = b->node_n++;
	keep(b, &r);
}

/* What the next edge may be to one story.  False when it is too far to count. */
static bool grow(struct beam *b, const struct story *s, size_t edge)
{
	const struct teeth_walk *k = b->k;
	double t = teeth_walk_t(k, edge), dt = t - s->t;
	reject(b, s, dt);
	if (dt <= 0)
		return true;
	struct motion at = s->m;
	motion_move(&at, dt, drift_rate(k, s->m.x[1]));
	double edge_var = k->edge_sd * k->edge_sd, sd = sqrt(at.p[0] + edge_var);
	if (sd > 0.8 * k->pitch || at.x[0] - teeth_walk_angle(k, s->slot) > k->gap_slots * k->pitch)
		return false;
	for (int m = 1; m < 2 * k->gap_slots; m++) {
		double off = teeth_walk_angle(k, s->slot + m) - at.x[0];
		double reach = REACH_SD * sqrt(at.p[0] + teeth_walk_var(k, s->slot + m));
		if (off > fmax(reach, k->pitch))
			break;
		if (fabs(off) < reach && teeth_walk_fits(k, edge, s->slot + m))
			accept(b, s, &at, edge, t, m);
	}
	return true;
}

static void sort_best(struct beam *b)
{
	b->story_n = 0;
	while (b->story_n < STORIES_MAX && b->grown_n > 0) {
		int best = 0;
		for (int j = 1; j < b->grown_n; j++)
			if (b->grown[j].log_p > b->grown[best].log_p)
				best = j;
		b->story[b->story_n++] = b->grown[best];
		b->grown[best] = b->grown[--b->grown_n];
	}
}

/* One edge for every story.  False when no story can reach this edge. */
static bool advance(struct beam *b, size_t edge)
{
	b->grown_n = 0;
	/* The best story decides: another could only count across what it cannot see. */
	bool reached = true;
	for (int j = 0; j < b->story_n; j++)
		if (b->story[j].log_p > b->story[0].log_p - 25)
			reached &= grow(b, &b->story[j], edge) || j > 0;
	if (!reached)
		return false;
	sort_best(b);
	return true;
}

/* Latest pick that a story shares with another; -1: none. */
static int shared_pick(const struct beam *b, int x, int y)
{
	while (x != y) {
		if (x > y)
			x = b->node[x].parent;
		else
			y = b->node[y].parent;
	}
	return x;
}

/* Latest pick on which all stories agree that may still be true. */
static int agreed_pick(const struct beam *b, double margin)
{
	int agreed = b->story[0].node;
	for (int j = 1; j < b->story_n && b->story[0].log_p - b->story[j].log_p < margin; j++)
		agreed = shared_pick(b, agreed, b->story[j].node);
	return agreed;
}

/* Takes the picks up to node `last`. */
static void commit(struct beam *b, struct teeth_walk *k, int last)
{
	int order[TEETH_BEAM_EDGES * 2], n = 0;
	for (int j = last; j >= 0; j = b->node[j].parent)
		order[n++] = j;
	while (n > 0) {
		const struct node *p = &b->node[order[--n]];
		teeth_walk_take(k, p->pick.edge, p->pick.slot);
	}
}

enum teeth_beam_end teeth_beam(struct teeth_walk *k, size_t *next)
{
	struct beam b;
	b.k = k;
	b.node_n = 0;
	size_t back = k->pick_n > 2 + BACK_PICKS ? BACK_PICKS : 0;
	size_t to = k->pick_n - back, from = to > WARM_PICKS ? to - WARM_PICKS : 0;
	warm_up(&b, from, to);
	size_t trouble = *next, start = k->pick[to - 1].edge + 1;
	k->pick_n = to;
	for (size_t i = start; i < start + TEETH_BEAM_EDGES; i++) {
		if (i >= k->n || !advance(&b, i)) {
			*next = i;
			commit(&b, k, agreed_pick(&b, MARGIN_OVER));
			return TEETH_BEAM_OVER;
		}
		if (b.story[0].clean < CLEAN_STEPS)
			continue;
		int agreed = agreed_pick(&b, MARGIN);
		if (agreed < 0 || b.node[agreed].pick.edge < trouble)
			continue;
		*next = b.node[agreed].pick.edge + 1;
		commit(&b, k, agreed);
		return TEETH_BEAM_CLEAR;
	}
	*next = start;
	return TEETH_BEAM_UNSURE;
}
