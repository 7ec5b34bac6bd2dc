/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/crank_smooth.h"
#include "analyse/crank_motion.h"

#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <stdlib.h>

#define BLOCK 4096  /* edges smoothed at a time: bounded storage, in the cache */
#define OVERLAP 384 /* edges on either side of a block: far beyond the filter's memory */
#define FAR_OFF 5.0 /* standard deviations */
#define NEAR 5      /* edges on either side that a wrong one disturbs */
#define GONE_MOST 3 /* left out among them */
#define ROUNDS 4
#define REJECT_ROW 3 /* that many in a row are no outliers: the crank did move so */
#define FAR_SD 4.0
#define DENSITY_TEMPER 2.0
#define DENSITY_CAP 10.0
#define SETTLE 8          /* edges after which the filter knows its state */
#define TIMER_SD_S 1.2e-6 /* of a 4 us tick */

struct step {              /* what the backward pass needs of an edge */
	double x[3], p[6]; /* predicted */
	double k[3], innovation, inverse_s, variance;
	double dt;  /* to the next edge */
	double far; /* off what all other edges say, in standard deviations, squared */
	bool wrong; /* left out */
};

struct smooth_work {
	struct step step[BLOCK + 2 * OVERLAP];
};

struct smooth_work *smooth_work_new(void)
{
	return malloc(sizeof(struct smooth_work));
}

void smooth_work_free(struct smooth_work *w)
{
	free(w);
}

static double edge_variance(const struct smooth_noise *noise, double omega)
{
	double timer = TIMER_SD_S * omega;
	return noise->edge_sd_rad * noise->edge_sd_rad + timer * timer;
}

static struct motion set_out(const struct smooth_noise *noise, const struct smooth_edge *e)
{
	double omega = (e[1].angle_rad - e[0].angle_rad) / (e[1].t_s - e[0].t_s);
	double var = edge_variance(noise, omega);
	double w2 = omega * omega;
	/* wide, but not so wide that digits are lost */
	return (struct motion){.x = {e[0].angle_rad, omega, 0},
	                       .p = {1e4 * var + 1e-2, 0, 0, w2, 0, w2 * w2}};
}

static void filter(struct step *step, const struct smooth_noise *noise, const struct smooth_edge *e, size_t n)
{
	struct motion m = set_out(noise, e);
	for (size_t i = 0; i < n; i++) {
		struct step *s = &step[i];
		double var = edge_variance(noise, m.x[1]);
		for (int j = 0; j < 3; j++)
			s->x[j] = m.x[j];
		for (int j = 0; j < 6; j++)
			s->p[j] = m.p[j];
		s->innovation = e[i].angle_rad - m.x[0];
		s->variance = m.p[0] + var;
		s->inverse_s = 0;
		s->k[0] = s->k[1] = s->k[2] = 0;
		if (!s->wrong) {
			struct motion_gain g = motion_take_covariance(m.p, var);
			motion_take_state(m.x, &g, s->innovation);
			for (int j = 0; j < 3; j++)
				s->k[j] = g.k[j];
			s->inverse_s = 1 / g.s;
		}
		s->dt = i + 1 < n ? e[i + 1].t_s - e[i].t_s : 0;
		motion_move(&m, s->dt, smooth_drift(noise, m.x[1]));
	}
}

/* Adjoint state of the backward pass. */
struct adjoint {
	double l[3], L[6]; /* lambda; Lambda: 00 01 02 11 12 22 */
};

/* Back over the motion between two edges: l = F' l, L = F' L F. */
static void adjoint_move(struct adjoint *a, double dt)
{
	double h = 0.5 * dt * dt, *l = a->l, *L = a->L;
	l[2] += dt * l[1] + h * l[0];
	l[1] += dt * l[0];
	double a01 = dt * L[0] + L[1], a02 = h * L[0] + dt * L[1] + L[2];
	double a11 = dt * L[1] + L[3], a12 = h * L[1] + dt * L[3] + L[4];
	double a22 = h * L[2] + dt * L[4] + L[5];
	L[1] = a01;
	L[2] = a02;
	L[3] = dt * a01 + a11;
	L[4] = dt * a02 + a12;
	L[5] = h * a02 + dt * a12 + a22;
}

/* Back over an edge: l = (I - K H)' l - H' v/S, L = (I - K H)' L (I - K H) + H' H / S.
 * Of an edge v/S + K' l over 1/S + K' L K is how far it lies off what all others say,
 * the latter one over that distance's variance (de Jong, J. Amer. Stat. Assoc. 83
 * (1988) 165; value from memory). */
static void adjoint_take(struct adjoint *a, struct step *s)
{
	const double *k = s->k;
	double *l = a->l, *L = a->L;
	double lk0 = L[0] * k[0] + L[1] * k[1] + L[2] * k[2];
	double lk1 = L[1] * k[0] + L[3] * k[1] + L[4] * k[2];
	double lk2 = L[2] * k[0] + L[4] * k[1] + L[5] * k[2];
	double klk = k[0] * lk0 + k[1] * lk1 + k[2] * lk2;
	double off = k[0] * l[0] + k[1] * l[1] + k[2] * l[2] + s->innovation * s->inverse_s;
	s->far = s->wrong ? 0 : off * off / (s->inverse_s + klk);
	l[0] -= off;
	L[0] += klk - 2 * lk0 + s->inverse_s;
	L[1] -= lk1;
	L[2] -= lk2;
}

static void state_at(const struct step *s, const struct adjoint *a, struct smooth_state *out)
{
	const double *p = s->p, *l = a->l, *L = a->L;
	out->theta_rad = s->x[0] - (p[0] * l[0] + p[1] * l[1] + p[2] * l[2]);
	out->omega_rad_s = s->x[1] - (p[1] * l[0] + p[3] * l[1] + p[4] * l[2]);
	double v0 = L[0] * p[0] + L[1] * p[1] + L[2] * p[2];
	double v1 = L[1] * p[0] + L[3] * p[1] + L[4] * p[2];
	double v2 = L[2] * p[0] + L[4] * p[1] + L[5] * p[2];
	double var = p[0] - (p[0] * v0 + p[1] * v1 + p[2] * v2);
	/* rounding may take the last of a variance away, never all of it */
	out->theta_var = fmax(var, 1e-8 * s->variance);
	out->wrong = s->wrong;
}

static void smooth_block(struct smooth_work *w, const struct smooth_noise *noise, const struct smooth_edge *e,
                         size_t n, size_t keep_from, size_t keep_to, struct smooth_state *out)
{
	filter(w->step, noise, e, n);
	struct adjoint a = {{0}, {0}};
	for (size_t i = n; i-- > 0;) {
		struct step *s = &w->step[i];
		adjoint_move(&a, s->dt);
		adjoint_take(&a, s);
		if (i >= keep_from && i < keep_to)
			state_at(s, &a, &out[i - keep_from]);
	}
}

/* Of edges far off what all others say the farthest in each neighbourhood is left
 * out: a wrong one makes its neighbours look wrong too.  Many together are no
 * outliers, the crank did move so.  True when there were any. */
static bool leave_out(struct step *step, size_t n)
{
	bool any = false;
	for (size_t i = 0; i < n; i++) {
		size_t from = i > NEAR ? i - NEAR : 0, to = i + NEAR < n ? i + NEAR : n - 1, gone = 0;
		bool farthest = step[i].far > FAR_OFF * FAR_OFF;
		for (size_t j = from; farthest && j <= to; j++) {
			gone += step[j].wrong;
			farthest = step[j].far <= step[i].far;
		}
		if (!farthest || gone >= GONE_MOST)
			continue;
		step[i].wrong = any = true;
		step[i].far = 0;
	}
	return any;
}

void smooth_run(struct smooth_work *w, const struct smooth_noise *noise, const struct smooth_edge *edge,
                size_t n, struct smooth_state *out)
{
	for (size_t from = 0; from < n; from += BLOCK) {
		size_t to = from + BLOCK < n ? from + BLOCK : n;
		size_t first = from > OVERLAP ? from - OVERLAP : 0;
		size_t last = to + OVERLAP < n ? to + OVERLAP : n;
		for (size_t i = 0; i < last - first; i++)
			w->step[i].wrong = false;
		for (unsigned round = 0; round < ROUNDS; round++) {
			smooth_block(w, noise, edge + first, last - first, from - first, to - first,
			             out + from);
			if (!leave_out(w->step, last - first))
				break;
		}
	}
}

struct tally { /* of innovations over their standard deviations */
	double sum_log, sum_square;
	size_t used, far;
};

/* Innovations within `reach` standard deviations; the others move nothing.
 * `size` (may be NULL) takes |innovation| / sd of each. */
static struct tally tally_innovations(const struct smooth_noise *noise, const struct smooth_edge *e, size_t n,
                                      double reach, double *size)
{
	struct motion m = set_out(noise, e);
	struct tally t = {0, 0, 0, 0};
	int row = 0;
	for (size_t i = 0; i < n; i++) {
		double innovation = e[i].angle_rad - m.x[0], var = edge_variance(noise, m.x[1]);
		double z2 = innovation * innovation / (m.p[0] + var);
		bool far = i >= SETTLE && row < REJECT_ROW && z2 > reach * reach;
		struct motion_gain g = motion_take_covariance(m.p, far ? 1e6 * (m.p[0] + var) : var);
		motion_take_state(m.x, &g, innovation);
		row = far ? row + 1 : 0;
		if (i >= SETTLE && size != NULL)
			size[i - SETTLE] = sqrt(z2);
		if (i >= SETTLE && !far) {
			t.sum_log += log(g.s);
			t.sum_square += z2;
			t.used++;
		}
		t.far += far;
		if (i + 1 < n)
			motion_move(&m, e[i + 1].t_s - e[i].t_s, smooth_drift(noise, m.x[1]));
	}
	return t;
}

double smooth_density(const struct smooth_noise *noise, const struct smooth_edge *e, size_t n, double *rms)
{
	struct motion m = set_out(noise, e);
	double sum = 0, square = 0, used = 0;
	for (size_t i = 0; i < n; i++) {
		double innovation = e[i].angle_rad - m.x[0];
		struct motion_gain g = motion_take_covariance(m.p, edge_variance(noise, m.x[1]));
		motion_take_state(m.x, &g, innovation);
		double z2 = fmin(innovation * innovation / g.s, DENSITY_CAP * DENSITY_CAP);
		sum -= 0.5 * (log(g.s) + z2 / (DENSITY_TEMPER * DENSITY_TEMPER));
		if (i >= 3) { /* three edges make a state */
			square += z2;
			used++;
		}
		if (i + 1 < n)
			motion_move(&m, e[i + 1].t_s - e[i].t_s, smooth_drift(noise, m.x[1]));
	}
	*rms = used > 0 ? sqrt(square / used) : INFINITY;
	return sum;
}

static struct smooth_noise scaled(struct smooth_noise n, double scale)
{
	n.edge_sd_rad *= scale;
	n.drift_rad2_s4 *= scale * scale;
	return n;
}

/* Likelihood at the best scale, in which a few edges far off (an extra one
 * taken for a tooth) have little say. */
static double robust_likelihood(struct smooth_noise *noise, const struct smooth_edge *e, size_t n,
                                double *size)
{
	tally_innovations(noise, e, n, 1e9, size);
	*noise = scaled(*noise, gsl_stats_median(size, 1, n - SETTLE) / 0.6745);
	struct tally t = tally_innovations(noise, e, n, FAR_SD, NULL);
	if (t.used < n / 2)
		return -INFINITY;
	double used = (double)t.used, square = t.sum_square / used;
	*noise = scaled(*noise, sqrt(square));
	double log_mean = t.sum_log / used + log(square);
	return -0.5 * used * (log_mean + 1) - 0.5 * (double)t.far * (log_mean + FAR_SD * FAR_SD);
}

bool smooth_fit_noise(const struct smooth_edge *edge, size_t n, struct smooth_noise *noise)
{
	if (n < 32)
		return false;
	double *size = malloc(n * sizeof *size), best = -INFINITY;
	if (size == NULL)
		return false;
	double omega = (edge[n - 1].angle_rad - edge[0].angle_rad) / (edge[n - 1].t_s - edge[0].t_s);
	for (double lg = -7; lg < 2.01; lg += 0.25) {
		struct smooth_noise trial = {.edge_sd_rad = 1e-3,
		                             .drift_rad2_s4 = pow(10, lg) * pow(omega, 4)};
		double value = robust_likelihood(&trial, edge, n, size);
		if (value > best) {
			best = value;
			*noise = trial;
		}
	}
	free(size);
	return best > -INFINITY;
}
