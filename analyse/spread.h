/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Smallest, middle and largest of a stream in bounded memory.  Least and
 * greatest are exact; the median is exact up to SPREAD_KEPT values and that of every
 * 2nd, 4th, ... value beyond. */
#ifndef TRAMMEL_SPREAD_H
#define TRAMMEL_SPREAD_H

#include <stddef.h>
#include <stdint.h>

#define SPREAD_KEPT 16384

struct spread {
	uint64_t seen, step; /* zero-initialise */
	size_t n;
	double min, max;
	float kept[SPREAD_KEPT];
};

/* Adds a value; NAN is left out. */
void spread_add(struct spread *s, double x);
/* NAN when nothing was added. Reorders the kept values. */
double spread_median(struct spread *s);
double spread_min(const struct spread *s);
double spread_max(const struct spread *s);

#endif
