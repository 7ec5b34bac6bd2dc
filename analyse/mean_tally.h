/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Mean and standard deviation of values that come one after the other. */
#ifndef TRAMMEL_MEAN_TALLY_H
#define TRAMMEL_MEAN_TALLY_H

#include <stddef.h>

struct mean_tally { /* zero before the first value */
	size_t n;
	double first;       /* sums are taken from here, to keep their digits */
	double sum, sum_sq; /* of value - first */
};

void mean_tally_add(struct mean_tally *t, double value);
double mean_tally_mean(const struct mean_tally *t); /* NAN when empty */
double mean_tally_sd(const struct mean_tally *t);   /* of one value; NAN below 2 */

#endif
