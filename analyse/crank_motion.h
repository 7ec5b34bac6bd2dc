/* SPDX-License-Identifier: GPL-3.0-or-later */
/* How the crank moves between two edges: angle, speed and acceleration, the
 * acceleration a random walk of q per second (a Wiener process twice
 * integrated; Kalman 1960, Rauch 1963).  Seconds and radians.  Everything here
 * is three states written out, since it runs for every edge of every ride. */
#ifndef TRAMMEL_CRANK_MOTION_H
#define TRAMMEL_CRANK_MOTION_H

#include <math.h>

struct motion {
	double x[3]; /* rad, rad/s, rad/s2 */
	double p[6]; /* covariance: 00 01 02 11 12 22 */
};

/* What one edge did to the filter. */
struct motion_gain {
	double k[3];
	double s; /* variance of the innovation, rad2 */
};

static inline void motion_move_state(double x[3], double dt)
{
	x[0] += dt * (x[1] + 0.5 * dt * x[2]);
	x[1] += dt * x[2];
}

/* P = F P F' + Q, q the growth of the acceleration's variance per second. */
static inline void motion_move_covariance(double p[6], double dt, double q)
{
	double h = 0.5 * dt * dt, qt = q * dt;
	double a0 = p[0] + dt * p[1] + h * p[2];
	double a1 = p[1] + dt * p[3] + h * p[4];
	double a2 = p[2] + dt * p[4] + h * p[5];
	double b1 = p[3] + dt * p[4], b2 = p[4] + dt * p[5];
	p[0] = a0 + dt * a1 + h * a2 + qt * h * h * 0.2;
	p[1] = a1 + dt * a2 + qt * dt * h * 0.25;
	p[2] = a2 + qt * h * (1.0 / 3.0);
	p[3] = b1 + dt * b2 + qt * h * (2.0 / 3.0);
	p[4] = b2 + qt * dt * 0.5;
	p[5] += qt;
}

static inline void motion_move(struct motion *m, double dt, double q)
{
	motion_move_state(m->x, dt);
	motion_move_covariance(m->p, dt, q);
}

/* The same against a load that grows with the speed: omega' = a - drag omega. */
struct motion_step { /* state x := F x, F = [1 f01 f02; 0 f11 f12; 0 0 1] */
	double f01, f02, f11, f12;
};

/* What a constant acceleration of 1 does within dt: to the angle, to the speed. */
static inline void motion_constant(double drag, double dt, double *rad, double *rad_s)
{
	double x = drag * dt;
	*rad_s = x < 1e-3 ? dt * (1 - x * (0.5 - x / 6)) : (1 - exp(-x)) / drag;
	*rad = x < 1e-3 ? dt * dt * (0.5 - x * (1.0 / 6 - x / 24)) : (dt - *rad_s) / drag;
}

static inline struct motion_step motion_step_of(double drag, double dt)
{
	struct motion_step s;
	motion_constant(drag, dt, &s.f02, &s.f12);
	s.f01 = s.f12;
	s.f11 = 1 - drag * s.f12;
	return s;
}

static inline void motion_step_state(double x[3], const struct motion_step *s)
{
	x[0] += s->f01 * x[1] + s->f02 * x[2];
	x[1] = s->f11 * x[1] + s->f12 * x[2];
}

/* Gauss-Legendre over the step, exact without drag. */
static inline void motion_step_noise(double p[6], double drag, double dt, double q)
{
	static const double at[5] = {0.046910077030668, 0.230765344947158, 0.5, 0.769234655052842,
	                             0.953089922969332};
	static const double weight[5] = {0.118463442528095, 0.239314335249683, 0.284444444444444,
	                                 0.239314335249683, 0.118463442528095};
	for (int i = 0; i < 5; i++) {
		double rad, rad_s, w = q * dt * weight[i];
		motion_constant(drag, dt * at[i], &rad, &rad_s);
		p[0] += w * rad * rad;
		p[1] += w * rad * rad_s;
		p[2] += w * rad;
		p[3] += w * rad_s * rad_s;
		p[4] += w * rad_s;
		p[5] += w;
	}
}

/* P = F P F' + Q. */
static inline void motion_step_covariance(double p[6], const struct motion_step *s, double drag, double dt,
                                          double q)
{
	double a0 = p[0] + s->f01 * p[1] + s->f02 * p[2];
	double a1 = p[1] + s->f01 * p[3] + s->f02 * p[4];
	double a2 = p[2] + s->f01 * p[4] + s->f02 * p[5];
	double b1 = s->f11 * p[3] + s->f12 * p[4], b2 = s->f11 * p[4] + s->f12 * p[5];
	p[0] = a0 + s->f01 * a1 + s->f02 * a2;
	p[1] = s->f11 * a1 + s->f12 * a2;
	p[2] = a2;
	p[3] = s->f11 * b1 + s->f12 * b2;
	p[4] = b2;
	motion_step_noise(p, drag, dt, q);
}

/* Takes an angle of variance r into the covariance; the gain serves any
 * number of state columns (motion_take_state). */
static inline struct motion_gain motion_take_covariance(double p[6], double r)
{
	struct motion_gain g = {.s = p[0] + r};
	double inverse = 1 / g.s;
	g.k[0] = p[0] * inverse;
	g.k[1] = p[1] * inverse;
	g.k[2] = p[2] * inverse;
	p[5] -= g.k[2] * p[2];
	p[4] -= g.k[1] * p[2];
	p[3] -= g.k[1] * p[1];
	p[2] -= g.k[0] * p[2];
	p[1] -= g.k[0] * p[1];
	p[0] = r * g.k[0];
	return g;
}

static inline void motion_take_state(double x[3], const struct motion_gain *g, double innovation)
{
	x[0] += g->k[0] * innovation;
	x[1] += g->k[1] * innovation;
	x[2] += g->k[2] * innovation;
}

#endif
