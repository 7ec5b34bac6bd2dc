/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Walking along the edges, forward or backward in time, slot by slot.  Shared
 * by teeth.c (the plain steps) and teeth_beam.c (the doubtful ones).
 *
 * Backward in time is the mirror of forward: times and slots change sign, so
 * that one walk serves both.  A crank that turns backward is walked with its
 * slots' sign changed. */
#ifndef TRAMMEL_TEETH_WALK_H
#define TRAMMEL_TEETH_WALK_H

#include "analyse/teeth.h"

#define TEETH_BEAM_EDGES 64 /* longest stretch one search decides */

struct teeth_pick { /* an edge taken for a slot, in the walk's own direction */
	size_t edge;
	int64_t slot;
};

struct teeth_walk {
	const double *t_s; /* edges of the leg, rising */
	const uint8_t *level;
	size_t n;
	int dir;   /* +1, or -1 for the mirror */
	int sense; /* +1: the crank turns forward in time; -1: backward, slots counted as negative */
	const struct wheel *w;
	bool levels;      /* both edges: the level must be the slot's */
	double edge_sd;   /* rad */
	double drift;     /* rad2/s4 per rad; 0 = not known */
	double duty;      /* both edges: high part of a pitch */
	double pitch;     /* mean slot width, rad */
	double gap_slots; /* never count across more than this */
	struct teeth_pick *pick;
	size_t pick_n;
	double slow, slow_before; /* s/rad over the last two steps */
	double omega_ref;         /* speed about here, rad/s */
};

static inline double teeth_walk_t(const struct teeth_walk *k, size_t i)
{
	return k->dir > 0 ? k->t_s[i] : -k->t_s[k->n - 1 - i];
}

static inline uint8_t teeth_walk_level(const struct teeth_walk *k, size_t i)
{
	return k->dir > 0 ? k->level[i] : k->level[k->n - 1 - i];
}

static inline double teeth_walk_angle(const struct teeth_walk *k, int64_t slot)
{
	int sign = k->dir * k->sense;
	return sign * teeth_angle_rad(k->w, sign * slot);
}

static inline bool teeth_walk_fits(const struct teeth_walk *k, size_t i, int64_t slot)
{
	if (!k->levels)
		return true;
	/* an edge that rises when passed forward falls when passed backward */
	bool level = k->w->level[teeth_place(k->w, k->dir * k->sense * slot)] != 0;
	return (k->sense > 0 ? level : !level) == (teeth_walk_level(k, i) != 0);
}

/* Variance of an edge about its slot's angle. */
static inline double teeth_walk_var(const struct teeth_walk *k, int64_t slot)
{
	double stray = k->w->stray_rad[teeth_place(k->w, k->dir * k->sense * slot)];
	return k->edge_sd * k->edge_sd + stray * stray;
}

/* Appends a pick and keeps the speed up to date. */
void teeth_walk_take(struct teeth_walk *k, size_t edge, int64_t slot);

enum teeth_beam_end {
	TEETH_BEAM_CLEAR, /* one story is left; picks appended */
	TEETH_BEAM_OVER,  /* the teeth end here (gap or end of leg); sure picks appended */
	TEETH_BEAM_UNSURE /* no story wins; nothing appended */
};

/* Decides what happened from the pick before last on; takes back up to two
 * picks.  *next is the first edge not decided. */
enum teeth_beam_end teeth_beam(struct teeth_walk *k, size_t *next);

#endif
