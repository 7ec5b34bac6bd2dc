/* SPDX-License-Identifier: GPL-3.0-or-later */
/* One event: a coarse scan over t50, Gauss-Newton, then the profile of the
 * likelihood over t50 with the other parameters eliminated. */
#include "analyse/onset.h"
#include "analyse/spd.h"

#include <math.h>
#include <string.h>

#define LOCAL 4 /* t50, p0, K, warm0: the first parameters of the enum */
#define SCAN_MAX 48
#define PROFILE 13

struct point { /* residuals and derivatives at one set of parameters */
	double value[ONSET_PARAMETERS];
	double residual[ONSET_SAMPLES_MAX]; /* (measured - predicted) / noise */
	double slope[LOCAL][ONSET_SAMPLES_MAX];
	size_t n;
};

static const double difference[ONSET_PARAMETERS] = {1e-4, 1e-3, 5e-3, 1e-2, 1e-2, 1e-2, 5e-3};

static void residuals(const struct onset_window *w, const double *value, double *residual)
{
	onset_predict(w, value, residual);
	double scale = 1 / w->noise_pa;
	for (size_t i = 0; i < w->n; i++)
		residual[i] = (w->p_pa[i] - residual[i]) * scale;
}

/* Derivatives of the prediction (in noise units) by forward differences. */
static void slopes(const struct onset_window *w, struct point *at, int from)
{
	double moved[ONSET_SAMPLES_MAX];
	for (int j = from; j < LOCAL; j++) {
		double value[ONSET_PARAMETERS];
		memcpy(value, at->value, sizeof(value));
		value[j] += difference[j];
		residuals(w, value, moved);
		for (size_t i = 0; i < w->n; i++)
			at->slope[j][i] = (at->residual[i] - moved[i]) / difference[j];
	}
}

static double dot(const double *a, const double *b, const double *weight, size_t n)
{
	double sum = 0;
	for (size_t i = 0; i < n; i++)
		sum += weight[i] * a[i] * b[i];
	return sum;
}

#define FAR 4.0 /* residuals beyond this count by their size, not its square (Huber) */

static double robust_sum(const double *r, size_t n)
{
	double sum = 0;
	for (size_t i = 0; i < n; i++)
		sum += fabs(r[i]) <= FAR ? r[i] * r[i] : FAR * (2 * fabs(r[i]) - FAR);
	return sum;
}

static double clamp(double x, double low, double high)
{
	return fmin(fmax(x, low), high);
}

static double precision(double sd)
{
	return sd > 0 ? 1 / (sd * sd) : 1e12;
}

/* Minus twice the log of Student's t (4 degrees of freedom), 0 at its peak. */
static double t50_penalty(const struct onset_prior *prior, double t50_s)
{
	double z = (t50_s - prior->mean[ONSET_T50]) / prior->sd[ONSET_T50];
	return 5 * log1p(z * z / 4);
}

/* Its weight as if it were normal, for Gauss-Newton. */
static double t50_precision(const struct onset_prior *prior, double t50_s)
{
	double z = (t50_s - prior->mean[ONSET_T50]) / prior->sd[ONSET_T50];
	return 5 / (4 + z * z) * precision(prior->sd[ONSET_T50]);
}

static double parameter_precision(const struct onset_prior *prior, const double *value, int j)
{
	return j == ONSET_T50 ? t50_precision(prior, value[j]) : precision(prior->sd[j]);
}

static double prior_sum(const struct onset_prior *prior, const double *value, int from)
{
	double sum = 0;
	for (int j = from; j < LOCAL; j++) {
		double off = value[j] - prior->mean[j];
		if (j == ONSET_T50)
			sum += t50_penalty(prior, value[j]);
		else if (isfinite(prior->sd[j]))
			sum += precision(prior->sd[j]) * off * off;
	}
	return sum;
}

/* Normal equations over the parameters from..LOCAL-1.  Samples far off weigh less. */
static void normal_equations(const struct point *at, const struct onset_prior *prior, int from, double *a,
                             double *b)
{
	int m = LOCAL - from;
	double far[ONSET_SAMPLES_MAX];
	memset(a, 0, sizeof(*a) * SPD_MAX * SPD_MAX);
	for (size_t i = 0; i < at->n; i++)
		far[i] = fmin(1, FAR / fmax(fabs(at->residual[i]), 1));
	for (int j = 0; j < m; j++) {
		const double *sj = at->slope[from + j];
		b[j] = dot(sj, at->residual, far, at->n);
		for (int i = 0; i <= j; i++)
			a[i * SPD_MAX + j] = a[j * SPD_MAX + i] = dot(sj, at->slope[from + i], far, at->n);
		double weight = parameter_precision(prior, at->value, from + j);
		if (!isfinite(prior->sd[from + j]))
			continue;
		a[j * SPD_MAX + j] += weight;
		b[j] += weight * (prior->mean[from + j] - at->value[from + j]);
	}
}

/* The objective with p0, K and warm0 eliminated to first order about `at`, whose slopes are known;
 * fills `at`'s residuals for t50.  t50's own prior is left out. */
static double profile(const struct onset_window *w, const struct onset_prior *prior, struct point *at,
                      double t50_s, double step[LOCAL])
{
	double a[SPD_MAX * SPD_MAX], b[SPD_MAX] = {0}, x[SPD_MAX] = {0};
	at->value[ONSET_T50] = t50_s;
	residuals(w, at->value, at->residual);
	normal_equations(at, prior, ONSET_P0, a, b);
	memset(step, 0, sizeof(*step) * LOCAL);
	if (spd_solve(a, b, LOCAL - 1, x))
		memcpy(step + 1, x, sizeof(*step) * (LOCAL - 1));
	double off[ONSET_SAMPLES_MAX];
	for (size_t i = 0; i < w->n; i++)
		off[i] = at->residual[i] - at->slope[1][i] * step[1] - at->slope[2][i] * step[2] -
		         at->slope[3][i] * step[3];
	double value[ONSET_PARAMETERS];
	memcpy(value, at->value, sizeof(value));
	for (int j = 1; j < LOCAL; j++)
		value[j] += step[j];
	return robust_sum(off, w->n) + prior_sum(prior, value, ONSET_P0);
}

/* A hypothesis without a free t50 (stayed, or there already): two rounds of elimination. */
static double without_event(const struct onset_window *w, const struct onset_prior *prior, struct point *at,
                            double t50_s)
{
	double step[LOCAL], sum = 0;
	at->value[ONSET_T50] = t50_s;
	for (int round = 0; round < 2; round++) {
		residuals(w, at->value, at->residual);
		slopes(w, at, ONSET_P0);
		sum = profile(w, prior, at, t50_s, step);
		for (int j = 1; j < LOCAL; j++)
			at->value[j] += step[j];
	}
	return sum;
}

static void start_at(const struct onset_window *w, const struct onset_prior *prior, struct point *at)
{
	memcpy(at->value, prior->mean, sizeof(at->value));
	at->n = w->n;
	at->value[ONSET_P0] = onset_start(w, prior->mean[ONSET_T50]);
}

/* How badly the curve without the event would fit data that follow the event where the prior puts
 * it: both curves are known as residuals against the same data. */
static double expected_misfit(const struct onset_prior *prior, const struct point *event,
                              struct point *without)
{
	double a[SPD_MAX * SPD_MAX], b[SPD_MAX] = {0}, x[SPD_MAX] = {0}, sum = 0;
	for (size_t i = 0; i < event->n; i++)
		without->residual[i] -= event->residual[i];
	normal_equations(without, prior, ONSET_P0, a, b);
	if (!spd_solve(a, b, LOCAL - 1, x))
		return 0;
	for (size_t i = 0; i < event->n; i++) {
		double off = without->residual[i];
		for (int j = 1; j < LOCAL; j++)
			off -= without->slope[j][i] * x[j - 1];
		sum += off * off;
	}
	return sum;
}

struct scan {
	double t_s[SCAN_MAX], sum[SCAN_MAX];
	size_t n, best;
};

/* Objective at one t50 with p0 alone adjusted: the other slopes hold only near the t50 at
 * which they were taken. */
static double glance(const struct onset_window *w, const struct onset_prior *prior, struct point *at,
                     double t50_s)
{
	double top = 0, bottom = 1e-9;
	at->value[ONSET_T50] = t50_s;
	residuals(w, at->value, at->residual);
	const double *s = at->slope[ONSET_P0];
	for (size_t i = 0; i < w->n; i++) {
		double far = fmin(1, FAR / fmax(fabs(at->residual[i]), 1));
		top += far * s[i] * at->residual[i];
		bottom += far * s[i] * s[i];
	}
	double off[ONSET_SAMPLES_MAX], shift = clamp(top / bottom, -0.1, 0.1);
	for (size_t i = 0; i < w->n; i++)
		off[i] = at->residual[i] - s[i] * shift;
	return robust_sum(off, w->n) + t50_penalty(prior, t50_s);
}

/* The objective over the whole span where the event may lie. */
static void scan_over(const struct onset_window *w, const struct onset_prior *prior, struct point *at,
                      struct scan *s)
{
	double span = prior->latest_s - prior->earliest_s;
	double ramp_s = exp(prior->mean[ONSET_RAMP]);
	s->n = (size_t)fmin(fmax(ceil(span / fmax(ramp_s / 2, 1e-3)), 4), SCAN_MAX);
	s->best = 0;
	for (size_t i = 0; i < s->n; i++) {
		s->t_s[i] = prior->earliest_s + span * ((double)i + 0.5) / (double)s->n;
		s->sum[i] = glance(w, prior, at, s->t_s[i]);
		if (s->sum[i] < s->sum[s->best])
			s->best = i;
	}
}

static double objective(const struct onset_window *w, const struct onset_prior *prior, const double *value,
                        double *residual)
{
	residuals(w, value, residual);
	return robust_sum(residual, w->n) + prior_sum(prior, value, ONSET_T50);
}

static void step_to(const struct onset_prior *prior, const double *from, const double *step, double by,
                    double *to)
{
	const double limit[LOCAL] = {3e-3, 0.3, 0.3, 0.2};
	memcpy(to, from, sizeof(*to) * ONSET_PARAMETERS);
	for (int j = 0; j < LOCAL; j++)
		by = fmin(by, limit[j] / fmax(fabs(step[j]), 1e-30));
	for (int j = 0; j < LOCAL; j++)
		to[j] += by * step[j];
	to[ONSET_T50] = clamp(to[ONSET_T50], prior->earliest_s, prior->latest_s);
}

/* Gauss-Newton over all local parameters; leaves residuals and slopes at the optimum and t50's
 * standard deviation in *sd. */
static double climb(const struct onset_window *w, const struct onset_prior *prior, struct point *at, double *sd)
{
	double sum = objective(w, prior, at->value, at->residual);
	double a[SPD_MAX * SPD_MAX], b[SPD_MAX], x[SPD_MAX], next[ONSET_PARAMETERS];
	double residual[ONSET_SAMPLES_MAX];
	*sd = prior->sd[ONSET_T50];
	for (int round = 0; round < 8; round++) {
		slopes(w, at, ONSET_T50);
		normal_equations(at, prior, ONSET_T50, a, b);
		if (!spd_solve(a, b, LOCAL, x))
			break;
		*sd = sqrt(fmax(spd_inverse_first(a, LOCAL), 0));
		double by = 1, tried = INFINITY;
		for (; by > 0.1; by /= 2) {
			step_to(prior, at->value, x, by, next);
			tried = objective(w, prior, next, residual);
			if (tried <= sum)
				break;
		}
		if (!(tried <= sum))
			break;
		double gained = sum - tried;
		memcpy(at->value, next, sizeof(next));
		memcpy(at->residual, residual, sizeof(residual));
		sum = tried;
		if (gained < 0.02)
			break;
	}
	return sum;
}

/* Mean and sd of t50 over its profile; widened until the ends are out. */
static double posterior(const struct onset_window *w, const struct onset_prior *prior, struct point *at,
                        double sd, double floor_s, struct onset_result *out)
{
	double t[PROFILE], sum[PROFILE], step[LOCAL], centre = at->value[ONSET_T50];
	double reach = fmax(sd, floor_s) * 3, best = INFINITY;
	for (int widen = 0; widen < 4; widen++, reach *= 2) {
		best = INFINITY;
		for (int i = 0; i < PROFILE; i++) {
			t[i] = clamp(centre + reach * (i - PROFILE / 2) / (PROFILE / 2), prior->earliest_s,
			             prior->latest_s);
			sum[i] = profile(w, prior, at, t[i], step) + t50_penalty(prior, t[i]);
			best = fmin(best, sum[i]);
		}
		if (fmin(sum[0], sum[PROFILE - 1]) > best + 5)
			break;
	}
	double weight = 0, mean = 0, square = 0;
	for (int i = 0; i < PROFILE; i++) {
		double like = exp(-(sum[i] - best) / 2);
		weight += like;
		mean += like * t[i];
		square += like * (t[i] - centre) * (t[i] - centre);
	}
	mean /= weight;
	out->t50_s = mean;
	out->sd_s = sqrt(fmax(square / weight - (mean - centre) * (mean - centre), 0));
	return best;
}

/* Is there another place, far from the best, that fits nearly as well? */
static bool one_peak(const struct scan *s, double t50_s, double sd_s, double best)
{
	for (size_t i = 0; i < s->n; i++)
		if (fabs(s->t_s[i] - t50_s) > fmax(4 * sd_s, 3e-3) && s->sum[i] < best + 8)
			return false;
	return true;
}

/* Minus twice the log of: best fit, narrowed by what t50 could have been beforehand. */
static double evidence(const struct onset_prior *prior, double best, double sd_s)
{
	double width = prior->sd[ONSET_T50] * 8 / 3; /* 1 / peak density of t, 4 degrees */
	return best + 2 * log(fmax(width / (sqrt(2 * M_PI) * fmax(sd_s, 1e-5)), 1));
}

bool onset_fit(const struct onset_window *w, const struct onset_prior *prior, struct onset_result *out)
{
	struct point at, other;
	struct scan scan;
	double sd;
	memset(out, 0, sizeof(*out));
	if (w->n < 5 || w->cells < 4 || !(prior->latest_s > prior->earliest_s))
		return false;
	start_at(w, prior, &other);
	double opposite = without_event(w, prior, &other, -INFINITY);
	start_at(w, prior, &other);
	double stayed = without_event(w, prior, &other, INFINITY);
	start_at(w, prior, &at);
	at.value[ONSET_T50] = clamp(prior->mean[ONSET_T50], prior->earliest_s, prior->latest_s);
	residuals(w, at.value, at.residual);
	slopes(w, &at, ONSET_P0);
	out->expected = expected_misfit(prior, &at, &other);
	scan_over(w, prior, &at, &scan);
	at.value[ONSET_T50] = scan.t_s[scan.best];
	climb(w, prior, &at, &sd);
	memcpy(out->value, at.value, sizeof(at.value));
	double best = posterior(w, prior, &at, sd, 5e-5, out);
	out->misfit = best;
	out->unimodal = one_peak(&scan, out->t50_s, out->sd_s, best);
	double moved = evidence(prior, best, out->sd_s);
	out->log_bayes_factor = (stayed - moved) / 2;
	out->log_against_opposite = (opposite - moved) / 2;
	return true;
}
