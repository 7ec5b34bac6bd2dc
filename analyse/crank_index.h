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
	float torque_nm; /* of the air, then; NAN = not known */
};

struct index_watch {
	struct index_place place[INDEX_PLACES];
	size_t n;
	uint32_t spacing[INDEX_SPACING_MAX]; /* teeth between two closings: how often */
	uint32_t spacings;
	double wind_rad_nm; /* the wheel lags the crank by that per N m: taken out of each place */
};

/* Adds the closings during a run; slot of the wheel = slot of the run + shift.
 * Where the run's place on the wheel is not known (`placed` false) only the
 * spacing is taken.  `torque_nm` (of each closing) may be NULL. */
void index_watch_add(struct index_watch *x, const struct wheel *w, const struct tooth_mark *mark, size_t n,
                     int64_t shift, bool placed, const int64_t *closing_us, size_t closings,
                     const double *torque_nm);

struct index_wind {               /* how far the toothed wheel lags the crank under torque */
	double rad_nm, sd_rad_nm; /* per N m */
	double mean_nm;           /* about that torque its doubt counts for nothing */
	double least_nm, most_nm; /* 5 % and 95 % of the torques at the closings */
	bool told;
};

/* The switch is on the crank, the teeth are not: the greater the torque when it closes the
 * farther back they are.  By a line through place, speed (a switch may answer late) and
 * torque; a chain that gives by `prior_rad_nm` or so.  Not told: too few closings, or torques too
 * much alike, or changing only with the speed. */
struct index_wind index_watch_wind(const struct index_watch *x, const struct wheel *w, double prior_rad_nm);

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
