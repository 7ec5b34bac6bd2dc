/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Inside of pass 1, shared by crank_learn.c (the rounds), crank_blocks.c (what is
 * learned from), crank_joint.c (pitch and torque together) and crank_wheel.c
 * (the wheel as it is handed over). */
#ifndef TRAMMEL_CRANK_LEARNER_H
#define TRAMMEL_CRANK_LEARNER_H

#include "analyse/crank_index.h"
#include "analyse/crank_string.h"
#include "analyse/pitch.h"

#define LEARNER_HIGH_ORDERS (PITCH_LOW_ORDERS + 1) /* the first order that times alone tell */

/* Quarters of the ride, by time, and in each its slower and its faster blocks. */
#define LEARNER_QUARTERS 4
#define LEARNER_CELLS (2 * LEARNER_QUARTERS)

struct crank_learner {
	struct engine engine; /* shallow */
	struct wheel nominal, wheel;
	struct smooth_noise noise; /* of the crank as it moves */
	struct smooth_noise joint; /* ... when the known pushes are taken out */
	struct torque torque;
	struct teeth *teeth;
	struct pitch *cell[LEARNER_CELLS]; /* learned from the slower and the faster blocks of each quarter */
	double split_rad_s;                /* between them */
	double slow_rad_s, fast_rad_s;     /* 5 % and 95 % of the speeds learned from */
	struct smooth_work *work;
	struct pitch_result result, free;   /* free: no order held */
	double low_grown[PITCH_LOW_ORDERS]; /* what the ride's parts, compared, make of each order's claim */
	int64_t *closing_us;
	size_t closing_cap, closings;
	double index_rad; /* where the index closes on `wheel`; NAN = not seen yet */
	bool started;
	bool compare;                      /* parts of the ride, too */
	bool all_blocks;                   /* false: a part of them will do for this round */
	double moved_rad[CRANK_SLOTS_MAX]; /* of each slot, from its first half to its second; 0 = not seen */
	unsigned legs;                     /* after the first */
	uint64_t edges, index_events;
	uint64_t closings_in_all, switched_on[ENGINE_VALVES_MAX]; /* of the legs' cores */
	struct index_watch watch, opens;
	struct index_spot spot; /* where the switch is and how late it answers */
	int64_t *opening_us;
	size_t openings;
	double index_opens_rad;
	double *closing_nm; /* torque at each closing, with room for closing_cap; only where the chain's
	                     * wind-up is asked for */
	struct index_wind wind;
};

/* A stretch of a run to learn from. */
struct block {
	const struct tooth_mark *mark;
	size_t n;
	int64_t shift;
	double omega;
	struct torque_push *push; /* between its marks; NULL: not worked out */
	bool hole;                /* the gauges say nothing here, or too few edges are right */
};

struct block_list {
	struct block *block;
	size_t n, cap;
};

/* --- crank_wheel.c --- */
/* Does a whole number of teeth pass in a turn of the crank, and not too many? */
bool learner_teeth_fit(const struct engine *e);
/* The wheel of the engine file as the crank sees it, teeth equal; of both edges the
 * duty is seen on the leg. */
struct wheel learner_nominal_wheel(const struct engine *e, const struct leg *leg);

/* --- crank_wind.c --- */
/* Torque at each closing of the leg; NULL where nothing asks for it or nothing tells it. */
const double *learner_closing_torque(struct crank_learner *l, const struct leg *leg);
/* How far the wheel lags under torque, by the closings so far. */
void learner_watch_wind(struct crank_learner *l);
/* ... into the wheel that is handed over, with a remark. */
void learner_describe_wind(const struct crank_learner *l, struct wheel *w);
/* One more remark in plain words. */
void learner_remark(struct wheel *w, const char *format, ...) __attribute__((format(printf, 2, 3)));

/* --- crank_learn.c --- */
/* The first long run: what a ride begins with goes forward. */
const struct tooth_run *learner_reference_run(const struct teeth *t, const struct wheel *w);
/* Where run r lies on the wheel. */
struct align_fix learner_place(const struct crank_learner *l, size_t r, bool by_pattern);
int learner_out_of_memory(struct fault *fault);

/* --- crank_blocks.c --- */
/* The runs whose place on the wheel is known, cut into blocks; of a long leg
 * blocks spread over all of it.  False: no memory. */
bool learner_list_blocks(const struct crank_learner *l, bool by_pattern, struct block_list *b);
void learner_forget_blocks(struct block_list *b);
void learner_free_blocks(struct block_list *b);
size_t learner_block_edges(const struct wheel *w);
/* As many of `edges` as `budget` multiplications allow. */
size_t learner_edges_within(const struct wheel *w, size_t edges, double budget);
/* Mean speed over the runs, rad/s. */
double learner_mean_omega(const struct crank_learner *l);
void learner_watch_speeds(struct crank_learner *l, const struct block_list *b);
/* Works out the pushes of a block by the wheel as it is known now.  False: no memory. */
bool learner_push_block(const struct crank_learner *l, struct smooth_work *work, const struct leg *leg,
                        struct block *b);
void learner_take_block(const struct smooth_noise *noise, const struct block *b, struct pitch *into);
/* Every block into its cell, two quarters at a time.  False: no memory. */
bool learner_take_blocks(const struct crank_learner *l, const struct leg *leg,
                         const struct smooth_noise *noise, const struct block_list *b);

/* --- crank_joint.c --- */
bool learner_fresh_cells(struct crank_learner *l);
/* Solves all cells together into l->result. */
int learner_solve(struct crank_learner *l, unsigned low_limit, struct fault *fault);
/* l->result into l->wheel. */
void learner_take_result(struct crank_learner *l);
/* Which slots moved between the halves by time. */
void learner_compare_times(struct crank_learner *l);
/* Are the low orders told from torque?  Leaves wheel and result to be used. */
int learner_settle(struct crank_learner *l, struct fault *fault);
/* With the pushes known or assumed: all orders together. */
int learner_joint(struct crank_learner *l, const struct leg *leg, const struct block_list *b,
                  struct fault *fault);

#endif
