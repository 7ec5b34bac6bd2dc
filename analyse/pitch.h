/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Learning the wheel: each slot's own angle, from the edge times of a ride.
 *
 * Times alone do not tell a tooth that stands 0.2 deg ahead from a crank that
 * ran ahead by 0.2 deg there on every turn.  The motion filter (crank_motion.h)
 * says how fast a crank can change its mind; run over the nominal angles, over
 * one column for each slot and over the known pushes (torque.h) with the same
 * gains it whitens all of them, and generalized least squares on the
 * innovations gives slot errors and factors of the pushes together, with their
 * covariance. */
#ifndef TRAMMEL_PITCH_H
#define TRAMMEL_PITCH_H

#include "analyse/crank_smooth.h"
#include "analyse/torque.h"

#define PITCH_LOW_ORDERS 4 /* orders 1..4 look like torque */
#define PITCH_BLIND 12     /* first edges of a row, among which one taken for the wrong slot goes unnoticed */

struct pitch; /* opaque */

/* For wheels like `nominal` (its angles are what the errors are errors of).
 * `torque` may be NULL. */
struct pitch *pitch_new(const struct wheel *nominal, const struct torque *torque);
void pitch_free(struct pitch *p);
void pitch_clear(struct pitch *p);

/* Another prior for the torque's factors. */
void pitch_expect(struct pitch *p, const struct torque *torque);

/* Adds a row of marks; `shift` turns its slots into the wheel's; push as from
 * torque_pushes (NULL when there are no torque columns). */
void pitch_add(struct pitch *p, const struct smooth_noise *noise, const struct tooth_mark *mark, size_t n,
               int64_t shift, const struct torque_push *push);

struct pitch_result;
/* From now on edges far off what this result explains are left out. */
void pitch_guess(struct pitch *p, const struct pitch_result *r);

/* Adds what another has gathered (same wheel, same torque), times `weight`: one
 * over the other's residual where its noise was not right. */
void pitch_join(struct pitch *p, const struct pitch *other, double weight);

uint64_t pitch_edges(const struct pitch *p);

struct pitch_place { /* on the wheel, `part` of the way from a slot to the next */
	unsigned slot;
	double part;
};

struct pitch_result {
	double error_rad[CRANK_SLOTS_MAX], sd_rad[CRANK_SLOTS_MAX]; /* of each slot, mean error zero */
	double from_place_sd_rad[CRANK_SLOTS_MAX];                  /* of each slot against the place */
	double stray_rad[CRANK_SLOTS_MAX]; /* what a slot is in doubt by beyond what most are */
	double factor[TORQUE_MAX], factor_sd[TORQUE_MAX];
	double low_rad[2 * PITCH_LOW_ORDERS], low_sd_rad[2 * PITCH_LOW_ORDERS]; /* cos, sin of orders 1.. */
	double low_cov_rad2[2 * PITCH_LOW_ORDERS][2 * PITCH_LOW_ORDERS];
	double low_shape[CRANK_SLOTS_MAX]
	                [2 * PITCH_LOW_ORDERS]; /* what 1 rad of each does to a slot against the place */
	double residual; /* mean square of the innovations over their variance; 1 = the noise is right */
	double evidence; /* log marginal likelihood with the noise's scale free */
};

/* Solves with orders 1..low_limit-1 of the errors held at zero (0: none).  An angle
 * counts from `place` (NULL: from the mean of all slots).  0, or -1 with fault. */
int pitch_solve(const struct pitch *p, unsigned low_limit, const struct pitch_place *place,
                struct pitch_result *out, struct fault *fault);

#endif
