/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/rehearse/drive.h"

#include "common/unit.h"

#include <math.h>

#define GRAVITY 9.80665
#define AIR_KG_M3 1.2
/* Below this speed, rad/s, dry friction gives way to a smooth change of sign. */
#define CREEP 0.02
#define IMPOSED_PULL 5.0 /* 1/s */

static double swing(double amplitude, double period_s, double t_s)
{
	return amplitude == 0 ? 0 : amplitude * sin(2 * UNIT_PI * t_s / period_s);
}

static double rocking_until(const struct settings *s)
{
	return s->rocks * s->rock_period;
}

static bool rocking(const struct settings *s, double t_s)
{
	return t_s < rocking_until(s);
}

/* Rocking runs from rest to rest: theta = start + rock (1 - cos) / 2. */
static double rocking_acceleration(const struct settings *s, double t_s)
{
	double k = 2 * UNIT_PI / s->rock_period;
	return unit_rad(s->rock) / 2 * k * k * cos(k * t_s);
}

/* Up and down between rpm and rpm_to; the same speed when no rpm_to is given. */
static void profile(const struct settings *s, double t_s, double *omega, double *alpha)
{
	double a = s->rpm * UNIT_PI / 30, b = isnan(s->rpm_to) ? a : s->rpm_to * UNIT_PI / 30;
	double leg = floor(t_s / s->sweep), u = t_s / s->sweep - leg;
	bool back = fmod(leg, 2) == 1;
	*omega = back ? b + (a - b) * u : a + (b - a) * u;
	*alpha = (back ? a - b : b - a) / s->sweep;
}

double drive_start_speed(const struct settings *s)
{
	return rocking(s, 0) ? 0 : s->rpm * UNIT_PI / 30;
}

double drive_dry_torque(const struct plant *p)
{
	return p->s.friction + p->s.rolling * p->mass_kg * GRAVITY * p->metre_per_rad;
}

/* All torques but dry friction. */
static double applied(const struct plant *p, double t_s, double omega, double gas)
{
	const struct settings *s = &p->s;
	double v = omega * p->metre_per_rad;
	double uphill = (s->grade + swing(s->grade_swing, s->grade_period, t_s)) / 100 * p->mass_kg * GRAVITY;
	double drag = AIR_KG_M3 / 2 * s->drag_area * v * fabs(v);
	double pushed = t_s - rocking_until(s);
	double push = pushed >= 0 && pushed < s->kick_time ? s->kick : 0;
	return gas + push - (uphill + drag) * p->metre_per_rad - s->viscous * omega;
}

static double brake(const struct settings *s, double t_s)
{
	return fmax(s->brake + swing(s->brake_swing, s->brake_period, t_s), 0);
}

/* Smooth sign of the speed, -1..1. */
static double direction(double omega)
{
	double x = omega / CREEP;
	return x / sqrt(1 + x * x);
}

double drive_acceleration(const struct plant *p, double t_s, double omega, const struct drive_load *load)
{
	const struct settings *s = &p->s;
	if (rocking(s, t_s))
		return rocking_acceleration(s, t_s);
	double wanted, alpha;
	profile(s, t_s - rocking_until(s), &wanted, &alpha);
	if (s->drive == DRIVE_IMPOSED) /* the second term only brings it up to speed after rocking */
		return alpha + IMPOSED_PULL * (wanted - omega);
	double torque = applied(p, t_s, omega, load->gas) - (load->dry + brake(s, t_s)) * direction(omega);
	if (s->drive == DRIVE_HELD)
		torque += s->hold * (wanted - omega);
	return torque / p->inertia;
}

bool drive_holds(const struct plant *p, double t_s, double omega, const struct drive_load *load)
{
	const struct settings *s = &p->s;
	if (s->drive != DRIVE_FREE || rocking(s, t_s) || fabs(omega) >= CREEP)
		return false;
	return fabs(applied(p, t_s, 0, load->gas)) < load->dry + brake(s, t_s);
}

double drive_rate(const struct plant *p)
{
	const struct settings *s = &p->s;
	double dry = p->dry + s->brake + s->brake_swing + s->pressure_friction * s->regulator;
	return (dry / CREEP + s->viscous + s->hold) / p->inertia;
}
