/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/trend.h"

#include "analyse/delay.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define HUBER 1.345
#define BISQUARE 4.685
#define VALUES_LEAST 8
#define ROUNDS_HUBER 15
#define ROUNDS 30

typedef double matrix[TREND_TERMS][TREND_TERMS];

/* Cholesky's factor in place of the lower half; false when a pivot is lost to rounding. */
static bool factor(unsigned n, matrix a)
{
	for (unsigned i = 0; i < n; i++)
		for (unsigned j = 0; j <= i; j++) {
			double diagonal = a[i][i], sum = a[i][j];
			for (unsigned k = 0; k < j; k++)
				sum -= a[i][k] * a[j][k];
			if (i != j)
				a[i][j] = sum / a[j][j];
			else if (sum > 1e-10 * diagonal && sum > 0)
				a[i][i] = sqrt(sum);
			else
				return false;
		}
	return true;
}

bool trend_invert(unsigned terms, double a[TREND_TERMS][TREND_TERMS])
{
	matrix l;
	memcpy(l, a, sizeof l);
	if (!factor(terms, l))
		return false;
	for (unsigned column = 0; column < terms; column++) {
		double x[TREND_TERMS] = {0};
		for (unsigned i = column; i < terms; i++) {
			x[i] = i == column;
			for (unsigned k = column; k < i; k++)
				x[i] -= l[i][k] * x[k];
			x[i] /= l[i][i];
		}
		for (unsigned i = terms; i-- > 0;) {
			for (unsigned k = i + 1; k < terms; k++)
				x[i] -= l[k][i] * x[k];
			x[i] /= l[i][i];
		}
		for (unsigned i = 0; i < terms; i++)
			a[i][column] = x[i];
	}
	return true;
}

/* --- the fit --------------------------------------------------------------------- */

struct work {
	const double *y;
	const double *const *x;
	double mean[TREND_TERMS], unit[TREND_TERMS]; /* x is taken in units of its spread */
	double *scratch;
	size_t n;
	unsigned terms;
	double c[TREND_TERMS]; /* in those units */
	double scale;
};

static double term(const struct work *w, unsigned j, size_t i)
{
	return j == 0 ? 1 : (w->x[j][i] - w->mean[j]) / w->unit[j];
}

static double residual(const struct work *w, size_t i)
{
	double fit = 0;
	for (unsigned j = 0; j < w->terms; j++)
		fit += w->c[j] * term(w, j, i);
	return w->y[i] - fit;
}

static double robust_scale(struct work *w)
{
	for (size_t i = 0; i < w->n; i++)
		w->scratch[i] = fabs(residual(w, i));
	double spent = (double)w->n / (double)(w->n - w->terms);
	return 1.4826 * gsl_stats_median(w->scratch, 1, w->n) * sqrt(spent);
}

static double weight(double u, bool huber)
{
	double v = 1 - u * u / (BISQUARE * BISQUARE);
	if (huber)
		return fabs(u) > HUBER ? HUBER / fabs(u) : 1;
	return v > 0 ? v * v : 0;
}

/* Derivative of the bisquare's influence function. */
static double curvature(double u)
{
	double q = u * u / (BISQUARE * BISQUARE);
	return q < 1 ? (1 - q) * (1 - 5 * q) : 0;
}

static double standardised(const struct work *w, size_t i)
{
	return w->scale > 0 ? residual(w, i) / w->scale : 0;
}

static bool step(struct work *w, bool huber)
{
	matrix a = {{0}};
	double b[TREND_TERMS] = {0};
	for (size_t i = 0; i < w->n; i++) {
		double r = weight(standardised(w, i), huber);
		for (unsigned j = 0; j < w->terms; j++) {
			for (unsigned k = 0; k < w->terms; k++)
				a[j][k] += r * term(w, j, i) * term(w, k, i);
			b[j] += r * term(w, j, i) * w->y[i];
		}
	}
	if (!trend_invert(w->terms, a))
		return false;
	for (unsigned j = 0; j < w->terms; j++) {
		w->c[j] = 0;
		for (unsigned k = 0; k < w->terms; k++)
			w->c[j] += a[j][k] * b[k];
	}
	return true;
}

static bool settle(struct work *w)
{
	memcpy(w->scratch, w->y, sizeof *w->y * w->n);
	w->c[0] = gsl_stats_median(w->scratch, 1, w->n);
	for (int round = 0; round < ROUNDS; round++) {
		bool huber = round < ROUNDS_HUBER;
		if (huber)
			w->scale = robust_scale(w);
		if (!step(w, huber))
			return false;
	}
	return true;
}

/* --- how sure: sandwich over blocks of turns ------------------------------------------ */

static int64_t block_turns(const int64_t *turn, size_t n)
{
	int64_t turns = DELAY_BLOCK_TURNS, span = turn[n - 1] - turn[0] + 1;
	while (turns > 1 && span / turns < 8)
		turns--;
	return turns;
}

/* Sum over blocks of g g', with g the block's sum of influence; returns the number of blocks. */
static unsigned block_products(const struct work *w, const int64_t *turn, matrix m)
{
	int64_t turns = block_turns(turn, w->n), last = 0;
	double g[TREND_TERMS] = {0};
	unsigned blocks = 0;
	for (size_t i = 0; i <= w->n; i++) {
		int64_t block = i < w->n ? (turn[i] - turn[0]) / turns : -1;
		if (i > 0 && block != last) {
			for (unsigned j = 0; j < w->terms; j++)
				for (unsigned k = 0; k < w->terms; k++)
					m[j][k] += g[j] * g[k];
			memset(g, 0, sizeof g);
			blocks++;
		}
		last = block;
		for (unsigned j = 0; i < w->n && j < w->terms; j++)
			g[j] += weight(standardised(w, i), false) * residual(w, i) * term(w, j, i);
	}
	return blocks;
}

static bool covariance(const struct work *w, const int64_t *turn, matrix out)
{
	matrix bread = {{0}}, meat = {{0}};
	for (size_t i = 0; i < w->n; i++)
		for (unsigned j = 0; j < w->terms; j++)
			for (unsigned k = 0; k < w->terms; k++)
				bread[j][k] += curvature(standardised(w, i)) * term(w, j, i) * term(w, k, i);
	unsigned blocks = block_products(w, turn, meat);
	if (blocks < w->terms + 2 || !trend_invert(w->terms, bread))
		return false;
	double free = blocks - w->terms, student = gsl_cdf_tdist_Pinv(0.975, free) / 1.959964;
	double widen = student * student * blocks / free;
	for (unsigned j = 0; j < w->terms; j++)
		for (unsigned k = 0; k < w->terms; k++) {
			out[j][k] = 0;
			for (unsigned a = 0; a < w->terms; a++)
				for (unsigned b = 0; b < w->terms; b++)
					out[j][k] += widen * bread[j][a] * meat[a][b] * bread[b][k];
		}
	return true;
}

/* --- the whole ---------------------------------------------------------------------- */

static bool look_at(struct work *w, struct trend *out)
{
	for (unsigned j = 1; j < w->terms; j++) {
		memcpy(w->scratch, w->x[j], sizeof(double) * w->n);
		w->mean[j] = gsl_stats_mean(w->scratch, 1, w->n);
		w->unit[j] = gsl_stats_sd(w->scratch, 1, w->n);
		gsl_sort(w->scratch, 1, w->n);
		out->low[j] = gsl_stats_quantile_from_sorted_data(w->scratch, 1, w->n, 0.02);
		out->high[j] = gsl_stats_quantile_from_sorted_data(w->scratch, 1, w->n, 0.98);
		if (!(w->unit[j] > 1e-9 * fabs(w->mean[j])))
			return false;
	}
	return true;
}

bool trend_fit(const double *y, const double *const x[TREND_TERMS], unsigned terms, const int64_t *turn,
               size_t n, struct trend *out)
{
	struct work w = {.y = y, .x = x, .n = n, .terms = terms};
	*out = (struct trend){.n = n, .terms = terms};
	if (n < VALUES_LEAST + terms || (w.scratch = malloc(sizeof(double) * n)) == NULL)
		return false;
	matrix cov;
	bool told = look_at(&w, out) && settle(&w) && covariance(&w, turn, cov);
	free(w.scratch);
	if (!told)
		return false;
	w.unit[0] = 1;
	out->scatter = w.scale;
	for (unsigned j = 0; j < terms; j++) {
		out->mean[j] = w.mean[j];
		out->c[j] = w.c[j] / w.unit[j];
		for (unsigned k = 0; k < terms; k++)
			out->cov[j][k] = cov[j][k] / (w.unit[j] * w.unit[k]);
	}
	return true;
}
