/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/delay.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_rng.h>
#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define HUBER 1.345
#define BISQUARE 4.685
#define RESAMPLES 1000
#define SEED 20150406ul
#define TERMS (1 + DELAY_CAUSES)

static double quantile_sorted(const double *x, size_t n, double q)
{
	double at = q * (double)(n - 1);
	size_t i = (size_t)at;
	return i + 1 < n ? x[i] + (at - (double)i) * (x[i + 1] - x[i]) : x[n - 1];
}

/* --- the problem: y = sum of terms, with weights known beforehand ------------- */

struct problem {
	size_t n;
	int terms; /* 1: mean, 2: line, more: plane */
	const double *y;
	const double *z[TERMS - 1]; /* centred, those of the terms in use */
	double *given;              /* weights known beforehand */
	double *weight;             /* given * robust weight */
	double *curvature;          /* given * derivative of the influence function */
	double *scratch;
	const int64_t *turn;
	double scale;
	double beta[TERMS];
};

static double term(const struct problem *p, int j, size_t i)
{
	return j == 0 ? 1 : p->z[j - 1][i];
}

static double residual(const struct problem *p, size_t i)
{
	double fit = p->beta[0];
	for (int j = 1; j < p->terms; j++)
		fit += p->beta[j] * p->z[j - 1][i];
	return (p->y[i] - fit) * sqrt(p->given[i]);
}

struct sums { /* sum of weight x x' and weight x y */
	double a[TERMS][TERMS], b[TERMS];
};

static void add_point(const struct problem *p, size_t i, double weight, struct sums *s)
{
	for (int j = 0; j < p->terms; j++) {
		for (int k = 0; k < p->terms; k++)
			s->a[j][k] += weight * term(p, j, i) * term(p, k, i);
		s->b[j] += weight * term(p, j, i) * p->y[i];
	}
}

/* Elimination; false when two of the terms are as good as one. */
static bool solve_many(const struct sums *s, int terms, double *beta)
{
	struct sums e = *s;
	for (int k = 0; k < terms; k++) {
		if (!(e.a[k][k] > 1e-9 * s->a[k][k]))
			return false;
		for (int j = k + 1; j < terms; j++) {
			double by = e.a[j][k] / e.a[k][k];
			for (int l = k; l < terms; l++)
				e.a[j][l] -= by * e.a[k][l];
			e.b[j] -= by * e.b[k];
		}
	}
	for (int k = terms - 1; k >= 0; k--) {
		beta[k] = e.b[k];
		for (int l = k + 1; l < terms; l++)
			beta[k] -= e.a[k][l] * beta[l];
		beta[k] /= e.a[k][k];
	}
	return true;
}

static bool solve(const struct problem *p, const struct sums *s, double *beta)
{
	if (p->terms > 2)
		return solve_many(s, p->terms, beta);
	if (p->terms == 1) {
		beta[0] = s->b[0] / s->a[0][0];
		return s->a[0][0] > 0;
	}
	double det = s->a[0][0] * s->a[1][1] - s->a[0][1] * s->a[1][0];
	if (!(det > 1e-12 * s->a[0][0] * s->a[1][1]))
		return false;
	beta[0] = (s->a[1][1] * s->b[0] - s->a[0][1] * s->b[1]) / det;
	beta[1] = (s->a[0][0] * s->b[1] - s->a[1][0] * s->b[0]) / det;
	return true;
}

static void fit_weighted(struct problem *p)
{
	struct sums s = {0};
	double beta[TERMS];
	for (size_t i = 0; i < p->n; i++)
		add_point(p, i, p->weight[i], &s);
	if (solve(p, &s, beta))
		memcpy(p->beta, beta, sizeof(beta[0]) * (size_t)p->terms);
}

/* Scale of the residuals: 1.4826 times their median size, a little more for the terms
 * spent. */
static double robust_scale(struct problem *p)
{
	for (size_t i = 0; i < p->n; i++)
		p->scratch[i] = fabs(residual(p, i));
	double spent = p->n > (size_t)p->terms ? (double)p->n / (double)(p->n - (size_t)p->terms) : 1;
	return 1.4826 * gsl_stats_median(p->scratch, 1, p->n) * sqrt(spent);
}

static double bisquare_weight(double u)
{
	double v = 1 - u * u / (BISQUARE * BISQUARE);
	return v > 0 ? v * v : 0;
}

static double bisquare_slope(double u)
{
	double q = u * u / (BISQUARE * BISQUARE);
	return q < 1 ? (1 - q) * (1 - 5 * q) : 0;
}

static void reweight(struct problem *p, bool huber)
{
	for (size_t i = 0; i < p->n; i++) {
		double u = p->scale > 0 ? residual(p, i) / p->scale : 0;
		double w = huber ? fmin(1, HUBER / fmax(fabs(u), 1e-12)) : bisquare_weight(u);
		p->weight[i] = p->given[i] * w;
		p->curvature[i] = p->given[i] * bisquare_slope(u);
	}
}

/* Iteratively reweighted least squares; the scale moves in the Huber phase only. */
static void fit_robust(struct problem *p)
{
	memcpy(p->weight, p->given, sizeof(*p->weight) * p->n);
	memcpy(p->scratch, p->y, sizeof(*p->y) * p->n);
	p->beta[0] = gsl_stats_median(p->scratch, 1, p->n);
	for (int j = 1; j < TERMS; j++)
		p->beta[j] = 0;
	if (p->terms > 1)
		fit_weighted(p);
	for (int round = 0; round < 40; round++) {
		bool huber = round < 20;
		double before[TERMS], change = 0, size = 0;
		memcpy(before, p->beta, sizeof(before));
		if (huber)
			p->scale = robust_scale(p);
		reweight(p, huber);
		fit_weighted(p);
		for (int j = 0; j < p->terms; j++) {
			change += fabs(p->beta[j] - before[j]);
			size += fabs(before[j]);
		}
		if (change <= 1e-12 * size && !huber)
			break;
	}
	reweight(p, false);
}

/* --- blocks of turns and the bootstrap ------------------------------------------- */

struct blocks {
	size_t n;
	struct sums *sum;
	double map[TERMS][TERMS]; /* from a resampled weighted fit to the M-estimator */
};

struct place {
	int64_t turn;
	size_t index;
};

static int compare_place(const void *a, const void *b)
{
	const struct place *x = a, *y = b;
	if (x->turn != y->turn)
		return x->turn < y->turn ? -1 : 1;
	return (x->index > y->index) - (x->index < y->index);
}

/* (sum curvature x x')^-1 (sum weight x x') */
static void influence_map(const struct problem *p, struct blocks *b)
{
	struct sums w = {0}, c = {0};
	for (size_t i = 0; i < p->n; i++) {
		add_point(p, i, p->weight[i], &w);
		add_point(p, i, p->curvature[i], &c);
	}
	for (int k = 0; k < p->terms; k++) {
		double column[TERMS] = {0};
		struct sums s = c;
		for (int j = 0; j < p->terms; j++)
			s.b[j] = w.a[j][k];
		if (!solve(p, &s, column))
			column[k] = 1;
		for (int j = 0; j < p->terms; j++)
			b->map[j][k] = column[j];
	}
}

static int64_t block_turns(const struct place *place, size_t n)
{
	int64_t span = place[n - 1].turn - place[0].turn + 1;
	int64_t turns = DELAY_BLOCK_TURNS;
	while (turns > 1 && span / turns < 8)
		turns--;
	return turns;
}

static int make_blocks(const struct problem *p, struct blocks *b)
{
	struct place *place = malloc(sizeof(*place) * p->n);
	b->sum = calloc(p->n, sizeof(*b->sum));
	if (place == NULL || b->sum == NULL) {
		free(place);
		free(b->sum);
		return -1;
	}
	for (size_t i = 0; i < p->n; i++)
		place[i] = (struct place){p->turn != NULL ? p->turn[i] : (int64_t)i, i};
	qsort(place, p->n, sizeof(*place), compare_place);
	int64_t turns = block_turns(place, p->n), last = INT64_MIN;
	b->n = 0;
	for (size_t i = 0; i < p->n; i++) {
		int64_t number = (place[i].turn - place[0].turn) / turns;
		if (number != last)
			b->n++;
		last = number;
		add_point(p, place[i].index, p->weight[place[i].index], &b->sum[b->n - 1]);
	}
	free(place);
	influence_map(p, b);
	return 0;
}

static void add_sums(struct sums *to, const struct sums *s, double by)
{
	for (int j = 0; j < TERMS; j++) {
		for (int k = 0; k < TERMS; k++)
			to->a[j][k] += by * s->a[j][k];
		to->b[j] += by * s->b[j];
	}
}

/* The estimate these sums would have given; false when they are singular. */
static bool estimate(const struct problem *p, const struct blocks *b, const struct sums *s, double *out)
{
	double fit[TERMS];
	if (!solve(p, s, fit))
		return false;
	for (int j = 0; j < p->terms; j++) {
		out[j] = p->beta[j];
		for (int k = 0; k < p->terms; k++)
			out[j] += b->map[j][k] * (fit[k] - p->beta[k]);
	}
	return true;
}

/* What an interval is wanted of: a sum of the betas. */
struct wanted {
	double c[TERMS];
};

static double combine(const struct wanted *w, const double *beta, int terms)
{
	double sum = w->c[0] * beta[0];
	for (int j = 1; j < terms; j++)
		sum += w->c[j] * beta[j];
	return sum;
}

/* Acceleration from leaving out one block at a time (Efron 1987). */
static double acceleration(const struct problem *p, const struct blocks *b, const struct sums *all,
                           const struct wanted *w, double *scratch)
{
	double mean = 0, square = 0, cube = 0;
	for (size_t i = 0; i < b->n; i++) {
		struct sums s = *all;
		double beta[TERMS] = {0};
		add_sums(&s, &b->sum[i], -1);
		scratch[i] = estimate(p, b, &s, beta) ? combine(w, beta, p->terms) : 0;
		mean += scratch[i] / (double)b->n;
	}
	for (size_t i = 0; i < b->n; i++) {
		double off = mean - scratch[i];
		square += off * off;
		cube += off * off * off;
	}
	return square > 0 ? cube / (6 * pow(square, 1.5)) : 0;
}

/* BCa limits from sorted resamples. */
static void bca_limits(const double *sorted, size_t n, double value, double a, double *limits)
{
	size_t below = 0;
	while (below < n && sorted[below] < value)
		below++;
	double share = fmin(fmax((double)below / (double)n, 0.5 / (double)n), 1 - 0.5 / (double)n);
	double z0 = gsl_cdf_ugaussian_Pinv(share);
	for (int side = 0; side < 2; side++) {
		double z = z0 + (side == 0 ? -1.959964 : 1.959964);
		double q = gsl_cdf_ugaussian_P(z0 + z / (1 - a * z));
		limits[side] = quantile_sorted(sorted, n, q);
	}
}

/* Few blocks: a resample of m of them scatters by sqrt((m-1)/m) too little, and its sd is itself
 * uncertain (Student's t). */
static double small_sample_factor(size_t blocks)
{
	double m = (double)blocks;
	return gsl_cdf_tdist_Pinv(0.975, m - 1) / 1.959964 * sqrt(m / (m - 1));
}

/* Resampled fits, beta by beta. */
static size_t resample(const struct problem *p, const struct blocks *b, double (*beta)[TERMS])
{
	size_t n = 0;
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_taus2);
	if (rng == NULL)
		return 0;
	gsl_rng_set(rng, SEED);
	for (int r = 0; r < RESAMPLES; r++) {
		struct sums s = {0};
		for (size_t i = 0; i < b->n; i++)
			add_sums(&s, &b->sum[gsl_rng_uniform_int(rng, b->n)], 1);
		n += estimate(p, b, &s, beta[n]);
	}
	gsl_rng_free(rng);
	return n;
}

static int intervals(const struct problem *p, const struct wanted *wanted, int count, double (*ci)[2])
{
	struct blocks b = {0};
	double(*beta)[TERMS] = malloc(sizeof(*beta) * RESAMPLES);
	double *sorted = malloc(sizeof(*sorted) * (RESAMPLES + p->n));
	int status = beta == NULL || sorted == NULL ? -1 : make_blocks(p, &b);
	size_t n = status == 0 && b.n > 1 ? resample(p, &b, beta) : 0;
	struct sums all = {0};
	for (size_t i = 0; i < (n > 0 ? b.n : 0); i++)
		add_sums(&all, &b.sum[i], 1);
	for (int k = 0; k < count && n > RESAMPLES / 2; k++) {
		double value = combine(&wanted[k], p->beta, p->terms), limits[2];
		double a = acceleration(p, &b, &all, &wanted[k], sorted + RESAMPLES);
		for (size_t i = 0; i < n; i++)
			sorted[i] = combine(&wanted[k], beta[i], p->terms);
		gsl_sort(sorted, 1, n);
		bca_limits(sorted, n, value, a, limits);
		for (int side = 0; side < 2; side++)
			ci[k][side] = value + (limits[side] - value) * small_sample_factor(b.n);
	}
	if (status == 0)
		free(b.sum);
	free(beta);
	free(sorted);
	return status;
}

/* --- the public questions ------------------------------------------------------ */

static bool problem_new(struct problem *p, const double *y, const int64_t *turn, size_t n, int terms)
{
	*p = (struct problem){.n = n, .terms = terms, .y = y, .turn = turn};
	p->given = malloc(sizeof(double) * n * 4);
	if (p->given == NULL)
		return false;
	p->weight = p->given + n;
	p->curvature = p->weight + n;
	p->scratch = p->curvature + n;
	for (size_t i = 0; i < n; i++)
		p->given[i] = 1;
	return true;
}

int delay_mean(const double *x, const int64_t *turn, size_t n, struct delay_mean *out)
{
	struct problem p;
	*out = (struct delay_mean){.n = n, .mean = NAN, .spread = NAN, .ci95 = {NAN, NAN}};
	if (n == 0)
		return 0;
	if (!problem_new(&p, x, turn, n, 1))
		return -1;
	fit_robust(&p);
	out->mean = p.beta[0];
	out->spread = n > 1 ? p.scale : NAN;
	const struct wanted itself = {{1, 0}};
	int status = n < 3 ? 0 : intervals(&p, &itself, 1, &out->ci95);
	free(p.given);
	return status;
}

/* Learns s_a and s_t from the residuals' size in the slower and the faster half. */
static void learn_weights(struct problem *p, const double *speed)
{
	double size[2], square[2] = {0};
	size_t n[2] = {0};
	memcpy(p->scratch, speed, sizeof(*speed) * p->n);
	double middle = gsl_stats_median(p->scratch, 1, p->n);
	for (int fast = 0; fast < 2; fast++) {
		for (size_t i = 0; i < p->n; i++) {
			if ((speed[i] > middle) != fast)
				continue;
			p->scratch[n[fast]++] = fabs(residual(p, i));
			square[fast] += speed[i] * speed[i];
		}
		if (n[fast] < 8)
			return;
		square[fast] /= (double)n[fast];
		size[fast] = pow(1.4826 * gsl_stats_median(p->scratch, 1, n[fast]), 2);
	}
	if (!(size[1] > 0 && size[0] > 0 && square[1] > square[0]))
		return;
	double st2 = fmax((size[1] - size[0]) / (square[1] - square[0]), 0);
	double sa2 = fmax(size[0] - st2 * square[0], 0.05 * size[0]);
	for (size_t i = 0; i < p->n; i++)
		p->given[i] = sa2 / (sa2 + st2 * speed[i] * speed[i]);
}

/* t value of a quadratic term added to the line: partial regression of the
 * residuals on the square, both freed of the line (weighted). */
static double bend(const struct problem *p)
{
	struct problem q = *p;
	double *square = malloc(sizeof(*square) * p->n);
	if (square == NULL)
		return NAN;
	for (size_t i = 0; i < p->n; i++)
		square[i] = p->z[0][i] * p->z[0][i];
	q.y = square;
	fit_weighted(&q);
	double cross = 0, norm = 0, noise = 0;
	for (size_t i = 0; i < p->n; i++) {
		double robust = p->weight[i] / p->given[i];
		double left = residual(p, i), off = residual(&q, i);
		cross += robust * left * off;
		norm += robust * off * off;
		noise += robust * robust * left * left * off * off;
	}
	free(square);
	return noise > 0 && norm > 0 ? cross / sqrt(noise) : 0;
}

static int fit_line(struct problem *p, const double *speed, struct delay_line *out)
{
	fit_robust(p);
	learn_weights(p, speed);
	fit_robust(p);
	out->slope = p->beta[1];
	out->at_mean = p->beta[0];
	out->at_zero = p->beta[0] - p->beta[1] * out->mean_speed;
	out->bend_t = bend(p);
	const struct wanted wanted[3] = {{{1, -out->mean_speed}}, {{0, 1}}, {{1, 0}}};
	double ci[3][2] = {{NAN, NAN}, {NAN, NAN}, {NAN, NAN}};
	int status = intervals(p, wanted, 3, ci);
	memcpy(out->at_zero_ci95, ci[0], sizeof(ci[0]));
	memcpy(out->slope_ci95, ci[1], sizeof(ci[1]));
	memcpy(out->at_mean_ci95, ci[2], sizeof(ci[2]));
	return status;
}

/* Too little span to tell the two apart: the line still serves for its middle. */
static void keep_middle_only(struct delay_line *out)
{
	out->slope = out->at_zero = out->bend_t = NAN;
	for (int side = 0; side < 2; side++)
		out->slope_ci95[side] = out->at_zero_ci95[side] = NAN;
}

static int fit_mean_only(struct problem *p, struct delay_line *out)
{
	p->terms = 1;
	fit_robust(p);
	out->at_mean = p->beta[0];
	const struct wanted itself = {{1, 0}};
	return p->n < 3 ? 0 : intervals(p, &itself, 1, &out->at_mean_ci95);
}

/* Both directions of turning span more than any range of one. */
static bool spans_enough(double low, double high)
{
	double slow = fmin(fabs(low), fabs(high)), fast = fmax(fabs(low), fabs(high));
	return low * high < 0 || (slow > 0 && fast / slow >= DELAY_SPAN_LEAST);
}

static void no_line(struct delay_line *out, size_t n)
{
	*out = (struct delay_line){.n = n,
	                           .at_zero = NAN,
	                           .slope = NAN,
	                           .at_mean = NAN,
	                           .mean_speed = NAN,
	                           .at_zero_ci95 = {NAN, NAN},
	                           .slope_ci95 = {NAN, NAN},
	                           .at_mean_ci95 = {NAN, NAN},
	                           .speed_low = NAN,
	                           .speed_high = NAN,
	                           .bend_t = NAN};
}

/* Quantiles and mean of the speeds; the speeds less their mean go to `z`. */
static void centre_speeds(const double *speed, size_t n, double *z, struct delay_line *out)
{
	memcpy(z, speed, sizeof(*z) * n);
	gsl_sort(z, 1, n);
	out->speed_low = quantile_sorted(z, n, 0.02);
	out->speed_high = quantile_sorted(z, n, 0.98);
	double sum = 0;
	for (size_t i = 0; i < n; i++)
		sum += speed[i];
	out->mean_speed = sum / (double)n;
	for (size_t i = 0; i < n; i++)
		z[i] = speed[i] - out->mean_speed;
	out->separable = n >= 8 && spans_enough(out->speed_low, out->speed_high);
}

/* The line, or only the mean where the speeds are all but one; `p` is left with its weights. */
static int line_of(struct problem *p, const double *speed, double *z, struct delay_line *out)
{
	centre_speeds(speed, p->n, z, out);
	p->z[0] = z;
	bool line = p->n >= 8 && out->speed_high - out->speed_low > 0.01 * fabs(out->mean_speed);
	return line ? fit_line(p, speed, out) : fit_mean_only(p, out);
}

int delay_line(const double *speed, const double *y, const int64_t *turn, size_t n, struct delay_line *out)
{
	int status = delay_slope(speed, y, turn, n, out);
	if (!out->separable)
		keep_middle_only(out);
	return status;
}

int delay_slope(const double *x, const double *y, const int64_t *turn, size_t n, struct delay_line *out)
{
	struct problem p;
	no_line(out, n);
	if (n == 0)
		return 0;
	double *z = malloc(sizeof(*z) * n);
	if (z == NULL || !problem_new(&p, y, turn, n, 2)) {
		free(z);
		return -1;
	}
	int status = line_of(&p, x, z, out);
	free(p.given);
	free(z);
	return status;
}

/* --- what a whole is made of -------------------------------------------------------- */

/* Of one part, at the mean speed, with the weights of the whole. */
static double part_at_mean(const struct problem *whole, const double *part, double *values, double *weight)
{
	struct problem p = *whole;
	bool known = false;
	for (size_t i = 0; i < p.n; i++) {
		bool use = !isnan(part[i]);
		values[i] = use ? part[i] : 0;
		weight[i] = use ? whole->weight[i] : 0;
		known = known || weight[i] > 0;
	}
	p.y = values;
	p.weight = weight;
	p.beta[0] = NAN;
	if (known)
		fit_weighted(&p);
	return p.beta[0];
}

static void split(struct problem *p, const double *const *part, int parts, double *store,
                  struct delay_split *out)
{
	out->whole = part_at_mean(p, p->y, store, store + p->n);
	for (int k = 0; k < parts; k++)
		out->part[k] = part_at_mean(p, part[k], store, store + p->n);
	for (size_t i = 0; i < p->n; i++)
		p->given[i] = 1;
	out->spread = p->n > 2 ? robust_scale(p) : NAN;
}

int delay_split(const double *speed, const double *y, const double *const *part, int parts,
                const int64_t *turn, size_t n, struct delay_split *out)
{
	struct problem p;
	struct delay_line line;
	*out = (struct delay_split){
	    .n = n, .mean_speed = NAN, .whole = NAN, .whole_ci95 = {NAN, NAN}, .spread = NAN};
	for (int k = 0; k < parts; k++)
		out->part[k] = NAN;
	if (n == 0)
		return 0;
	double *z = malloc(sizeof(*z) * n * 3);
	if (z == NULL || !problem_new(&p, y, turn, n, 2)) {
		free(z);
		return -1;
	}
	no_line(&line, n);
	int status = line_of(&p, speed, z, &line);
	out->mean_speed = line.mean_speed;
	memcpy(out->whole_ci95, line.at_mean_ci95, sizeof(out->whole_ci95));
	split(&p, part, parts, z + n, out);
	free(p.given);
	free(z);
	return status;
}

/* --- a plane ----------------------------------------------------------------------- */

/* Span and middle of one cause; its values less the middle go to `z`. */
static void centre_cause(const double *x, size_t n, double *z, struct delay_cause *out)
{
	double sum = 0;
	memcpy(z, x, sizeof(*z) * n);
	gsl_sort(z, 1, n);
	out->low = quantile_sorted(z, n, 0.02);
	out->high = quantile_sorted(z, n, 0.98);
	for (size_t i = 0; i < n; i++)
		sum += x[i];
	out->mean = sum / (double)n;
	for (size_t i = 0; i < n; i++)
		z[i] = x[i] - out->mean;
}

static double correlation(const double *a, const double *b, size_t n)
{
	double ab = 0, aa = 0, bb = 0;
	for (size_t i = 0; i < n; i++) {
		ab += a[i] * b[i];
		aa += a[i] * a[i];
		bb += b[i] * b[i];
	}
	return aa > 0 && bb > 0 ? ab / sqrt(aa * bb) : 0;
}

/* Which other cause moved most like this one. */
static void find_alike(const struct problem *p, int j, struct delay_cause *out)
{
	for (int k = 0; k + 1 < p->terms; k++) {
		double alike = k == j ? 0 : correlation(p->z[j], p->z[k], p->n);
		if (fabs(alike) > fabs(out->alike)) {
			out->alike = alike;
			out->with = k;
		}
	}
}

static int fit_plane(struct problem *p, struct delay_plane *out)
{
	static const struct wanted wanted[DELAY_CAUSES] = {{{0, 1}}, {{0, 0, 1}}, {{0, 0, 0, 1}}};
	double ci[DELAY_CAUSES][2] = {{NAN, NAN}, {NAN, NAN}, {NAN, NAN}};
	fit_robust(p);
	int status = intervals(p, wanted, p->terms - 1, ci);
	for (int j = 0; j + 1 < p->terms; j++) {
		out->cause[j].per = p->beta[j + 1];
		memcpy(out->cause[j].per_ci95, ci[j], sizeof(ci[j]));
	}
	return status;
}

static const struct delay_cause no_cause = {NAN, {NAN, NAN}, NAN, NAN, NAN, 0, 0};

int delay_span(const double *x, size_t n, struct delay_cause *out)
{
	*out = no_cause;
	if (n == 0)
		return 0;
	double *z = malloc(sizeof(*z) * n);
	if (z == NULL)
		return -1;
	centre_cause(x, n, z, out);
	free(z);
	return 0;
}

int delay_plane(const double *const *x, int causes, const double *y, const int64_t *turn, size_t n,
                struct delay_plane *out)
{
	struct problem p;
	*out = (struct delay_plane){.n = n};
	for (int j = 0; j < DELAY_CAUSES; j++)
		out->cause[j] = no_cause;
	if (n < 8 || causes < 1)
		return 0;
	double *z = malloc(sizeof(*z) * n * DELAY_CAUSES);
	if (z == NULL || !problem_new(&p, y, turn, n, 1 + causes)) {
		free(z);
		return -1;
	}
	for (int j = 0; j < causes; j++) {
		centre_cause(x[j], n, z + (size_t)j * n, &out->cause[j]);
		p.z[j] = z + (size_t)j * n;
	}
	for (int j = 0; j < causes; j++)
		find_alike(&p, j, &out->cause[j]);
	int status = fit_plane(&p, out);
	free(p.given);
	free(z);
	return status;
}
