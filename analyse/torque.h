/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What may have pushed the crank: accelerations whose course is known but for
 * a factor.  With both chambers' pressures measured: the gas torque (factor 1
 * over the moment of inertia), its rate (the gauges' lag), friction from the
 * pressure across the piston, in its seals and in the bearings, friction of the
 * packings, gravity, the piston's inertia; what the gauges and the index
 * may be off by; and, where the engine file asks for it, how far the toothed wheel
 * lags what the torque moves.  Without: orders 1..6 of the crank
 * angle, in proportion to the supply where that fits better, and what the lower of
 * them may change by with the speed.  Against all of them stands a load that grows
 * with the speed (`drag_per_s`); the first column is what that is off by. */
#ifndef TRAMMEL_TORQUE_H
#define TRAMMEL_TORQUE_H

#include "analyse/teeth.h"

#define TORQUE_MAX 24

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
	double drag_per_s;           /* growth of the load with speed, over the moment of inertia */
	bool by_supply;              /* an assumed torque follows the supply pressure ... */
	double supply_pa;            /* ... over this much above the surroundings */
	double pivot_rad_s;          /* an assumed torque changes with the speed over this one ... */
	double change_part;          /* ... by this part of it, about */
	double inverse_j;            /* one over the moment of inertia, about */
	bool winds;                  /* the last column: the wheel lags by that much per N m */
	double wind_nm;              /* a torque that is great for this engine ... */
	double wind_prior_rad_nm;    /* ... and what a chain may give by per N m */
	bool found;
	double factor[TORQUE_MAX]; /* as last found */
};

/* Measured where the engine file names both chambers' sensors (the cap's alone
 * for a single-acting engine) and the crank angle is known, else assumed. */
struct torque torque_of(const struct engine *e, bool angle_known);

/* Makes an assumed torque follow the supply pressure of this leg; false when that is not known. */
bool torque_follow_supply(struct torque *t, const struct leg *leg);

/* Of a wheel that nothing drives in step with the crank. */
struct torque torque_even(void);

/* What has been found of the factors: gravity, friction and so on count for less
 * the greater the moment of inertia, so that their prior follows the gas torque's factor. */
void torque_found(struct torque *t, const double *factor, const double *factor_sd);

/* An assumed torque: the part of it by which it may change with the speed. */
void torque_may_change(struct torque *t, double part);

struct torque_push { /* by a column of factor 1, between two edges, the drag against it */
	double rad, rad_s;
	double impulse; /* working value: the push's own integral */
};

/* Torque of the air on the crank, N m, at rising times, by the gauges; NAN where they say nothing. */
void torque_gas(const struct torque *t, const struct leg *leg, const int64_t *t_us, const double *theta_rad,
                size_t n, double *nm);

struct torque_turn { /* the crank at a mark, smoothed */
	double theta_rad, omega_rad_s;
};

/* Pushes between marks i and i+1, i < n-1: push[i * columns + column]; the straight line over the row taken
 * out.  `turn` is the crank at each mark, its true angle where the gauges are used.  False when the sensors
 * have a hole there, or there are less than five marks. */
bool torque_pushes(const struct torque *t, const struct leg *leg, const struct tooth_mark *mark,
                   const struct torque_turn *turn, size_t n, struct torque_push *push);

#endif
