/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A quantity of each stroke as a straight line over speed, so that two rides can
 * be compared at the same speed. */
#ifndef TRAMMEL_SPEED_LINE_H
#define TRAMMEL_SPEED_LINE_H

#include <stddef.h>

struct speed_sums { /* zero before the first value */
	size_t n;
	double x0, y0; /* the first; sums are taken from here */
	double x, y, xx, xy, yy;
	double last_x, last_y;         /* less x0, y0 */
	double lag_xx, lag_xy, lag_yy; /* products of neighbours */
};

struct speed_line {
	size_t n;              /* 0 = not known */
	double mean_x, mean_y; /* of all values */
	double slope;          /* 0 where the speeds are all alike */
	double sxx;            /* sum of squares of x - mean_x */
	double sd;             /* of a value about the line, widened for the likeness of neighbours */
};

/* Adds y at speed x; left out when either is not finite. */
void speed_sums_add(struct speed_sums *s, double x, double y);

/* Least squares.  Fewer than 8 values: n = 0. */
struct speed_line speed_sums_line(const struct speed_sums *s);

/* Value of the line at x, and its standard deviation by the scatter; NAN when n = 0. */
double speed_line_at(const struct speed_line *l, double x, double *sd);

#endif
