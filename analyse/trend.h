/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A quantity over several others at once: robust straight dependence, with a
 * covariance that allows for values which resemble their neighbours.
 *
 *   y = c[0] + c[1] (x1 - mean x1) + c[2] (x2 - mean x2) + ...
 *
 * Estimator: Tukey's bisquare from a Huber start, as in delay.h.  Covariance: sandwich
 * over blocks of turns (Liang & Zeger, Biometrika 73, 1986), widened by Student's t for the
 * number of blocks. */
#ifndef TRAMMEL_TREND_H
#define TRAMMEL_TREND_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define TREND_TERMS 4 /* the constant and three more */

struct trend {
	size_t n;
	unsigned terms;                             /* 1 + number of quantities in x */
	double c[TREND_TERMS];                      /* the constant holds at the means of x */
	double mean[TREND_TERMS];                   /* [1..] of x */
	double low[TREND_TERMS], high[TREND_TERMS]; /* [1..] 2 % and 98 % quantiles of x */
	double cov[TREND_TERMS][TREND_TERMS];       /* of c; 1.96 sd is half a 95 % interval */
	double scatter;                             /* robust sd of one value about the fit */
};

/* Fits y[n] over x[1..terms-1][n]; x[0] is not looked at.  `turn` says to which block a value
 * belongs, rising.  False when the values do not tell all the terms (fewer than 8 and two blocks
 * more than there are terms, an x that does not change or follows from the others), or memory ran
 * out. */
bool trend_fit(const double *y, const double *const x[TREND_TERMS], unsigned terms, const int64_t *turn,
               size_t n, struct trend *out);

/* Inverse of a symmetric positive definite matrix, in place; false when it is singular. */
bool trend_invert(unsigned terms, double a[TREND_TERMS][TREND_TERMS]);

#endif
