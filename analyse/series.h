/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Values of something over up to three other things, turn by turn, of bounded size: as it
 * fills, every 2nd, 4th, ... is kept. */
#ifndef TRAMMEL_SERIES_H
#define TRAMMEL_SERIES_H

#include <stddef.h>
#include <stdint.h>

#define SERIES_KEPT 1024
#define SERIES_X 3

struct series {
	size_t n;
	uint64_t seen, stride; /* every stride-th is kept */
	double x[SERIES_X][SERIES_KEPT], y[SERIES_KEPT];
	int64_t turn[SERIES_KEPT];
};

/* Empty. */
void series_start(struct series *s);

/* Adds y at x on this turn (not before the last); left out when y is not finite.  An x that does not
 * exist is NAN, in all values. */
void series_add(struct series *s, const double x[SERIES_X], double y, int64_t turn);

#endif
