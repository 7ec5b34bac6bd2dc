/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "common/mech.h"
#include "common/unit.h"

#include <math.h>

static double square(double x)
{
	return x * x;
}

static double clamp(double x, double low, double high)
{
	return fmin(fmax(x, low), high);
}

/* Offset crosshead: at both dead centres crank and rod lie in one line through
 * the shaft, stretched (L + r) at the cap end and folded (L - r) at the rod end. */
static void place_crosshead(struct mech *m)
{
	double stretched = m->rod_length_m + m->r_m, folded = m->rod_length_m - m->r_m;
	m->a0_rad = asin(m->offset_m / stretched);
	m->rod_dead_centre_rad = UNIT_PI + asin(m->offset_m / folded) - m->a0_rad;
	m->stroke_m =
	    sqrt(square(stretched) - square(m->offset_m)) - sqrt(square(folded) - square(m->offset_m));
}

struct mech mech_of(const struct engine *e)
{
	struct mech m = {
	    .kind = e->mechanism,
	    .r_m = e->crank_radius_m,
	    .d_m = e->pivot_distance_m,
	    .rod_length_m = e->rod_length_m,
	    .offset_m = e->offset_m,
	    .stroke_m = 2 * e->crank_radius_m,
	    .rod_dead_centre_rad = UNIT_PI,
	};
	m.area_m2[END_CAP] = UNIT_PI / 4 * square(e->bore_m);
	m.area_m2[END_ROD] = UNIT_PI / 4 * (square(e->bore_m) - square(e->rod_m));
	m.clearance_m3[END_CAP] = e->clearance_m3[END_CAP];
	m.clearance_m3[END_ROD] = e->clearance_m3[END_ROD];
	if (m.kind == MECHANISM_CROSSHEAD)
		place_crosshead(&m);
	return m;
}

static double oscillating_s_m(const struct mech *m, double theta_rad)
{
	/* The half angle keeps all digits near the cap-end dead centre. */
	return sqrt(square(m->d_m - m->r_m) + 4 * m->d_m * m->r_m * square(sin(theta_rad / 2)));
}

static double crosshead_x_max_m(const struct mech *m)
{
	return sqrt(square(m->rod_length_m + m->r_m) - square(m->offset_m));
}

static double crosshead_travel_m(const struct mech *m, double theta_rad)
{
	double a = theta_rad + m->a0_rad;
	double across = m->r_m * sin(a) - m->offset_m;
	double x = m->r_m * cos(a) + sqrt(square(m->rod_length_m) - square(across));
	return clamp(crosshead_x_max_m(m) - x, 0, m->stroke_m);
}

double mech_travel_m(const struct mech *m, double theta_rad)
{
	if (m->kind == MECHANISM_CROSSHEAD)
		return crosshead_travel_m(m, theta_rad);
	double s = oscillating_s_m(m, theta_rad);
	/* s - (d - r) without the cancellation. */
	double travel = 4 * m->d_m * m->r_m * square(sin(theta_rad / 2)) / (s + m->d_m - m->r_m);
	return clamp(travel, 0, m->stroke_m);
}

double mech_arm_m(const struct mech *m, double theta_rad)
{
	if (m->kind == MECHANISM_OSCILLATING) { /* sin theta by the half angle that s takes anyway */
		double twice = 2 * sin(theta_rad / 2) * cos(theta_rad / 2);
		return m->d_m * m->r_m * twice / oscillating_s_m(m, theta_rad);
	}
	double a = theta_rad + m->a0_rad;
	double across = m->r_m * sin(a) - m->offset_m;
	double along = sqrt(square(m->rod_length_m) - square(across));
	return m->r_m * sin(a) + across * m->r_m * cos(a) / along;
}

double mech_volume_m3(const struct mech *m, enum engine_end end, double theta_rad)
{
	double travel = mech_travel_m(m, theta_rad);
	double open = end == END_CAP ? travel : m->stroke_m - travel;
	return m->clearance_m3[end] + m->area_m2[end] * open;
}

double mech_dvolume_m3(const struct mech *m, enum engine_end end, double theta_rad)
{
	return mech_dvolume_by_arm_m3(m, end, mech_arm_m(m, theta_rad));
}

double mech_dvolume_by_arm_m3(const struct mech *m, enum engine_end end, double arm_m)
{
	return m->area_m2[end] * (end == END_CAP ? arm_m : -arm_m);
}

double mech_swept_m3(const struct mech *m, enum engine_end end)
{
	return m->area_m2[end] * m->stroke_m;
}

double mech_dead_centre_rad(const struct mech *m, enum engine_end end)
{
	return end == END_CAP ? 0 : m->rod_dead_centre_rad;
}

/* Angle between sides a and b of a triangle, from the half-angle formula: good
 * to the last digits where the arc cosine is not. */
static double triangle_angle_rad(double a, double b, double opposite)
{
	double half = (a + b + opposite) / 2;
	double across = fmax((half - a) * (half - b), 0);
	double along = fmax(half * (half - opposite), 0);
	return 2 * atan2(sqrt(across), sqrt(along));
}

/* Crank angle at a travel; `side` +1 while the cap end grows, -1 (angle then
 * negative, 0 = cap-end dead centre) while it shrinks. */
static double theta_at_travel(const struct mech *m, double travel_m, double side)
{
	if (m->kind == MECHANISM_OSCILLATING)
		return side * triangle_angle_rad(m->d_m, m->r_m, m->d_m - m->r_m + travel_m);
	double x = crosshead_x_max_m(m) - travel_m;
	double from_shaft = hypot(x, m->offset_m);
	double direction = atan2(m->offset_m, x);
	return direction + side * triangle_angle_rad(from_shaft, m->r_m, m->rod_length_m) - m->a0_rad;
}

double mech_angle_at_fraction_rad(const struct mech *m, enum engine_end end, double fraction)
{
	double done = clamp(fraction, 0, 1);
	if (end == END_CAP)
		return theta_at_travel(m, done * m->stroke_m, 1);
	double theta = theta_at_travel(m, (1 - done) * m->stroke_m, -1) + 2 * UNIT_PI;
	return theta - m->rod_dead_centre_rad;
}
