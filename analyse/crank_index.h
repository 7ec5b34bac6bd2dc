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

/* Median place of the closings on a wheel, rad in (-pi, pi], and their robust
 * scatter; NAN when there are none. */
double index_watch_rad(const struct index_watch *x, const struct wheel *w, double *spread_rad);

/* Teeth that mostly pass between two closings; 0 when no number stands out. */
unsigned index_watch_teeth(const struct index_watch *x);

#endif
