/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Angle at a time and time at an angle: cubic Hermite interpolation between
 * the accepted edges. */
#include "analyse/crank.h"

#include <math.h>

const char *crank_flag_name(enum crank_flag f)
{
	static const char *const name[CRANK_FLAG_END] = {
	    "", "drop-out", "count unsure", "direction unknown", "at rest", "no index", "outside run",
	};
	return (unsigned)f < CRANK_FLAG_END ? name[f] : "unknown";
}

/* Last point at or before t; c->n when there is none. */
static size_t point_before(const struct crank *c, double t_us, size_t *hint)
{
	size_t n = c->n;
	if (n == 0 || t_us < (double)c->point[0].t_us)
		return n;
	size_t low = 0, high = n;
	if (hint != NULL && *hint < n && (double)c->point[*hint].t_us <= t_us)
		low = *hint;
	for (size_t step = 1; low + step < n; step *= 2) {
		if ((double)c->point[low + step].t_us > t_us) {
			high = low + step;
			break;
		}
		low += step;
	}
	while (high - low > 1) {
		size_t middle = low + (high - low) / 2;
		if ((double)c->point[middle].t_us <= t_us)
			low = middle;
		else
			high = middle;
	}
	if (hint != NULL)
		*hint = low;
	return low;
}

struct piece { /* the stretch between two points; u runs 0..1 */
	const struct crank_point *a, *b;
	double h_s;
};

static struct piece piece_at(const struct crank *c, size_t i)
{
	const struct crank_point *a = &c->point[i], *b = &c->point[i + 1];
	return (struct piece){a, b, 1e-6 * (double)(b->t_us - a->t_us)};
}

static double piece_theta(const struct piece *p, double u)
{
	double rise = p->b->theta_rad - p->a->theta_rad;
	double m0 = p->a->omega_rad_s * p->h_s, m1 = p->b->omega_rad_s * p->h_s;
	return p->a->theta_rad + u * (m0 + u * (3 * rise - 2 * m0 - m1 + u * (m0 + m1 - 2 * rise)));
}

static double piece_omega(const struct piece *p, double u)
{
	double rise = p->b->theta_rad - p->a->theta_rad;
	double m0 = p->a->omega_rad_s * p->h_s, m1 = p->b->omega_rad_s * p->h_s;
	return (m0 + u * (2 * (3 * rise - 2 * m0 - m1) + 3 * u * (m0 + m1 - 2 * rise))) / p->h_s;
}

/* The ends' scatter, and what the crank may have done in between: for an
 * acceleration that wanders with q per second a cubic through both ends has the
 * variance q h^5 / 7680 in the middle (Peano kernel v (h/2 - v) / 4 on each half). */
static double piece_sd(const struct piece *p, double u, double drift_rad2_s4)
{
	double ends = (1 - u) * p->a->sd_rad * p->a->sd_rad + u * p->b->sd_rad * p->b->sd_rad;
	double omega = fmax(fabs(p->a->omega_rad_s), fabs(p->b->omega_rad_s));
	double hump = 4 * u * (1 - u);
	double h2 = p->h_s * p->h_s;
	double bridge = drift_rad2_s4 * omega * (h2 * h2 * p->h_s) / 7680 * hump * hump * hump;
	return sqrt(ends + bridge);
}

static void outside(const struct crank_point *p, double t_us, struct crank_state *out)
{
	*out = (struct crank_state){NAN, NAN, NAN, CRANK_OUTSIDE};
	if (p == NULL)
		return;
	double dt = 1e-6 * (t_us - (double)p->t_us);
	out->theta_rad = p->theta_rad + p->omega_rad_s * dt;
	out->omega_rad_s = p->omega_rad_s;
	out->sd_rad = hypot(p->sd_rad, p->omega_rad_s * dt);
}

void crank_at(const struct crank *c, double t_us, size_t *hint, struct crank_state *out)
{
	size_t i = point_before(c, t_us, hint);
	if (i == c->n || i + 1 == c->n) {
		const struct crank_point *edge = c->n == 0 ? NULL : &c->point[i == c->n ? 0 : i];
		outside(edge, t_us, out);
		if (edge != NULL && (double)edge->t_us == t_us && i < c->n)
			out->flag = edge->flag == CRANK_NOT_ALIGNED ? CRANK_NOT_ALIGNED : CRANK_GOOD;
		return;
	}
	struct piece p = piece_at(c, i);
	double u = 1e-6 * (t_us - (double)p.a->t_us) / p.h_s;
	out->theta_rad = piece_theta(&p, u);
	out->omega_rad_s = piece_omega(&p, u);
	out->sd_rad = piece_sd(&p, u, c->wheel->drift_rad2_s4);
	out->flag = (enum crank_flag)p.a->flag;
}

double crank_angle_at(const struct crank *c, double t_us, size_t *hint)
{
	size_t i = point_before(c, t_us, hint);
	if (i < c->n && i + 1 < c->n) {
		struct piece p = piece_at(c, i);
		return piece_theta(&p, 1e-6 * (t_us - (double)p.a->t_us) / p.h_s);
	}
	struct crank_state at;
	crank_at(c, t_us, hint, &at);
	return at.theta_rad;
}

static bool crosses(const struct crank *c, size_t i, double theta_rad)
{
	return c->point[i].theta_rad <= theta_rad && theta_rad < c->point[i + 1].theta_rad;
}

/* Time in the piece at which the angle is passed; bisection, the piece rises. */
static double time_in_piece(const struct piece *p, double theta_rad)
{
	double low = 0, high = 1;
	for (int i = 0; i < 50; i++) {
		double u = 0.5 * (low + high);
		if (piece_theta(p, u) < theta_rad)
			low = u;
		else
			high = u;
	}
	return (double)p->a->t_us + 0.5 * (low + high) * 1e6 * p->h_s;
}

bool crank_time_at(const struct crank *c, double theta_rad, double from_us, double *t_us)
{
	size_t i = point_before(c, from_us, NULL);
	for (i = i == c->n ? 0 : i; i + 1 < c->n; i++) {
		if (!crosses(c, i, theta_rad))
			continue;
		struct piece p = piece_at(c, i);
		double t = time_in_piece(&p, theta_rad);
		if (t < from_us)
			continue;
		if (p.a->flag != CRANK_GOOD && p.a->flag != CRANK_NOT_ALIGNED)
			return false;
		*t_us = t;
		return true;
	}
	return false;
}
