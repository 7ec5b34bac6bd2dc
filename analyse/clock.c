/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/clock.h"

#include <gsl/gsl_fit.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#define WINDOW_S 30.0 /* a window's envelope is a straight line */
#define WINDOW_MIN 8  /* arrivals a window needs */
#define HULL_MAX 512
#define KNOTS_MAX 2048
#define STEP_S 0.03   /* the envelope cannot jump so far by drift */
#define SKEW_MAX 0.01 /* of a resonator: no more is believed */
#define MIN_SPAN_S 20.0

struct corner {
	double d_s, delay_s; /* sender time; host minus sender time */
};

struct knot {                /* what one window says */
	double d_s, delay_s; /* envelope in its middle */
	double slope;
	double span_s;    /* of its arrivals */
	unsigned stretch; /* between resets and steps */
};

struct clock_fit {
	struct corner hull[HULL_MAX];
	size_t hull_n, arrivals;
	double window_from_s, sum_d_s, last_d_s;
	int64_t d0_us, h0_us;
	bool open;
	unsigned epoch, stretch;
	struct knot knot[KNOTS_MAX];
	size_t knot_n;
	uint64_t all;
	double span_s;
	unsigned resets, host_steps;
	double window_s;
};

struct clock_fit *clock_fit_new(void)
{
	struct clock_fit *c = calloc(1, sizeof *c);
	if (c != NULL)
		c->window_s = WINDOW_S;
	return c;
}

void clock_fit_free(struct clock_fit *c)
{
	free(c);
}

static double cross(const struct corner *o, const struct corner *a, const struct corner *b)
{
	return (a->d_s - o->d_s) * (b->delay_s - o->delay_s) - (a->delay_s - o->delay_s) * (b->d_s - o->d_s);
}

/* Lower convex hull, points coming in order of time (monotone chain). */
static void hull_add(struct clock_fit *c, double d_s, double delay_s)
{
	struct corner p = {d_s, delay_s};
	while (c->hull_n >= 2 && cross(&c->hull[c->hull_n - 2], &c->hull[c->hull_n - 1], &p) <= 0)
		c->hull_n--;
	if (c->hull_n == 1 && c->hull[0].d_s == d_s) {
		c->hull[0].delay_s = fmin(c->hull[0].delay_s, delay_s);
		return;
	}
	if (c->hull_n < HULL_MAX)
		c->hull[c->hull_n++] = p;
}

/* A ride of many hours: every other knot goes, windows become twice as long. */
static void thin_knots(struct clock_fit *c)
{
	size_t n = 0;
	for (size_t i = 0; i < c->knot_n; i += 2)
		c->knot[n++] = c->knot[i];
	c->knot_n = n;
	c->window_s *= 2;
}

static void watch_step(struct clock_fit *c, const struct knot *k)
{
	if (c->knot_n == 0)
		return;
	const struct knot *before = &c->knot[c->knot_n - 1];
	if (before->stretch != c->stretch)
		return;
	double jump = k->delay_s - before->delay_s - (k->d_s - before->d_s) * before->slope;
	if (fabs(jump) > STEP_S + fabs(k->d_s - before->d_s) * 1e-4) {
		c->host_steps++;
		c->stretch++;
	}
}

/* The least sum of delays above a line that no arrival undercuts: the hull's
 * edge over the mean sender time. */
static void close_window(struct clock_fit *c)
{
	double mean = c->arrivals > 0 ? c->sum_d_s / (double)c->arrivals : 0;
	size_t i = 0;
	while (i + 2 < c->hull_n && c->hull[i + 1].d_s < mean)
		i++;
	bool enough = c->open && c->arrivals >= WINDOW_MIN && c->hull_n >= 2;
	if (enough) {
		const struct corner *a = &c->hull[i], *b = &c->hull[i + 1];
		double slope = (b->delay_s - a->delay_s) / (b->d_s - a->d_s);
		struct knot k = {mean, a->delay_s + slope * (mean - a->d_s), slope,
		                 c->last_d_s - c->window_from_s, 0};
		if (fabs(slope) < SKEW_MAX) {
			watch_step(c, &k);
			k.stretch = c->stretch;
			if (c->knot_n == KNOTS_MAX)
				thin_knots(c);
			c->knot[c->knot_n++] = k;
		}
	}
	c->open = false;
}

static void open_window(struct clock_fit *c, double d_s)
{
	c->open = true;
	c->hull_n = c->arrivals = 0;
	c->sum_d_s = 0;
	c->window_from_s = d_s;
}

static void add_arrival(struct clock_fit *c, const struct ride_arrival *a)
{
	if (c->all++ == 0) {
		c->d0_us = a->t_us;
		c->h0_us = a->host_us;
	}
	double d_s = 1e-6 * (double)(a->t_us - c->d0_us), h_s = 1e-6 * (double)(a->host_us - c->h0_us);
	if (c->open && (d_s < c->last_d_s || d_s - c->window_from_s > c->window_s))
		close_window(c);
	if (!c->open)
		open_window(c, d_s);
	else
		c->span_s += d_s - c->last_d_s;
	hull_add(c, d_s, h_s - d_s);
	c->sum_d_s += d_s;
	c->arrivals++;
	c->last_d_s = d_s;
}

void clock_fit_add(struct clock_fit *c, const struct leg *leg)
{
	if (c->all > 0 && leg->epoch != c->epoch) {
		close_window(c);
		c->resets++;
		c->stretch++;
	}
	c->epoch = leg->epoch;
	for (size_t i = 0; i < leg->arrival_n; i++)
		if (leg->arrival[i].t_us >= leg->core_from_us && leg->arrival[i].t_us < leg->core_to_us)
			add_arrival(c, &leg->arrival[i]);
}

struct line {
	double slope, var;
	size_t n;
};

/* Skew over knots [from, to) of one stretch: straight line through the
 * envelopes; its scatter tells the interval. */
static struct line fit_knots(const struct knot *k, size_t n)
{
	struct line l = {0, INFINITY, n};
	if (n < 3)
		return l;
	double x[KNOTS_MAX], y[KNOTS_MAX], c0, c1, cov00, cov01, cov11, sumsq;
	double x0 = k[0].d_s, y0 = k[0].delay_s;
	for (size_t i = 0; i < n; i++) {
		x[i] = k[i].d_s - x0;
		y[i] = k[i].delay_s - y0;
	}
	gsl_fit_linear(x, 1, y, 1, n, &c0, &c1, &cov00, &cov01, &cov11, &sumsq);
	l.slope = c1;
	l.var = cov11;
	return l;
}

/* Stretches weigh by their own precision. */
static struct line fit_stretches(const struct knot *k, size_t n)
{
	struct line sum = {0, 0, 0};
	double weight = 0;
	for (size_t from = 0, to; from < n; from = to) {
		for (to = from + 1; to < n && k[to].stretch == k[from].stretch; to++)
			;
		struct line l = fit_knots(k + from, to - from);
		if (!isfinite(l.var))
			continue;
		double w = 1 / (l.var + 1e-16);
		sum.slope += w * l.slope;
		weight += w;
		sum.n += l.n;
	}
	sum.slope = weight > 0 ? sum.slope / weight : 0;
	sum.var = weight > 0 ? 1 / weight : INFINITY;
	return sum;
}

/* Few windows: their own slopes.  What is left of the delay in an envelope
 * tilts a short window more, as the last one often is: a slope weighs by the
 * square of its span. */
static struct line mean_slope(const struct knot *k, size_t n)
{
	struct line l = {0, INFINITY, n};
	double weight_s2 = 0;
	for (size_t i = 0; i < n; i++) {
		l.slope += k[i].span_s * k[i].span_s * k[i].slope;
		weight_s2 += k[i].span_s * k[i].span_s;
	}
	if (weight_s2 > 0) {
		l.slope /= weight_s2;
		l.var = 0.25e-3 * 0.25e-3 / weight_s2;
	}
	return l;
}

static double drift_of(const struct clock_fit *c)
{
	size_t third = c->knot_n / 3;
	if (third < 4)
		return 0;
	struct line a = fit_stretches(c->knot, third), b = fit_stretches(c->knot + c->knot_n - third, third);
	return isfinite(a.var) && isfinite(b.var) ? 1.5e6 * (b.slope - a.slope) : 0;
}

void clock_fit_result(const struct clock_fit *fit, struct clock_result *out)
{
	struct clock_fit c = *fit;
	close_window(&c);
	*out = (struct clock_result){.resets = c.resets, .host_steps = c.host_steps};
	if (c.all == 0) {
		snprintf(out->remark, sizeof out->remark,
		         "no arrival times in the log: the clocks cannot be compared");
		return;
	}
	if (c.span_s < MIN_SPAN_S || c.knot_n == 0) {
		snprintf(out->remark, sizeof out->remark,
		         "arrival times over %.0f s only: too short to compare the clocks", c.span_s);
		return;
	}
	struct line l = fit_stretches(c.knot, c.knot_n);
	if (!isfinite(l.var) || l.n < 4)
		l = mean_slope(c.knot, c.knot_n);
	double half = 1.96e6 * sqrt(l.var) + 0.5;
	out->known = true;
	out->skew_ppm = 1e6 * l.slope;
	out->skew_ppm_ci95[0] = out->skew_ppm - half;
	out->skew_ppm_ci95[1] = out->skew_ppm + half;
	out->drift_ppm = drift_of(&c);
}
