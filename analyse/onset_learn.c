/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the events of one kind share: Gauss-Newton over all windows at once,
 * each window's own t50, p0 and other passage eliminated (Schur complement), so the cost grows with the
 * number of windows only. */
#include "analyse/onset.h"
#include "analyse/spd.h"

#include <math.h>
#include <string.h>

#define OWN 3    /* t50, p0, the other passage's time: the first of the enum */
#define SHARED 6 /* K, warm0, H, ramp, b, leak */

_Static_assert(OWN + SHARED == ONSET_PARAMETERS, "every parameter is one or the other");

static const double difference[ONSET_PARAMETERS] = {1e-4, 1e-3, 1e-4, 5e-3, 1e-2, 1e-2, 1e-2, 5e-3, 1e-3};
static const double limit[ONSET_PARAMETERS] = {3e-3, 0.3, 2e-3, 0.3, 0.1, 0.7, 0.4, 0.1, 0.02};

struct block { /* one window's normal equations */
	double own[SPD_MAX * SPD_MAX], cross[OWN][SHARED], shared[SPD_MAX * SPD_MAX];
	double own_b[SPD_MAX], shared_b[SPD_MAX];
	double inverse[SPD_MAX * SPD_MAX]; /* of own */
};

static double precision(double sd)
{
	return sd > 0 ? 1 / (sd * sd) : 1e12;
}

static double huber_weight(double r)
{
	return fmin(1, 3 / fmax(fabs(r), 1e-9));
}

static double huber_loss(double r)
{
	return fabs(r) <= 3 ? r * r : 3 * (2 * fabs(r) - 3);
}

static double t50_offset(const struct onset_prior *prior, double t50_s)
{
	return (t50_s - prior->mean[ONSET_T50]) / prior->sd[ONSET_T50];
}

/* A window that no parameters fit must not outvote the others: its misfit S counts as
 * c n log(1 + S / (c n)). */
static double tame(double misfit, size_t n)
{
	double enough = 4 * (double)n;
	return enough * log1p(misfit / enough);
}

static double tame_slope(double misfit, size_t n)
{
	return 1 / (1 + misfit / (4 * (double)n));
}

static double window_objective(const struct onset_window *w, const struct onset_prior *prior,
                               const double *value)
{
	double predicted[1][ONSET_SAMPLES_MAX], sum = 0, z = t50_offset(prior, value[ONSET_T50]);
	onset_predict(w, (const double(*)[ONSET_PARAMETERS])value, 1, predicted);
	for (size_t i = 0; i < w->n; i++)
		sum += huber_loss((w->p_pa[i] - predicted[0][i]) / w->noise_pa);
	double shift = value[ONSET_OTHER] / prior->sd[ONSET_OTHER];
	return tame(sum, w->n) + 5 * log1p(z * z / 4) + shift * shift;
}

static double shared_prior(const struct onset_prior *prior, const double *value)
{
	double sum = 0;
	for (int j = OWN; j < ONSET_PARAMETERS; j++) {
		double off = value[j] - prior->mean[j];
		sum += precision(prior->sd[j]) * off * off;
	}
	return sum;
}

#define PLACES (ONSET_PARAMETERS + 1) /* one, and one a parameter moved */

/* Residual and all derivatives of one window, in noise units. */
static void linearise(const struct onset_window *w, const double *value, double *residual,
                      double (*slope)[ONSET_SAMPLES_MAX])
{
	double moved[PLACES][ONSET_PARAMETERS], out[PLACES][ONSET_SAMPLES_MAX];
	for (int j = 0; j < PLACES; j++) {
		memcpy(moved[j], value, sizeof(moved[j]));
		if (j > 0)
			moved[j][j - 1] += difference[j - 1];
	}
	for (size_t l = 0; l < PLACES; l += ONSET_LANES)
		onset_predict(w, (const double(*)[ONSET_PARAMETERS])moved + l,
		              PLACES - l < ONSET_LANES ? PLACES - l : ONSET_LANES, out + l);
	for (size_t i = 0; i < w->n; i++)
		residual[i] = (w->p_pa[i] - out[0][i]) / w->noise_pa;
	for (int j = 0; j < ONSET_PARAMETERS; j++)
		for (size_t i = 0; i < w->n; i++)
			slope[j][i] = (out[j + 1][i] - out[0][i]) / (difference[j] * w->noise_pa);
}

static void put(struct block *b, int i, int j, double sum)
{
	if (j < OWN)
		b->own[i * SPD_MAX + j] = b->own[j * SPD_MAX + i] = sum;
	else if (i < OWN)
		b->cross[i][j - OWN] = sum;
	else
		b->shared[(i - OWN) * SPD_MAX + j - OWN] = b->shared[(j - OWN) * SPD_MAX + i - OWN] = sum;
}

/* Normal equations of one window; t50's prior belongs to it. */
static bool fill_block(const struct onset_window *w, const struct onset_prior *prior, const double *value,
                       struct block *b)
{
	double residual[ONSET_SAMPLES_MAX], slope[ONSET_PARAMETERS][ONSET_SAMPLES_MAX];
	double weight[ONSET_SAMPLES_MAX], misfit = 0;
	linearise(w, value, residual, slope);
	for (size_t i = 0; i < w->n; i++)
		misfit += huber_loss(residual[i]);
	for (size_t i = 0; i < w->n; i++)
		weight[i] = huber_weight(residual[i]) * tame_slope(misfit, w->n);
	for (int j = 0; j < ONSET_PARAMETERS; j++) {
		double right = 0;
		for (size_t i = 0; i < w->n; i++)
			right += weight[i] * residual[i] * slope[j][i];
		*(j < OWN ? &b->own_b[j] : &b->shared_b[j - OWN]) = right;
		for (int k = 0; k <= j; k++) {
			double sum = 0;
			for (size_t i = 0; i < w->n; i++)
				sum += weight[i] * slope[j][i] * slope[k][i];
			put(b, k, j, sum);
		}
	}
	double z = t50_offset(prior, value[ONSET_T50]);
	double pull = 5 / (4 + z * z) * precision(prior->sd[ONSET_T50]);
	b->own[0] += pull;
	b->own_b[0] += pull * (prior->mean[ONSET_T50] - value[ONSET_T50]);
	b->own[SPD_MAX + 1] += 1; /* p0 within 100 %: only keeps the block regular */
	pull = precision(prior->sd[ONSET_OTHER]);
	b->own[2 * SPD_MAX + 2] += pull;
	b->own_b[2] -= pull * value[ONSET_OTHER];
	return spd_inverse(b->own, OWN, b->inverse);
}

/* inverse * (cross column j, or own_b when j < 0) */
static void eliminated(const struct block *b, int j, double out[OWN])
{
	for (int i = 0; i < OWN; i++) {
		out[i] = 0;
		for (int k = 0; k < OWN; k++)
			out[i] += b->inverse[i * SPD_MAX + k] * (j < 0 ? b->own_b[k] : b->cross[k][j]);
	}
}

static void add_reduced(const struct block *b, double *s, double *right)
{
	double part[OWN];
	eliminated(b, -1, part);
	for (int j = 0; j < SHARED; j++) {
		right[j] += b->shared_b[j];
		for (int k = 0; k < OWN; k++)
			right[j] -= b->cross[k][j] * part[k];
	}
	for (int j = 0; j < SHARED; j++) {
		eliminated(b, j, part);
		for (int i = 0; i < SHARED; i++) {
			s[i * SPD_MAX + j] += b->shared[i * SPD_MAX + j];
			for (int k = 0; k < OWN; k++)
				s[i * SPD_MAX + j] -= b->cross[k][i] * part[k];
		}
	}
}

static void add_prior(const struct onset_prior *prior, const double *value, double *s, double *right)
{
	for (int j = 0; j < SHARED; j++) {
		double weight = precision(prior->sd[j + OWN]);
		s[j * SPD_MAX + j] += weight;
		right[j] += weight * (prior->mean[j + OWN] - value[j + OWN]);
	}
}

/* Keeps a shared parameter where it means something: T/Tw 0.5..2, b 0.05..0.6. */
static double sensible(int j, double x)
{
	if (j == ONSET_WARM0)
		return fmin(fmax(x, -0.7), 0.7);
	return j == ONSET_B ? fmin(fmax(x, 0.05), 0.6) : x;
}

static double limited(int j, double step)
{
	return fmin(fmax(step, -limit[j]), limit[j]);
}

/* Moves one window's parameters by the shared step and what follows from it. */
static void take_step(const struct block *b, const double *shared_step, double by, const double *from,
                      double *to)
{
	double own[OWN], part[OWN];
	eliminated(b, -1, own);
	for (int j = 0; j < SHARED; j++) {
		eliminated(b, j, part);
		for (int i = 0; i < OWN; i++)
			own[i] -= part[i] * shared_step[j];
	}
	for (int i = 0; i < OWN; i++)
		to[i] = from[i] + by * limited(i, own[i]);
	for (int j = 0; j < SHARED; j++)
		to[j + OWN] = sensible(j + OWN, from[j + OWN] + by * shared_step[j]);
}

struct learning {
	const struct onset_window *w;
	size_t n;
	const struct onset_prior *prior;
	const bool *use;
	double (*value)[ONSET_PARAMETERS];
	double shared[ONSET_PARAMETERS]; /* the shared parameters in force */
};

static double total(const struct learning *l)
{
	double sum = shared_prior(l->prior, l->shared);
	for (size_t i = 0; i < l->n; i++)
		if (l->use[i])
			sum += window_objective(&l->w[i], l->prior, l->value[i]);
	return sum;
}

#define BLOCKS_MAX 64

static bool gather(const struct learning *l, struct block *block, double *s, double *right)
{
	memset(s, 0, sizeof(*s) * SPD_MAX * SPD_MAX);
	memset(right, 0, sizeof(*right) * SPD_MAX);
	for (size_t i = 0; i < l->n; i++) {
		if (!l->use[i])
			continue;
		memset(&block[i], 0, sizeof(block[i]));
		if (!fill_block(&l->w[i], l->prior, l->value[i], &block[i]))
			return false;
		add_reduced(&block[i], s, right);
	}
	add_prior(l->prior, l->shared, s, right);
	return true;
}

/* Tries ever shorter steps; false when none is better. */
static bool improve(struct learning *l, const struct block *block, double *step, double *sum)
{
	double before[BLOCKS_MAX][ONSET_PARAMETERS], shared[ONSET_PARAMETERS];
	memcpy(before, l->value, sizeof(*before) * l->n);
	memcpy(shared, l->shared, sizeof(shared));
	for (int j = 0; j < SHARED; j++)
		step[j] = limited(j + OWN, step[j]);
	for (double by = 1; by > 0.1; by /= 2) {
		for (int j = 0; j < SHARED; j++)
			l->shared[j + OWN] = sensible(j + OWN, shared[j + OWN] + by * step[j]);
		for (size_t i = 0; i < l->n; i++)
			if (l->use[i])
				take_step(&block[i], step, by, before[i], l->value[i]);
		double tried = total(l);
		if (tried < *sum) {
			*sum = tried;
			return true;
		}
	}
	memcpy(l->value, before, sizeof(*before) * l->n);
	memcpy(l->shared, shared, sizeof(shared));
	return false;
}

/* How the shared parameters' doubt moves the t50 of the windows, on average. */
static double common_sd(const struct learning *l, const struct block *block, const double *inverse)
{
	double slope[SHARED] = {0}, part[OWN], n = 0, variance = 0;
	for (size_t i = 0; i < l->n; i++) {
		if (!l->use[i])
			continue;
		for (int j = 0; j < SHARED; j++) {
			eliminated(&block[i], j, part);
			slope[j] -= part[ONSET_T50];
		}
		n++;
	}
	for (int j = 0; j < SHARED; j++)
		for (int k = 0; k < SHARED; k++)
			variance += slope[j] * slope[k] * inverse[j * SPD_MAX + k];
	return n > 0 ? sqrt(fmax(variance, 0)) / n : 0;
}

static void share(struct learning *l)
{
	for (size_t i = 0; i < l->n; i++)
		memcpy(l->value[i] + OWN, l->shared + OWN, sizeof(double) * SHARED);
}

static void note_shared(const struct learning *l, const struct block *block, const double *inverse,
                        struct onset_shared *out)
{
	out->t50_common_s = common_sd(l, block, inverse);
	for (int j = 0; j < SHARED; j++)
		out->sd[j + OWN] = sqrt(inverse[j * SPD_MAX + j]);
}

double onset_learn(const struct onset_window *w, size_t n, const struct onset_prior *prior,
                   double (*value)[ONSET_PARAMETERS], const bool *use, struct onset_shared *shared)
{
	struct learning l = {
	    .w = w, .n = n < BLOCKS_MAX ? n : BLOCKS_MAX, .prior = prior, .use = use, .value = value};
	struct block block[BLOCKS_MAX];
	double s[SPD_MAX * SPD_MAX], right[SPD_MAX], step[SPD_MAX], inverse[SPD_MAX * SPD_MAX];
	for (size_t i = 0; i < l.n; i++)
		if (use[i])
			memcpy(l.shared, value[i], sizeof(l.shared));
	share(&l);
	double sum = total(&l);
	for (int j = 0; j < ONSET_PARAMETERS; j++)
		shared->sd[j] = NAN;
	shared->t50_common_s = 0;
	for (int round = 0; round < 12; round++) {
		double before = sum;
		if (!gather(&l, block, s, right) || !spd_solve(s, right, SHARED, step))
			break;
		if (spd_inverse(s, SHARED, inverse))
			note_shared(&l, block, inverse, shared);
		if (!improve(&l, block, step, &sum) || before - sum < 0.05)
			break;
	}
	share(&l);
	return sum;
}
