/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The true crank angle from tooth and index edges.
 *
 * Pass 1 (crank_learn over every leg, then crank_learned) finds the wheel:
 * the true crank angle of each tooth edge in a turn, aligned by the index.
 * Pass 2 (crank_solve leg by leg) gives an angle with a standard deviation at
 * any time.  Wherever the count is not certain the stretch carries a flag;
 * a flagged stretch is left out of every statistic. */
#ifndef TRAMMEL_CRANK_H
#define TRAMMEL_CRANK_H

#include "analyse/ride.h"
#include "common/mech.h"

#define CRANK_SLOTS_MAX 512 /* edges a turn: 240 teeth, both edges, and room */

enum crank_flag {
	CRANK_GOOD = 0,
	CRANK_DROPOUT,      /* no teeth for several pitches */
	CRANK_COUNT_UNSURE, /* teeth there, but the count is ambiguous */
	CRANK_DIRECTION_UNKNOWN,
	CRANK_AT_REST,
	CRANK_NOT_ALIGNED, /* no index: angle known only up to a constant */
	CRANK_OUTSIDE,     /* before the first or after the last edge */
	CRANK_FLAG_END
};
/* "" for good, else a reason in plain words ("drop-out"). */
const char *crank_flag_name(enum crank_flag f);

/* What pass 1 learned. */
struct wheel {
	unsigned teeth;                    /* that pass in a turn of the crank: N times the ratio */
	unsigned slots;                    /* edges a turn: as many, or twice with both edges */
	bool aligned;                      /* an index was seen and agrees */
	double angle_rad[CRANK_SLOTS_MAX]; /* true angle of each slot, rising within one turn */
	double angle_sd_rad[CRANK_SLOTS_MAX];
	double stray_rad[CRANK_SLOTS_MAX];       /* part of it: beyond what most slots are in doubt by */
	uint8_t level[CRANK_SLOTS_MAX];          /* polarity of each slot's edge */
	double pitch_error_rad[CRANK_SLOTS_MAX]; /* [teeth]: leading edges against equal pitch, mean 0 */
	double index_spread_rad;                 /* scatter of the index events on the wheel */
	double index_late_s;                     /* it answers so much later: taken out; 0 = not seen */
	double index_opens_rad;                  /* where it opens again, turning forward; NAN = not seen */
	double forward_taken; /* the second channel tells ways apart, but the engine file not which is
	                       * forward: part of the edges taken for forward; else 0 */
	int quadrature;       /* second channel at a rising edge: +1 low, -1 high turning forward; 0 = none */
	bool winds;           /* what drives the wheel gives under the air's torque */
	double wind_rad_nm;   /* crank = wheel + that times the torque; sd; */
	double wind_sd_rad_nm;     /* ... about the torque wind_at_nm */
	double wind_at_nm;         /* as it mostly was at the index */
	double wind_smooth_rad_nm; /* wheel + that times the torque turns smoothly */
	double edge_offset_rad;    /* both edges: trailing edge behind the leading one */
	double edge_sd_rad;        /* scatter of a single edge about the learned wheel */
	double drift_rad2_s4;     /* growth of the acceleration's variance per radian turned; 0 = not known */
	bool low_orders_known;    /* orders 1..4 of the pitch error separated from speed ripple */
	unsigned low_order_limit; /* orders below this are not learned (0 = all learned) */
	char remark[6][200];      /* plain words, empty = none */
	unsigned remarks;
};

struct crank_learner; /* opaque */
struct crank_learner *crank_learner_new(const struct engine *e);
void crank_learner_free(struct crank_learner *l);
/* 0 or -1 with fault. */
int crank_learn(struct crank_learner *l, const struct leg *leg, struct fault *fault);
/* Works out the wheel.  -1 with fault when the teeth cannot be used at all
 * (count does not fit the index spacing, no edges, ...). */
int crank_learned(struct crank_learner *l, struct wheel *wheel, struct fault *fault);

struct crank_point { /* an accepted tooth edge */
	int64_t t_us;
	int64_t slot;     /* absolute: slot mod wheel.slots is the place on the wheel;
	                     slot div wheel.slots is the turn */
	double theta_rad; /* counting on through the turns; mod 2 pi true angle */
	double omega_rad_s;
	float sd_rad;
	uint8_t flag; /* enum crank_flag of the stretch from here to the next point */
};

struct crank_totals {
	uint64_t teeth_seen, teeth_missed, teeth_extra; /* edges */
	uint64_t teeth_lost; /* missing where records were lost on the way: not missed by the pick-up */
	uint64_t index_seen, index_missed, index_extra, index_bounces;
	double flagged_s;
	double way_unknown_s; /* of it: whole turns after the crank may have turned back */
	double sum_sd2;
	uint64_t sd_n; /* for angle_sd_deg */
};

struct crank { /* the solution of one leg; storage owned by the solver */
	const struct wheel *wheel;
	const struct crank_point *point; /* rising in time; theta falls where it reverses */
	size_t n;
	double mean_speed_rad_s; /* over good stretches of the core */
};

struct crank_solver; /* opaque: carries the count from leg to leg */
struct crank_solver *crank_solver_new(const struct engine *e, const struct wheel *wheel);
void crank_solver_free(struct crank_solver *s);
/* Solves the next leg; *crank is valid until the leg after the next is solved, so that this one can be worked
 * on beside it.  0, or -1 with fault. */
int crank_solve(struct crank_solver *s, const struct leg *leg, const struct crank **crank,
                struct fault *fault);
const struct crank_totals *crank_solver_totals(const struct crank_solver *s);

struct crank_state {
	double theta_rad, omega_rad_s, sd_rad;
	enum crank_flag flag;
};
/* Angle at any time of the leg.  `hint` (may be NULL) speeds up rising queries. */
void crank_at(const struct crank *c, double t_us, size_t *hint, struct crank_state *out);
/* The same without speed and doubt, which cost as much again. */
double crank_angle_at(const struct crank *c, double t_us, size_t *hint);

/* Time at which the angle is first passed forward at or after `from_us`; false when it is
 * not reached in the leg or only inside a flagged stretch. */
bool crank_time_at(const struct crank *c, double theta_rad, double from_us, double *t_us);

#endif
