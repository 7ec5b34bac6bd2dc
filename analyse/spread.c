/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/spread.h"

#include <gsl/gsl_sort_float.h>
#include <gsl/gsl_statistics_float.h>
#include <math.h>

/* Keeps every other value and doubles the step. */
static void thin(struct spread *s)
{
	for (size_t i = 0; 2 * i < s->n; i++)
		s->kept[i] = s->kept[2 * i];
	s->n = (s->n + 1) / 2;
	s->step *= 2;
}

void spread_add(struct spread *s, double x)
{
	if (isnan(x))
		return;
	if (s->seen == 0) {
		s->min = s->max = x;
		s->step = 1;
	}
	s->min = fmin(s->min, x);
	s->max = fmax(s->max, x);
	if (s->seen++ % s->step != 0)
		return;
	if (s->n == SPREAD_KEPT)
		thin(s);
	s->kept[s->n++] = (float)x;
}

double spread_median(struct spread *s)
{
	if (s->n == 0)
		return NAN;
	gsl_sort_float(s->kept, 1, s->n);
	return gsl_stats_float_median_from_sorted_data(s->kept, 1, s->n);
}

double spread_min(const struct spread *s)
{
	return s->seen == 0 ? NAN : s->min;
}

double spread_max(const struct spread *s)
{
	return s->seen == 0 ? NAN : s->max;
}
