/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What turns and loads the crank: vehicle, way, brake, pushes, or a speed
 * that is imposed. */
#ifndef TRAMMEL_REHEARSE_DRIVE_H
#define TRAMMEL_REHEARSE_DRIVE_H

#include "analyse/rehearse/plant.h"

struct drive_load {
	double gas; /* N m, from both chambers */
	double dry; /* N m, dry friction against any motion */
};

/* Speed at time 0, rad/s. */
double drive_start_speed(const struct settings *s);

/* Dry friction at the crank, N m: engine and rolling resistance. */
double drive_dry_torque(const struct plant *p);

/* Angular acceleration, rad/s2. */
double drive_acceleration(const struct plant *p, double t_s, double omega, const struct drive_load *load);

/* True while dry friction holds a crank that has come to rest. */
bool drive_holds(const struct plant *p, double t_s, double omega, const struct drive_load *load);

/* The fastest rate, 1/s, at which friction and brake change the speed. */
double drive_rate(const struct plant *p);

#endif
