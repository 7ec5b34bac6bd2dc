/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/mean_tally.h"

#include <math.h>

void mean_tally_add(struct mean_tally *t, double value)
{
	if (t->n == 0)
		t->first = value;
	double x = value - t->first;
	t->sum += x;
	t->sum_sq += x * x;
	t->n++;
}

double mean_tally_mean(const struct mean_tally *t)
{
	return t->n == 0 ? NAN : t->first + t->sum / (double)t->n;
}

double mean_tally_sd(const struct mean_tally *t)
{
	double n = (double)t->n;
	if (t->n < 2)
		return NAN;
	return sqrt(fmax((t->sum_sq - t->sum * t->sum / n) / (n - 1), 0));
}
