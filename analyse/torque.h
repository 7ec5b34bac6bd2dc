/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What may have pushed the crank: accelerations whose course is known but for
 * a factor.  With both chambers' pressures measured: the gas torque (factor 1
 * over the moment of inertia), its rate (the gauges' lag), friction from the
 * pressure across the piston, gravity, the piston's inertia.  Without: orders
 * 1..6 of the crank angle, the same at any speed. */
#ifndef TRAMMEL_TORQUE_H
#define TRAMMEL_TORQUE_H

#include "analyse/teeth.h"

#define TORQUE_MAX 14

enum torque_kind {
	TORQUE_NONE,
	TORQUE_MEASURED,
	TORQUE_ASSUMED, /* orders 1..6 */
	TORQUE_EVEN     /* nothing drives: none but drag */
};

struct torque { /* what the columns are */
	enum torque_kind kind;
	struct mech mech;
	double ambient_pa;
	int cap, rod, supply; /* ADC channels, -1 = none */
	unsigned columns;
	double prior_sd[TORQUE_MAX]; /* of each factor */
};

/* Measured where the engine file names both chambers' sensors (the cap's alone
 * for a single-acting engine) and the crank angle is known, else assumed. */
struct torque torque_of(const struct engine *e, bool angle_known);

/* Of a wheel that nothing drives in step with the crank. */
struct torque torque_even(void);

/* Gravity, friction and so on count for less the greater the moment of inertia:
 * their prior follows what has been found for the gas torque's factor. */
void torque_scale(struct torque *t, const double *factor, const double *factor_sd);

/* Of an assumed torque: amplitude of an order, rad/s2. */
double torque_assumed_order(const struct torque *t, const double *factor, unsigned order);

struct torque_push { /* by a column of factor 1, between two edges */
	double rad, rad_s;
	double sum_rad_s; /* working value */
};

struct torque_turn { /* the crank at a mark, smoothed */
	double theta_rad, omega_rad_s;
};

/* Pushes between marks i and i+1, i < n-1: push[i * columns + column]; the mean over
 * a turn taken out.  `turn` is the crank at each mark, its true angle where the
 * gauges are used.  False when the sensors have a hole there. */
bool torque_pushes(const struct torque *t, const struct leg *leg, const struct tooth_mark *mark,
                   const struct torque_turn *turn, size_t n, unsigned slots, struct torque_push *push);

#endif
