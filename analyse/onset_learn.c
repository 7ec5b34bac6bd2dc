/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the events of an end share: Gauss-Newton over all windows at once,
 * each window's own t50, p0 and other passage eliminated (Schur complement), so the cost grows with the
 * number of windows only. */
#include "analyse/onset.h"
#include "analyse/spd.h"

#include <math.h>
#include <string.h>

#define OWN 3     /* t50, p0, the other passage's time: the first of the enum */
#define SHARED 13 /* the rest: see column() */

_Static_assert(OWN + SHARED == ONSET_PARAMETERS, "every parameter is one or the other");
_Static_assert(ONSET_GAIN + 1 == ONSET_ZERO && ONSET_ZERO + 1 == ONSET_PARAMETERS, "the gauge's come last");

static const double difference[ONSET_GAIN] = {1e-4, 1e-3, 1e-4, 5e-3, 1e-2, 1e-2, 1e-2,
                                              5e-3, 1e-3, 1e-2, 1e-2, 5e-3, 1e-2, 5e-5};
static const double limit[ONSET_PARAMETERS] = {3e-3, 0.3, 2e-3, 0.3, 0.1, 0.7,  0.4,  0.1,
                                               0.02, 0.2, 0.1,  0.3, 0.4, 1e-3, 0.02, 1e4};

struct block { /* one window's normal equations */
	double own[SPD_MAX * SPD_MAX], cross[OWN][SHARED], shared[SHARED][SHARED];
	double own_b[SPD_MAX], shared_b[SHARED];
	double inverse[SPD_MAX * SPD_MAX]; /* of own */
};

/* All shared parameters of all kinds side by side: lag, gain, zero; K, b and shape of either passage; then
 * seven of each kind's own, of which the last two, the other passage's K and ramp, are in use only where
 * these are none of another kind's. */
#define ENDS_OWN 3
#define PASSAGES_OWN 3
#define KINDS_OWN 7
#define COLUMNS (ENDS_OWN + 2 * PASSAGES_OWN + ONSET_KINDS_MAX * KINDS_OWN)

_Static_assert(ENDS_OWN + PASSAGES_OWN + KINDS_OWN == SHARED, "every shared parameter is one of these");

struct normal { /* equations for the shared parameters */
	double a[COLUMNS * COLUMNS], b[COLUMNS];
	size_t n; /* columns in use, and stride */
};

static size_t columns(size_t kinds)
{
	return ENDS_OWN + 2 * PASSAGES_OWN + kinds * KINDS_OWN;
}

/* Column of shared parameter j (from OWN on) of one of the kinds. */
static size_t column(const struct onset_kind *kinds, size_t which, int j)
{
	const struct onset_kind *kind = &kinds[which];
	size_t passage = ENDS_OWN + PASSAGES_OWN * (size_t)kind->w[0].passage;
	size_t own = ENDS_OWN + 2 * PASSAGES_OWN + which * KINDS_OWN;
	switch (j) {
	case ONSET_LAG:
	case ONSET_GAIN:
	case ONSET_ZERO:
		return (size_t)(j - ONSET_LAG);
	case ONSET_K:
		return passage;
	case ONSET_B:
		return passage + 1;
	case ONSET_SHAPE:
		return passage + 2;
	case ONSET_WARM0:
		return own;
	case ONSET_HEAT:
		return own + 1;
	case ONSET_RAMP:
		return own + 2;
	case ONSET_WARM_SPEED:
		return own + 4;
	case ONSET_OTHER_K:
		return kind->other < 0 ? own + 5 : column(kinds, (size_t)kind->other, ONSET_K);
	case ONSET_OTHER_RAMP:
		return kind->other < 0 ? own + 6 : column(kinds, (size_t)kind->other, ONSET_RAMP);
	default:
		return own + 3; /* leak */
	}
}

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

/* All windows see the same model err in the same way: what they tell of the shared parameters counts as if
 * only one in two were there. */
#define TEMPER 0.5

static double window_objective(const struct onset_window *w, const struct onset_prior *prior,
                               const double *value)
{
	double predicted[1][ONSET_SAMPLES_MAX], sum = 0, z = t50_offset(prior, value[ONSET_T50]);
	onset_predict(w, (const double(*)[ONSET_PARAMETERS])value, 1, predicted);
	for (size_t i = 0; i < w->n; i++)
		sum += huber_loss((w->p_pa[i] - predicted[0][i]) / w->noise_pa);
	double shift = value[ONSET_OTHER] / prior->sd[ONSET_OTHER];
	return TEMPER * tame(sum, w->n) + 5 * log1p(z * z / 4) + shift * shift;
}

#define PLACES (ONSET_GAIN + 1) /* one, and one a parameter moved; the gauge needs none */

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
	for (int j = 0; j < ONSET_GAIN; j++)
		for (size_t i = 0; i < w->n; i++)
			slope[j][i] = (out[j + 1][i] - out[0][i]) / (difference[j] * w->noise_pa);
	for (size_t i = 0; i < w->n; i++) {
		double above = (out[0][i] - value[ONSET_ZERO] - w->ambient_pa) / (1 + value[ONSET_GAIN]);
		slope[ONSET_GAIN][i] = above / w->noise_pa;
		slope[ONSET_ZERO][i] = 1 / w->noise_pa;
	}
}

static void put(struct block *b, int i, int j, double sum)
{
	if (j < OWN)
		b->own[i * SPD_MAX + j] = b->own[j * SPD_MAX + i] = sum;
	else if (i < OWN)
		b->cross[i][j - OWN] = sum;
	else
		b->shared[i - OWN][j - OWN] = b->shared[j - OWN][i - OWN] = sum;
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
		weight[i] = TEMPER * huber_weight(residual[i]) * tame_slope(misfit, w->n);
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

/* Adds what a window of a kind says of the shared parameters, its own eliminated. */
static void add_reduced(const struct block *b, const size_t at[SHARED], struct normal *m)
{
	double part[OWN];
	eliminated(b, -1, part);
	for (int j = 0; j < SHARED; j++) {
		m->b[at[j]] += b->shared_b[j];
		for (int k = 0; k < OWN; k++)
			m->b[at[j]] -= b->cross[k][j] * part[k];
	}
	for (int j = 0; j < SHARED; j++) {
		eliminated(b, j, part);
		for (int i = 0; i < SHARED; i++) {
			double sum = b->shared[i][j];
			for (int k = 0; k < OWN; k++)
				sum -= b->cross[k][i] * part[k];
			m->a[at[i] * m->n + at[j]] += sum;
		}
	}
}

#define LEAK_MOST_IN 0.02 /* a seat that lets in more than that beside the open valve is no seat */
#define RAMP_LEAST_S 0.2e-3
#define RAMP_MOST_S 40e-3 /* what takes longer is no valve's movement */

/* Keeps a shared parameter where it means something: T/Tw 0.5..2, b 0.05..0.6, an area that rises,
 * no lag below 0. */
static double sensible(int j, double x)
{
	if (j == ONSET_WARM0)
		return fmin(fmax(x, -0.7), 0.7);
	if (j == ONSET_LAG)
		return fmax(x, 0);
	if (j == ONSET_LEAK)
		return fmin(x, LEAK_MOST_IN);
	if (j == ONSET_RAMP)
		return fmin(fmax(x, log(RAMP_LEAST_S)), log(RAMP_MOST_S));
	if (j == ONSET_SHAPE)
		return fmin(fmax(x, -0.9), 0.9);
	return j == ONSET_B ? fmin(fmax(x, 0.05), 0.6) : x;
}

static double limited(int j, double step)
{
	return fmin(fmax(step, -limit[j]), limit[j]);
}

/* Moves one window's parameters by its kind's shared step and what follows from it. */
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
	for (int j = OWN; j < ONSET_PARAMETERS; j++)
		to[j] = sensible(j, from[j] + by * shared_step[j - OWN]);
}

#define WINDOWS_MAX 32 /* of a kind */

struct learning {
	struct onset_kind *kind;
	size_t kinds;
	size_t at[ONSET_KINDS_MAX][SHARED];                            /* columns */
	double shared[ONSET_KINDS_MAX][ONSET_PARAMETERS];              /* the shared parameters in force */
	bool first[ONSET_KINDS_MAX][ONSET_PARAMETERS];                 /* the first kind that has this one */
	struct block block[ONSET_KINDS_MAX][WINDOWS_MAX];              /* of the windows in use */
	double before[ONSET_KINDS_MAX][WINDOWS_MAX][ONSET_PARAMETERS]; /* values from which a step starts */
};

/* A parameter that another kind has as its own. */
static bool of_another(const struct onset_kind *kind, int j)
{
	return kind->other >= 0 && (j == ONSET_OTHER_K || j == ONSET_OTHER_RAMP);
}

static void lay_columns(struct learning *l)
{
	bool seen[COLUMNS] = {false};
	for (size_t k = 0; k < l->kinds; k++)
		for (int j = OWN; j < ONSET_PARAMETERS; j++) {
			size_t at = column(l->kind, k, j);
			l->at[k][j - OWN] = at;
			l->first[k][j] = !seen[at] && !of_another(&l->kind[k], j);
			seen[at] |= l->first[k][j];
		}
}

static void share(struct learning *l)
{
	for (size_t k = 0; k < l->kinds; k++)
		for (size_t i = 0; i < l->kind[k].n; i++)
			memcpy(l->kind[k].value[i] + OWN, l->shared[k] + OWN, sizeof(double) * SHARED);
}

/* What the other passage's K and ramp are, beside what the kind's windows take them for. */
static void agree_on_other(struct learning *l, size_t k)
{
	const struct onset_kind *kind = &l->kind[k];
	for (size_t i = 0; i < kind->n && kind->other >= 0; i++) {
		const double *theirs = l->shared[kind->other];
		if (!kind->w[i].other.moves)
			continue;
		l->shared[k][ONSET_OTHER_K] = theirs[ONSET_K] - log(kind->w[i].other.k_m3_s);
		l->shared[k][ONSET_OTHER_RAMP] = theirs[ONSET_RAMP] - log(kind->w[i].other.ramp_s);
		return;
	}
}

/* What a kind's last window in use holds; of what it has in common with an earlier kind, what that one
 * holds. */
static void agree(struct learning *l)
{
	double held[COLUMNS];
	for (size_t k = 0; k < l->kinds; k++) {
		const struct onset_kind *kind = &l->kind[k];
		for (size_t i = 0; i < kind->n; i++)
			if (kind->use[i])
				memcpy(l->shared[k], kind->value[i], sizeof(l->shared[k]));
		for (int j = OWN; j < ONSET_PARAMETERS; j++) {
			double *at = &held[l->at[k][j - OWN]];
			if (of_another(kind, j))
				continue;
			if (l->first[k][j])
				*at = l->shared[k][j];
			l->shared[k][j] = *at;
		}
	}
	for (size_t k = 0; k < l->kinds; k++)
		agree_on_other(l, k);
	share(l);
}

static double total(const struct learning *l)
{
	double sum = 0;
	for (size_t k = 0; k < l->kinds; k++) {
		const struct onset_kind *kind = &l->kind[k];
		for (int j = OWN; j < ONSET_PARAMETERS; j++) {
			double off = l->shared[k][j] - kind->prior->mean[j];
			sum += l->first[k][j] ? precision(kind->prior->sd[j]) * off * off : 0;
		}
		for (size_t i = 0; i < kind->n; i++)
			if (kind->use[i])
				sum += window_objective(&kind->w[i], kind->prior, kind->value[i]);
	}
	return sum;
}

static void add_prior(const struct learning *l, struct normal *m)
{
	for (size_t k = 0; k < l->kinds; k++)
		for (int j = OWN; j < ONSET_PARAMETERS; j++) {
			size_t at = l->at[k][j - OWN];
			double weight = precision(l->kind[k].prior->sd[j]);
			if (!l->first[k][j])
				continue;
			m->a[at * m->n + at] += weight;
			m->b[at] += weight * (l->kind[k].prior->mean[j] - l->shared[k][j]);
		}
	for (size_t c = 0; c < m->n; c++) /* a passage that no kind has */
		if (!(m->a[c * m->n + c] > 0))
			m->a[c * m->n + c] = 1;
}

static bool gather(struct learning *l, struct normal *m)
{
	memset(m, 0, sizeof(*m));
	m->n = columns(l->kinds);
	for (size_t k = 0; k < l->kinds; k++) {
		const struct onset_kind *kind = &l->kind[k];
		for (size_t i = 0; i < kind->n; i++) {
			struct block *b = &l->block[k][i];
			if (!kind->use[i])
				continue;
			memset(b, 0, sizeof(*b));
			if (!fill_block(&kind->w[i], kind->prior, kind->value[i], b))
				return false;
			add_reduced(b, l->at[k], m);
		}
	}
	add_prior(l, m);
	return true;
}

/* Turns the matrix into its inverse and the right side into the step; false when it has none. Scaled first:
 * the parameters' units are far apart. */
static bool solve(struct normal *m)
{
	double scale[COLUMNS], step[COLUMNS] = {0};
	for (size_t i = 0; i < m->n; i++)
		scale[i] = 1 / sqrt(m->a[i * m->n + i]);
	for (size_t i = 0; i < m->n; i++)
		for (size_t j = 0; j < m->n; j++)
			m->a[i * m->n + j] *= scale[i] * scale[j];
	bool good = spd_invert(m->a, m->n);
	for (size_t i = 0; good && i < m->n; i++)
		for (size_t j = 0; j < m->n; j++) {
			m->a[i * m->n + j] *= scale[i] * scale[j];
			step[i] += m->a[i * m->n + j] * m->b[j];
		}
	memcpy(m->b, step, sizeof(step));
	return good;
}

/* Part of the step from what was before. */
static void step_by(struct learning *l, const double (*shared)[ONSET_PARAMETERS],
                    const double (*step)[SHARED], double by)
{
	for (size_t k = 0; k < l->kinds; k++) {
		const struct onset_kind *kind = &l->kind[k];
		for (int j = OWN; j < ONSET_PARAMETERS; j++)
			l->shared[k][j] = sensible(j, shared[k][j] + by * step[k][j - OWN]);
		for (size_t i = 0; i < kind->n; i++)
			if (kind->use[i])
				take_step(&l->block[k][i], step[k], by, l->before[k][i], kind->value[i]);
	}
}

/* Tries ever shorter steps; false when none is better. */
static bool improve(struct learning *l, const struct normal *m, double *sum)
{
	double shared[ONSET_KINDS_MAX][ONSET_PARAMETERS], step[ONSET_KINDS_MAX][SHARED];
	memcpy(shared, l->shared, sizeof(shared));
	for (size_t k = 0; k < l->kinds; k++) {
		memcpy(l->before[k], l->kind[k].value, sizeof(l->before[k][0]) * l->kind[k].n);
		for (int j = 0; j < SHARED; j++)
			step[k][j] = limited(j + OWN, m->b[l->at[k][j]]);
	}
	for (double by = 1; by > 0.1; by /= 2) {
		step_by(l, (const double(*)[ONSET_PARAMETERS])shared, (const double(*)[SHARED])step, by);
		double tried = total(l);
		if (tried < *sum) {
			*sum = tried;
			return true;
		}
	}
	for (size_t k = 0; k < l->kinds; k++)
		memcpy(l->kind[k].value, l->before[k], sizeof(l->before[k][0]) * l->kind[k].n);
	memcpy(l->shared, shared, sizeof(shared));
	return false;
}

/* How the shared parameters' doubt moves the t50 of a kind's windows, on average. */
static void note_common(const struct learning *l, size_t k, const struct normal *m, struct onset_shared *out)
{
	double slope[SHARED] = {0}, part[OWN], n = 0, variance = 0, with_lag = 0;
	for (size_t i = 0; i < l->kind[k].n; i++) {
		if (!l->kind[k].use[i])
			continue;
		for (int j = 0; j < SHARED; j++) {
			eliminated(&l->block[k][i], j, part);
			slope[j] -= part[ONSET_T50];
		}
		n++;
	}
	size_t lag = l->at[k][ONSET_LAG - OWN];
	for (int j = 0; j < SHARED; j++) {
		size_t row = l->at[k][j] * m->n;
		with_lag += slope[j] * m->a[row + lag] / n;
		for (int i = 0; i < SHARED; i++)
			variance += slope[j] * slope[i] * m->a[row + l->at[k][i]] / (n * n);
	}
	out->t50_per_lag = with_lag / m->a[lag * m->n + lag];
	out->t50_common_s = sqrt(fmax(variance - out->t50_per_lag * with_lag, 0));
}

static void note_shared(struct learning *l, const struct normal *m)
{
	for (size_t k = 0; k < l->kinds; k++) {
		struct onset_shared *out = &l->kind[k].shared;
		note_common(l, k, m, out);
		for (int j = OWN; j < ONSET_PARAMETERS; j++) {
			size_t at = l->at[k][j - OWN];
			out->sd[j] = sqrt(m->a[at * m->n + at]);
		}
	}
}

static void start(struct learning *l, struct onset_kind *kind, size_t kinds)
{
	l->kind = kind;
	l->kinds = kinds;
	for (size_t k = 0; k < kinds; k++) {
		kind[k].n = kind[k].n < WINDOWS_MAX ? kind[k].n : WINDOWS_MAX;
		kind[k].shared = (struct onset_shared){.t50_per_lag = -1};
		for (int j = 0; j < ONSET_PARAMETERS; j++)
			kind[k].shared.sd[j] = NAN;
	}
	lay_columns(l);
	agree(l);
}

double onset_learn(struct onset_kind *kind, size_t kinds)
{
	struct learning l;
	struct normal m;
	start(&l, kind, kinds);
	double sum = total(&l);
	for (int round = 0; round < 12; round++) {
		double before = sum;
		if (!gather(&l, &m) || !solve(&m))
			break;
		note_shared(&l, &m);
		if (!improve(&l, &m, &sum) || before - sum < 0.02)
			break;
	}
	share(&l);
	return sum;
}
