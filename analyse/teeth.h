/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Which tooth was it?  Every edge of a leg is either a slot of the wheel or
 * an extra one; slots between two accepted edges were missed.
 *
 * Edges are strung into runs inside which the count is certain.  A run starts
 * in a regular stretch and grows both ways, one tooth an edge while the
 * intervals are as expected; where they are not, a beam search weighs what may
 * have happened (missed, extra, bounce) until one story is left.  Where none
 * wins, or after a long gap, the run ends: how many slots lie between two runs
 * is not decided here. */
#ifndef TRAMMEL_TEETH_H
#define TRAMMEL_TEETH_H

#include "analyse/crank.h"

/* A crank that turns back is braked and driven by no more than so many times what it is else. */
#define TEETH_TURN_SLACK 4.0

struct tooth_mark { /* an accepted edge */
	int64_t t_us;
	int64_t slot; /* within a run relative to the run's neighbours only */
};

/* How a run follows the one before it. */
enum tooth_join {
	TOOTH_JOIN_START,
	TOOTH_JOIN_GAP,    /* no teeth for several pitches */
	TOOTH_JOIN_UNSURE, /* teeth there, but no story wins */
	TOOTH_JOIN_SLOW,   /* the crank all but stood: it may have turned back */
	TOOTH_JOIN_VOTES   /* the index says that the count has changed */
};

struct tooth_run {
	size_t first, n; /* marks */
	enum tooth_join join;
	int64_t anchor_us, anchor_slot; /* where it was started from */
	int sense;                      /* +1 forward; -1 backward, slots fall */
};

struct tooth_hint { /* an edge whose slot is known, modulo the wheel */
	int64_t t_us, slot;
	int sense;
};

struct teeth {
	struct tooth_mark *mark;
	size_t n;
	struct tooth_run *run;
	size_t run_n;
	size_t seen;             /* edges of the polarity that counts */
	struct tooth_hint *hint; /* see teeth_know */
	size_t hint_n;
	int64_t *barrier_us; /* see teeth_part */
	size_t barrier_n;
	/* working storage */
	double *t_s;
	uint8_t *level;
	int8_t *way; /* by the second encoder channel: +1, -1, 0 = not known */
	int64_t t0_us;
	size_t mark_cap, run_cap, edge_cap, hint_cap, barrier_cap;
};

struct teeth *teeth_new(void);
void teeth_free(struct teeth *t);

/* Strings the edges of a leg into runs, by the wheel as far as it is known
 * (angle, level, edge_sd_rad, drift).  0, or -1 with fault (memory). */
int teeth_associate(struct teeth *t, const struct wheel *w, enum engine_edges edges, const struct leg *leg,
                    struct fault *fault);

/* A run begins at the slot of the wheel that its first regular edges look most
 * like.  When the index says otherwise: note by how much, for each run, and
 * associate again.  True when any of the shifts is one. */
bool teeth_know(struct teeth *t, const struct wheel *w, size_t run, int64_t shift);
/* The same for a run that is passed backward (or forward after all): slot of the
 * wheel = shift - slot of the run. */
bool teeth_turn(struct teeth *t, size_t run, int64_t shift);
/* No run is to reach over the beginning of this one. False: no memory. */
bool teeth_part(struct teeth *t, size_t run);
void teeth_forget(struct teeth *t);

/* Makes two runs of one, the first with its first `keep` marks. False: no memory. */
bool teeth_split(struct teeth *t, size_t run, size_t keep, enum tooth_join join);

/* True angle of a slot counting on through the turns. */
static inline double teeth_angle_rad(const struct wheel *w, int64_t slot)
{
	int64_t m = (int64_t)w->slots;
	int64_t turn = slot >= 0 ? slot / m : -((m - 1 - slot) / m);
	return 6.283185307179586477 * (double)turn + w->angle_rad[slot - turn * m];
}

static inline unsigned teeth_place(const struct wheel *w, int64_t slot)
{
	int64_t r = slot % (int64_t)w->slots;
	return (unsigned)(r < 0 ? r + (int64_t)w->slots : r);
}

#endif
