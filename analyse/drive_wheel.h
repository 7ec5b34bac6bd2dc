/* SPDX-License-Identifier: GPL-3.0-or-later */
/* From crank to road: wheel force and speed through sprockets, against rolling
 * resistance, grade and air.
 *
 *   F = m g (c cos a + sin a) + rho CdA v^2 / 2,  grade = tan a */
#ifndef TRAMMEL_DRIVE_WHEEL_H
#define TRAMMEL_DRIVE_WHEEL_H

#include <stddef.h>

#define DRIVE_WHEEL_AIR_KG_M3 1.225 /* ISO 2533, sea level */
#define DRIVE_WHEEL_EFFICIENCY 0.95 /* chain; common practice, no source */

struct drive_road {
	const char *name;
	double rolling; /* coefficient of rolling resistance */
	const char *source;
};

/* Roads from hard to soft; NULL name after the last. */
extern const struct drive_road drive_roads[];

struct drive_wheel_load {
	double mass_kg, rolling, grade; /* grade: rise over run */
	double drag_area_m2;
};

/* Force that holds this speed, N. */
double drive_wheel_resistance_n(const struct drive_wheel_load *l, double speed_m_s);

struct drive_gear {
	double crank_teeth, wheel_teeth, wheel_diameter_m, efficiency;
};

double drive_wheel_force_n(const struct drive_gear *g, double torque_nm);
double drive_wheel_speed_m_s(const struct drive_gear *g, double omega_rad_s);

/* Turns of the crank a turn of the wheel that this torque needs. */
double drive_wheel_ratio_needed(const struct drive_gear *g, double torque_nm, double force_n);

/* Part of the circle of crank positions (0..1) from which a torque known at n equal
 * steps of a turn moves a load that needs torque_nm at the crank. */
double drive_wheel_starting_part(const double *torque_at_nm, size_t n, double torque_nm);

#endif
