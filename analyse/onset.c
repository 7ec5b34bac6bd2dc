/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The forward model: pressures of a window for given parameters. */
#include "analyse/onset.h"
#include "common/air.h"

#include <math.h>

/* phi has an infinite slope at ratio 1; ISO 6358 models commonly run straight
 * into 0 from here on (laminar patch). */
#define LAMINAR_RATIO 0.99

struct flow { /* per Pa: value and derivative by the chamber's pressure */
	double value, slope;
};

/* phi(r) and dphi/dr. */
static struct flow flow_function(double r, double b)
{
	if (r <= b)
		return (struct flow){1, 0};
	double scale = 1 / (1 - b);
	if (r < LAMINAR_RATIO) {
		double x = (r - b) * scale;
		double phi = sqrt(1 - x * x);
		return (struct flow){phi, -x * scale / phi};
	}
	double x = (LAMINAR_RATIO - b) * scale;
	double slope = -sqrt(1 - x * x) / (1 - LAMINAR_RATIO);
	return (struct flow){slope * (r - 1), slope};
}

/* Flow times pressure from `outer` into a chamber at p (< 0: out of it), for K = 1. */
static struct flow flow_into(double outer_pa, double p_pa, double b, double outflow)
{
	if (p_pa <= outer_pa) {
		struct flow f = flow_function(p_pa / outer_pa, b);
		return (struct flow){outer_pa * f.value, f.slope};
	}
	double r = outer_pa / p_pa;
	struct flow f = flow_function(r, b);
	return (struct flow){-p_pa * f.value * outflow, (r * f.slope - f.value) * outflow};
}

/* sqrt(x) within 2 % for x = 0.4..2.5: hot air leaves faster. */
static double root(double x)
{
	return (1 + 3 * x) / (3 + x);
}

/* Integral from -infinity of the rising ramp that passes half at 0. */
static double ramp_integral(double t_s, double ramp_s)
{
	double into = t_s + ramp_s / 2;
	if (into <= 0)
		return 0;
	return into < ramp_s ? into * into / (2 * ramp_s) : into - ramp_s / 2;
}

/* Mean area over [from, from + step]. */
static double mean_area(double from_s, double step_s, double ramp_s, bool opening)
{
	double open;
	if (from_s >= ramp_s / 2)
		open = 1;
	else if (from_s + step_s <= -ramp_s / 2)
		open = 0;
	else
		open = (ramp_integral(from_s + step_s, ramp_s) - ramp_integral(from_s, ramp_s)) / step_s;
	return opening ? open : 1 - open;
}

/* exp(x) for the small volume changes of half a cell. */
static double exp_small(double x)
{
	return 1 + x * (1 + x / 2 * (1 + x / 3));
}

struct gas { /* in the chamber */
	double p_pa;
	double m; /* mass x R Tw = p V Tw / T, J */
};

struct passages { /* K times area, m3/s, and what they lead to */
	double k[2], outer_pa[2];
	double leak;
};

static void add_flow(double k, double outer_pa, double b, double outflow, const struct gas *g, double warm,
                     struct flow *sum, double *mass)
{
	struct flow f = flow_into(outer_pa, g->p_pa, b, outflow);
	sum->value += k * f.value;
	sum->slope += k * f.slope;
	*mass += k * (f.value > 0 ? f.value : f.value / warm);
}

/* Flows over one cell: a linearised trapezoid, stable where the flow stiffens near equilibrium. */
static void exchange(const struct onset_window *w, size_t k, const struct passages *x, double b, double warm,
                     struct gas *g)
{
	struct flow sum = {0, 0};
	double mass = 0, outflow = root(warm), factor = AIR_GAMMA * w->step_s / w->volume_m3[k];
	for (int i = 0; i < 2; i++)
		if (x->k[i] > 0)
			add_flow(x->k[i], x->outer_pa[i], b, outflow, g, warm, &sum, &mass);
	if (x->leak > 0)
		add_flow(x->leak, x->outer_pa[ONSET_EXHAUST], b, outflow, g, warm, &sum, &mass);
	double damped = 1 / (1 - fmin(factor * sum.slope, 0) / 2);
	g->p_pa += factor * sum.value * damped;
	g->m += w->step_s * mass * damped;
}

/* One cell: half the volume change, flows and wall heat, the other half. */
static void advance(const struct onset_window *w, size_t k, const struct passages *x, const double *value,
                    double heat_w, struct gas *g)
{
	double half = exp_small(AIR_GAMMA / 2 * (w->log_volume[k] - w->log_volume[k + 1]));
	g->p_pa *= half;
	double warm = g->p_pa * w->volume_m3[k] / g->m;
	if (x->k[0] + x->k[1] + x->leak > 0)
		exchange(w, k, x, value[ONSET_B], warm, g);
	g->p_pa += w->step_s * (AIR_GAMMA - 1) * heat_w * (1 - warm) / w->volume_m3[k];
	g->p_pa *= half;
}

struct lag { /* exact for a pressure that runs straight over a cell */
	double keep, follow, ramp, q_pa;
};

static struct lag lag_of(double lag_s, double step_s)
{
	if (!(lag_s > 0))
		return (struct lag){.keep = 0, .follow = 0, .ramp = 1};
	double keep = exp(-step_s / lag_s);
	return (struct lag){.keep = keep, .follow = 1 - keep, .ramp = 1 - lag_s / step_s * (1 - keep)};
}

static double lag_step(struct lag *l, double p_pa, double next_pa)
{
	l->q_pa = l->keep * l->q_pa + l->follow * p_pa + l->ramp * (next_pa - p_pa);
	if (l->keep == 0)
		l->q_pa = next_pa;
	return l->q_pa;
}

/* Samples inside cell k, straight between its two nodes. */
static size_t sample_cell(const struct onset_window *w, size_t k, size_t i, double q, double next, double *out)
{
	double from = w->start_s + (double)k * w->step_s;
	double to = k + 1 == w->cells ? INFINITY : from + w->step_s;
	for (; i < w->n && w->t_s[i] < to; i++)
		out[i] = q + (next - q) * (w->t_s[i] - from) / w->step_s;
	return i;
}

/* K times area of both passages in cell k. */
static void open_passages(const struct onset_window *w, size_t k, const double *value, double k_m3_s,
                          double ramp_s, struct passages *x)
{
	double from = w->start_s + (double)k * w->step_s - value[ONSET_T50];
	x->k[!w->passage] = w->other_k_m3_s * w->other[k];
	x->k[w->passage] = k_m3_s * mean_area(from, w->step_s, ramp_s, w->opening);
	x->outer_pa[ONSET_INLET] = w->supply_pa[k];
}

void onset_predict(const struct onset_window *w, const double value[ONSET_PARAMETERS], double *out)
{
	double k_m3_s = exp(value[ONSET_K]), ramp_s = exp(value[ONSET_RAMP]), heat_w = exp(value[ONSET_HEAT]);
	struct gas g = {.p_pa = exp(value[ONSET_P0])};
	struct passages x = {.outer_pa[ONSET_EXHAUST] = w->ambient_pa, .leak = w->leak_m3_s};
	struct lag lag = lag_of(w->lag_s, w->step_s);
	g.m = g.p_pa * exp(w->log_volume[0] - value[ONSET_WARM0]);
	size_t i = 0;
	for (size_t k = 0; k < w->cells; k++) {
		double p = g.p_pa;
		open_passages(w, k, value, k_m3_s, ramp_s, &x);
		advance(w, k, &x, value, heat_w, &g);
		if (k == 0) /* as if it had run on like this before */
			lag.q_pa = p - w->lag_s * (g.p_pa - p) / w->step_s;
		double q = lag.q_pa, q_next = lag_step(&lag, p, g.p_pa);
		i = sample_cell(w, k, i, q, q_next, out);
	}
}

double onset_start(const struct onset_window *w, double until_s)
{
	double sum = 0;
	size_t n = 0;
	for (; n < w->n && n < 6 && (n == 0 || w->t_s[n] < until_s); n++)
		sum += w->p_pa[n];
	return n ? log(fmax(sum / (double)n, 1000)) : NAN;
}
