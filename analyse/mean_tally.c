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
	if (t->n > 0)
		t->lag += x * t->previous;
	t->previous = x;
	t->n++;
}

double mean_tally_mean(const struct mean_tally *t)
{
	return t->n == 0 ? NAN : t->first + t->sum / (double)t->n;
}

static double variance(const struct mean_tally *t)
{
	double n = (double)t->n;
	return fmax((t->sum_sq - t->sum * t->sum / n) / (n - 1), 0);
}

double mean_tally_sd(const struct mean_tally *t)
{
	return t->n < 2 ? NAN : sqrt(variance(t));
}

double mean_tally_mean_sd(const struct mean_tally *t)
{
	if (t->n < 2)
		return NAN;
	double n = (double)t->n, mean = t->sum / n, v = variance(t);
	double neighbour = v > 0 ? (t->lag / (n - 1) - mean * mean) / v : 0;
	double r = fmin(fmax(neighbour, 0), 0.95);
	return sqrt(v / n * (1 + r) / (1 - r));
}
