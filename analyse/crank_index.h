/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the index switch does over a ride: teeth between its closings, and
 * where on the wheel it closes. */
#ifndef TRAMMEL_CRANK_INDEX_H
#define TRAMMEL_CRANK_INDEX_H

#include "analyse/teeth.h"

#define INDEX_PLACES 4096      /* closings remembered; of more, the first */
#define INDEX_SPACING_MAX 1024 /* teeth */

struct index_place { /* a closing between two slots of the wheel */
	uint16_t slot;
	float part; /* 0..1 of the way to the next slot */
	float omega_rad_s;
};

struct index_watch {
	struct index_place place[INDEX_PLACES];
	size_t n;
	uint32_t spacing[INDEX_SPACING_MAX]; /* teeth between two closings: how often */
	uint32_t spacings;
};

/* Adds the closings during a run; slot of the wheel = slot of the run + shift.
 * Where the run's place on the wheel is not known (`placed` false) only the
 * spacing is taken. */
void index_watch_add(struct index_watch *x, const struct wheel *w, const struct tooth_mark *mark, size_t n,
                     int64_t shift, bool placed, const int64_t *closing_us, size_t closings);

struct index_spot {        /* where on the wheel the switch is */
	double rad;        /* in (-pi, pi]; NAN = it never closed */
	double spread_rad; /* robust scatter of a closing about it */
	double sd_rad;     /* of rad; NAN = not known */
	double late_s;     /* it answers so much after its place was passed; 0 = taken as at once */
	double lag_s;      /* the same as it was measured, told apart or not; NAN = not known */
	double lag_sd_s;   /* INFINITY = at one speed nothing can be told */
};

/* By the closings seen.  A switch that answers late closes the farther on the
 * faster the wheel turns: a line through place and speed tells where it would
 * close at no speed.  Where the speeds do not tell that line from a level one, or
 * it falls (then the teeth are late, not the switch), the median place is taken. */
struct index_spot index_watch_spot(const struct index_watch *x, const struct wheel *w);

/* Teeth that mostly pass between two closings; 0 when no number stands out. */
unsigned index_watch_teeth(const struct index_watch *x);

#endif
