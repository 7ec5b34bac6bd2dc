/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Learning the wheel: each slot's own angle, from the edge times of a ride.
 *
 * Times alone do not tell a tooth that stands 0.2 deg ahead from a crank that
 * ran ahead by 0.2 deg there on every turn.  The motion filter (crank_motion.h)
 * says how fast a crank can change its mind; run over the nominal angles and
 * over one column for each slot with the same gains it whitens all of them,
 * and generalized least squares on the innovations gives the slot errors with
 * their covariance.  Orders 1..4 need more than that (see crank.h,
 * low_orders_known). */
#ifndef TRAMMEL_PITCH_H
#define TRAMMEL_PITCH_H

#include "analyse/crank_smooth.h"
#include "analyse/teeth.h"

struct pitch; /* opaque */

/* For wheels like `nominal` (its angles are what the errors are errors of). */
struct pitch *pitch_new(const struct wheel *nominal);
void pitch_free(struct pitch *p);

/* Adds a run of marks; `shift` turns its slots into the wheel's. */
void pitch_add(struct pitch *p, const struct smooth_noise *noise, const struct tooth_mark *mark, size_t n,
               int64_t shift);

/* Edges added so far. */
uint64_t pitch_edges(const struct pitch *p);

/* Solves for the errors with orders 1..low_limit-1 held at zero; angle and
 * angle_sd of `w` are set (w->angle = nominal + error, mean error zero).
 * 0, or -1 with fault. */
int pitch_solve(const struct pitch *p, unsigned low_limit, struct wheel *w, struct fault *fault);

#endif
