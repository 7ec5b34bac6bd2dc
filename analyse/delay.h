/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Delay and offset: robust means and straight lines over speed, with 95 %
 * intervals that allow for events which resemble their neighbours.
 *
 * Estimator: Tukey's bisquare (c = 4.685) from a Huber start (c = 1.345), scale from
 * the median absolute residual (Huber & Ronchetti, Robust Statistics, 2nd ed., ch. 7).
 * Interval: bootstrap over blocks of turns, bias-corrected and accelerated (Efron 1987), by
 * the fast bootstrap for M-estimators (Salibian-Barrera & Zamar 2002), widened by
 * Student's t for the number of blocks.  The random numbers are seeded: same
 * input, same interval. */
#ifndef TRAMMEL_DELAY_H
#define TRAMMEL_DELAY_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define DELAY_BLOCK_TURNS 10

struct delay_mean {
	size_t n;
	double mean, spread; /* spread: robust sd of one value */
	double ci95[2];      /* NAN below 3 values or 2 blocks */
};

/* Robust mean of x[n].  `turn[i]` (any order, NULL = 0, 1, 2 ...) says to which block a value
 * belongs.  n = 0 gives NANs.  -1 when memory runs out. */
int delay_mean(const double *x, const int64_t *turn, size_t n, struct delay_mean *out);

struct delay_line {
	size_t n;
	double at_zero, slope; /* y = at_zero + slope * speed */
	double at_mean;        /* y at the mean speed */
	double mean_speed;
	double at_zero_ci95[2], slope_ci95[2], at_mean_ci95[2];
	double speed_low, speed_high; /* 2 % and 98 % quantiles */
	double bend_t;                /* t value of a quadratic term: > 3 = not a straight line */
	bool separable;               /* speeds span 1.6 : 1 */
};

#define DELAY_SPAN_LEAST 1.6 /* greatest over least speed that tells offset from delay */

/* Robust line of y over speed (both n), weights 1 / (s_a^2 + speed^2 s_t^2) with both learned from
 * the residuals.  Where the speeds span too little, only at_mean is given, the rest NAN. */
int delay_line(const double *speed, const double *y, const int64_t *turn, size_t n, struct delay_line *out);

/* The same line over anything else than speed, given whatever the span of x. */
int delay_slope(const double *x, const double *y, const int64_t *turn, size_t n, struct delay_line *out);

#define DELAY_PARTS 6

struct delay_split {
	size_t n;
	double mean_speed;
	double whole, whole_ci95[2]; /* at the mean speed, by the robust line of delay_slope */
	double part[DELAY_PARTS];    /* the same, with the very weights of the whole */
	double spread;               /* robust sd of one value beside the line */
};

/* What y is made of, at the mean speed of its values: where part[0..parts - 1][i] add up to y[i] for every i,
 * the parts found add up to the whole.  NAN in a part = not known, left out of it (and then it need not add
 * up).  n = 0 gives NANs.  -1 when memory runs out. */
int delay_split(const double *speed, const double *y, const double *const *part, int parts,
                const int64_t *turn, size_t n, struct delay_split *out);

#define DELAY_CAUSES 3

struct delay_cause {
	double per, per_ci95[2]; /* change of y per unit of this cause, the others held */
	double low, high, mean;  /* of the cause: 2 % and 98 % quantiles */
	double alike;            /* correlation with the other cause that moved most like it; 0 = no other */
	int with;                /* which one that is */
};

struct delay_plane {
	size_t n;
	struct delay_cause cause[DELAY_CAUSES]; /* NAN = not asked, or fewer than 8 values */
};

/* Only low, high and mean of one cause, the rest NAN; nothing is fitted.  -1 when memory runs out. */
int delay_span(const double *x, size_t n, struct delay_cause *out);

/* Robust plane of y over one cause or several at once, x[0..causes - 1][0..n - 1].  Causes that moved alike,
 * near +-1, cannot be told apart, and their intervals are wide.  -1 when memory runs out. */
int delay_plane(const double *const *x, int causes, const double *y, const int64_t *turn, size_t n,
                struct delay_plane *out);

#endif
