/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/drive_wheel.h"

#include <math.h>

#define GRAVITY 9.80665

const struct drive_road drive_roads[] = {
    {"steel rail", 0.002, "published: .001 to .002 for steel on rail"},
    {"asphalt road", 0.015, "published: .010 to .015 for tyres on new asphalt"},
    {"firm soil", 0.08, "published: .08 for medium-hard soil"},
    {"grass", 0.10, "judgement: no published figure found"},
    {NULL, 0, NULL},
};

double drive_wheel_resistance_n(const struct drive_wheel_load *l, double speed_m_s)
{
	double a = atan(l->grade);
	double drag = DRIVE_WHEEL_AIR_KG_M3 / 2 * l->drag_area_m2 * speed_m_s * fabs(speed_m_s);
	return l->mass_kg * GRAVITY * (l->rolling * cos(a) + sin(a)) + drag;
}

static double ratio(const struct drive_gear *g)
{
	return g->wheel_teeth / g->crank_teeth;
}

double drive_wheel_force_n(const struct drive_gear *g, double torque_nm)
{
	return torque_nm * ratio(g) * g->efficiency / (g->wheel_diameter_m / 2);
}

double drive_wheel_speed_m_s(const struct drive_gear *g, double omega_rad_s)
{
	return omega_rad_s / ratio(g) * g->wheel_diameter_m / 2;
}

double drive_wheel_ratio_needed(const struct drive_gear *g, double torque_nm, double force_n)
{
	return force_n * (g->wheel_diameter_m / 2) / (torque_nm * g->efficiency);
}

double drive_wheel_starting_part(const double *torque_at_nm, size_t n, double torque_nm)
{
	size_t starts = 0;
	for (size_t i = 0; i < n; i++)
		starts += torque_at_nm[i] > torque_nm;
	return n == 0 ? 0 : (double)starts / (double)n;
}
