/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/coil_current.h"

#include "analyse/spd.h"

#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <string.h>

#define BEFORE_US 5e3
#define AFTER_US 80e3 /* an armature that has not moved by then does not */
#define LEAST_US 15e3 /* of the command: a shorter one tells nothing */
#define SAMPLES_MAX 512
#define SAMPLES_LEAST 16
#define HOLE 3.0         /* samples apart, of what is usual: no more than that */
#define CLEAR 5.0        /* times the noise */
#define DEAD_SHARE 0.03  /* of the channel's range: less is no current */
#define DIP_CLEAR 7.0    /* the same of a dip, which is looked for in many places */
#define DIP_SHARE 0.02   /* of the greatest current (judgement) */
#define STILL_SHARE 0.05 /* as deep dips would show: else that there is none tells nothing (judgement) */
#define RISEN 0.1        /* of the greatest current: it rises */
#define RISE_BEFORE 5    /* samples about it that show the beginning of the rise */
#define RISE_AFTER 3
#define DIP_BEFORE 3 /* samples about the dip */
#define DIP_AFTER 5
#define PLACES 100 /* tried, two samples' distance over */

struct wave {
	double t_s[SAMPLES_MAX], a[SAMPLES_MAX]; /* after the command */
	size_t n;
	double interval_s, noise_a;
};

/* From second differences: a smooth curve has small ones. */
static double noise_of(const struct wave *w)
{
	double off[SAMPLES_MAX];
	for (size_t i = 1; i + 1 < w->n; i++)
		off[i - 1] = fabs(w->a[i - 1] - 2 * w->a[i] + w->a[i + 1]);
	return gsl_stats_median(off, 1, w->n - 2) * 1.4826 / sqrt(6);
}

/* False where there is too little, or a hole. */
static bool gather(const struct ride_series *s, double command_us, double until_us, struct wave *w)
{
	double apart[SAMPLES_MAX];
	size_t i = ride_lower_bound(s->t_us, s->n, (int64_t)(command_us - BEFORE_US));
	w->n = 0;
	for (; i < s->n && (double)s->t_us[i] < until_us && w->n < SAMPLES_MAX; i++) {
		w->t_s[w->n] = ((double)s->t_us[i] - command_us) * 1e-6;
		w->a[w->n++] = (double)s->value[i];
	}
	if (w->n < SAMPLES_LEAST || w->t_s[0] > 0)
		return false;
	for (size_t k = 1; k < w->n; k++)
		apart[k - 1] = w->t_s[k] - w->t_s[k - 1];
	double most = 0;
	for (size_t k = 0; k + 1 < w->n; k++)
		most = fmax(most, apart[k]);
	w->interval_s = gsl_stats_median(apart, 1, w->n - 1);
	w->noise_a = noise_of(w);
	return most < HOLE * w->interval_s;
}

#define COLUMNS 5

/* Least squares of y over the columns; the sum of squares that is left, INFINITY when it cannot be told. */
static double left_over(const double (*x)[COLUMNS], const double *y, size_t n)
{
	double a[SPD_MAX * SPD_MAX] = {0}, b[COLUMNS] = {0}, p[COLUMNS], sum = 0;
	for (size_t i = 0; i < n; i++)
		for (int j = 0; j < COLUMNS; j++) {
			for (int k = 0; k < COLUMNS; k++)
				a[j * SPD_MAX + k] += x[i][j] * x[i][k];
			b[j] += x[i][j] * y[i];
		}
	for (int j = 0; j < COLUMNS; j++)
		a[j * SPD_MAX + j] += 1e-9; /* a column of zeros is left alone */
	if (!spd_solve(a, b, COLUMNS, p))
		return INFINITY;
	for (size_t i = 0; i < n; i++) {
		double off = y[i];
		for (int j = 0; j < COLUMNS; j++)
			off -= p[j] * x[i][j];
		sum += off * off;
	}
	return isfinite(sum) ? sum : INFINITY;
}

#define SAMPLES_ABOUT 16

/* Where a curve bends, among the samples [from, to): level, or a parabola, before it and a parabola behind.
 * Of all places about `near` the one that leaves least. */
static double bend_s(const struct wave *w, size_t from, size_t to, size_t near, bool level)
{
	double best_s = w->t_s[near], least = INFINITY, x[SAMPLES_ABOUT][COLUMNS];
	for (int place = 0; place <= PLACES; place++) {
		double at_s = w->t_s[near] + w->interval_s * (2.0 * place / PLACES - (level ? 2 : 1));
		for (size_t i = from; i < to; i++) {
			double u = (w->t_s[i] - at_s) / w->interval_s, behind = fmax(u, 0);
			double before = level ? 0 : fmin(u, 0);
			const double row[COLUMNS] = {1, behind, behind * behind, before, before * before};
			memcpy(x[i - from], row, sizeof row);
		}
		double sum = left_over((const double(*)[COLUMNS])x, w->a + from, to - from);
		if (sum < least) {
			least = sum;
			best_s = at_s;
		}
	}
	return best_s;
}

static double greatest(const struct wave *w)
{
	double most = w->a[0];
	for (size_t i = 1; i < w->n; i++)
		most = fmax(most, w->a[i]);
	return most;
}

/* First sample at which it has clearly risen. */
static size_t first_risen(const struct wave *w, double most_a)
{
	size_t i = 0;
	while (i < w->n && !(w->t_s[i] > 0 && w->a[i] > fmax(RISEN * most_a, CLEAR * w->noise_a)))
		i++;
	return i;
}

/* The deepest fall below what went before that is followed by as clear a rise; 0 = none. */
static size_t deepest(const struct wave *w, size_t risen, double clear_a)
{
	double before = w->a[risen], depth = clear_a, behind[SAMPLES_MAX];
	size_t at = 0;
	behind[w->n - 1] = w->a[w->n - 1];
	for (size_t i = w->n - 1; i-- > 0;)
		behind[i] = fmax(behind[i + 1], w->a[i]);
	for (size_t i = risen; i < w->n; i++) {
		before = fmax(before, w->a[i]);
		if (before - w->a[i] > depth && behind[i] - w->a[i] > clear_a) {
			depth = before - w->a[i];
			at = i;
		}
	}
	return at;
}

struct coil_look coil_current_look(const struct ride_series *s, double full_a, double command_us,
                                   double until_us)
{
	struct coil_look out = {COIL_UNSEEN, NAN, NAN};
	struct wave w;
	until_us = fmin(until_us, command_us + AFTER_US);
	if (until_us < command_us + LEAST_US || !gather(s, command_us, until_us, &w))
		return out;
	double most_a = greatest(&w);
	out.state = COIL_DEAD;
	if (most_a < DEAD_SHARE * full_a + CLEAR * w.noise_a)
		return out;
	size_t risen = first_risen(&w, most_a);
	out.state = COIL_UNSEEN;
	if (risen < RISE_BEFORE || risen + RISE_AFTER + DIP_AFTER > w.n)
		return out;
	out.rise_s = bend_s(&w, risen - RISE_BEFORE, risen + RISE_AFTER, risen, true);
	size_t dip = deepest(&w, risen, fmax(DIP_SHARE * most_a, DIP_CLEAR * w.noise_a));
	if (dip == 0 && DIP_CLEAR * w.noise_a < STILL_SHARE * most_a)
		out.state = COIL_STILL;
	if (dip < DIP_BEFORE || dip + DIP_AFTER > w.n)
		return out;
	out.state = COIL_MOVED;
	out.dip_s = bend_s(&w, dip - DIP_BEFORE, dip + DIP_AFTER, dip, false);
	return out;
}
