/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/speed_line.h"

#include <math.h>

#define VALUES_LEAST 8

void speed_sums_add(struct speed_sums *s, double x, double y)
{
	if (!isfinite(x) || !isfinite(y))
		return;
	if (s->n == 0) {
		s->x0 = x;
		s->y0 = y;
	}
	double u = x - s->x0, v = y - s->y0;
	s->x += u;
	s->y += v;
	s->xx += u * u;
	s->xy += u * v;
	s->yy += v * v;
	if (s->n > 0) {
		s->lag_xx += u * s->last_x;
		s->lag_xy += (u * s->last_y + v * s->last_x) / 2;
		s->lag_yy += v * s->last_y;
	}
	s->last_x = u;
	s->last_y = v;
	s->n++;
}

/* sqrt((1 + r)/(1 - r)), r the correlation of neighbouring residuals, 0..0.95. */
static double widening(const struct speed_sums *s, double slope, double variance)
{
	double n = (double)s->n, mx = s->x / n, my = s->y / n, m = n - 1;
	double cxx = s->lag_xx / m - mx * mx, cxy = s->lag_xy / m - mx * my, cyy = s->lag_yy / m - my * my;
	double neighbour = (cyy - 2 * slope * cxy + slope * slope * cxx) / variance;
	/* Estimated from n values it comes out too small by about (1 + 4 r)/n (M. G. Kendall,
	 * Biometrika 41, 1954). */
	double r = fmin(fmax(neighbour + (1 + 4 * neighbour) / n, 0), 0.95);
	return sqrt((1 + r) / (1 - r));
}

struct speed_line speed_sums_line(const struct speed_sums *s)
{
	struct speed_line l = {0};
	if (s->n < VALUES_LEAST)
		return l;
	double n = (double)s->n, mx = s->x / n, my = s->y / n;
	double sxy = s->xy - n * mx * my, syy = fmax(s->yy - n * my * my, 0);
	l.n = s->n;
	l.mean_x = s->x0 + mx;
	l.mean_y = s->y0 + my;
	l.sxx = fmax(s->xx - n * mx * mx, 0);
	/* All at one speed: the rest of rounding is no slope. */
	if (l.sxx <= 1e-12 * n * l.mean_x * l.mean_x)
		l.sxx = 0;
	l.slope = l.sxx > 0 ? sxy / l.sxx : 0;
	double variance = fmax(syy - l.slope * sxy, 0) / (n - 2);
	l.sd = variance > 0 ? sqrt(variance) * widening(s, l.slope, variance) : 0;
	return l;
}

double speed_line_at(const struct speed_line *l, double x, double *sd)
{
	*sd = NAN;
	if (l->n == 0)
		return NAN;
	double away = x - l->mean_x;
	*sd = l->sd * sqrt(1 / (double)l->n + (l->sxx > 0 ? away * away / l->sxx : 0));
	return l->mean_y + l->slope * away;
}
