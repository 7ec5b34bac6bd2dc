/* SPDX-License-Identifier: GPL-3.0-or-later */
/* One event: a coarse scan over t50, Gauss-Newton, then the profile of the
 * likelihood over t50 with the other parameters eliminated. */
#include "analyse/onset.h"
#include "analyse/processor.h"
#include "analyse/spd.h"

#include <math.h>
#include <string.h>

#define LOCAL 5 /* at most: the last one only where the other passage moves too */
#define REST (LOCAL - 1)
#define SCAN_MAX 40
#define PROFILE ONSET_LANES /* points */
#define POOR 2.0            /* a fit that leaves more than this of each sample is tried once more */
#define FAR 4.0             /* residuals beyond this count by their size, not its square (Huber) */

typedef double samples[ONSET_SAMPLES_MAX];
typedef double parameters[ONSET_PARAMETERS];

#define BATCH (2 * ONSET_LANES)

struct batch { /* curves to be reckoned together */
	parameters value[BATCH];
	samples out[BATCH]; /* residuals */
	size_t n;
};

struct point { /* residuals (measured - predicted, in noise units) and derivatives at one place */
	parameters value;
	samples residual, slope[LOCAL];
	samples weight;              /* Huber */
	double a[SPD_MAX * SPD_MAX]; /* normal matrix of all but t50, prior included */
	size_t n;
	int local; /* parameters in use, 4 or 5 */
};

/* What one event's fit moves, t50 first. */
static const int which[LOCAL] = {ONSET_T50, ONSET_P0, ONSET_K, ONSET_WARM0, ONSET_OTHER};
static const double difference[LOCAL] = {1e-4, 1e-3, 5e-3, 1e-2, 1e-4};

/* Residuals of a batch. */
static void residuals(const struct onset_window *w, struct batch *b)
{
	double scale = 1 / w->noise_pa;
	for (size_t l = 0; l < b->n; l += ONSET_LANES)
		onset_predict(w, b->value + l, b->n - l < ONSET_LANES ? b->n - l : ONSET_LANES, b->out + l);
	for (size_t l = 0; l < b->n; l++)
		for (size_t i = 0; i < w->n; i++)
			b->out[l][i] = (w->p_pa[i] - b->out[l][i]) * scale;
}

/* One more curve: these parameters, one of them moved. */
static void batch_add(struct batch *b, const double *value, int which_one, double by)
{
	memcpy(b->value[b->n], value, sizeof(parameters));
	b->value[b->n++][which_one] += by;
}

static double clamp(double x, double low, double high)
{
	return fmin(fmax(x, low), high);
}

/* FAR / size beyond FAR, without a branch. */
static double huber_weight(double r)
{
	double size = fabs(r), least = size > FAR ? size : FAR;
	return FAR / least;
}

/* size^2, and FAR (2 size - FAR) beyond FAR, without a branch. */
static double huber(double r)
{
	double size = fabs(r), most = size < FAR ? size : FAR;
	return most * (2 * size - most);
}

/* Four sums abreast here, too. */
static double robust_sum(const double *r, size_t n)
{
	double sum[4] = {0};
	size_t i = 0;
	for (; i + 4 <= n; i += 4)
		for (size_t l = 0; l < 4; l++)
			sum[l] += huber(r[i + l]);
	for (; i < n; i++)
		sum[0] += huber(r[i]);
	return (sum[0] + sum[1]) + (sum[2] + sum[3]);
}

/* Four sums abreast: one alone would wait for itself. */
static double weighted_sum(const double *weight, const double *a, const double *b, size_t n)
{
	double sum[4] = {0};
	size_t i = 0;
	for (; i + 4 <= n; i += 4)
		for (size_t l = 0; l < 4; l++)
			sum[l] += weight[i + l] * a[i + l] * b[i + l];
	for (; i < n; i++)
		sum[0] += weight[i] * a[i] * b[i];
	return (sum[0] + sum[1]) + (sum[2] + sum[3]);
}

static double weighted_dot(const struct point *at, const double *a, const double *b)
{
	return weighted_sum(at->weight, a, b, at->n);
}

/* --- priors ---------------------------------------------------------------- */

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

/* Weight of local parameter j's prior as if it were normal, for Gauss-Newton. */
static double prior_weight(const struct onset_prior *prior, const double *value, int j)
{
	int k = which[j];
	if (isinf(prior->sd[k]))
		return 0;
	double z = (value[k] - prior->mean[k]) / prior->sd[k];
	double flat = k == ONSET_T50 ? 5 / (4 + z * z) : 1;
	return flat * precision(prior->sd[k]);
}

/* Of all local parameters but t50. */
static double prior_sum(const struct onset_prior *prior, const double *value, int local)
{
	double sum = 0;
	for (int j = 1; j < local; j++) {
		double off = value[which[j]] - prior->mean[which[j]];
		sum += isinf(prior->sd[which[j]]) ? 0 : precision(prior->sd[which[j]]) * off * off;
	}
	return sum;
}

/* --- derivatives and normal equations ------------------------------------------ */

static void set_weights(struct point *at)
{
	for (size_t i = 0; i < at->n; i++)
		at->weight[i] = huber_weight(at->residual[i]);
}

static void slope_from(struct point *at, const double *moved, int j)
{
	for (size_t i = 0; i < at->n; i++)
		at->slope[j][i] = (at->residual[i] - moved[i]) / difference[j];
}

/* Normal matrix over the local parameters from `from` on. */
static void normal_matrix(const struct point *at, const struct onset_prior *prior, int from, double *a)
{
	for (int j = from; j < at->local; j++) {
		int row = (j - from) * SPD_MAX;
		for (int i = from; i <= j; i++)
			a[row + i - from] = a[(i - from) * SPD_MAX + j - from] =
			    weighted_dot(at, at->slope[j], at->slope[i]);
		a[row + j - from] += prior_weight(prior, at->value, j);
	}
}

static double normal_right(const struct point *at, const struct onset_prior *prior, const double *residual,
                           int j)
{
	double weight = prior_weight(prior, at->value, j);
	return weighted_dot(at, at->slope[j], residual) +
	       (weight > 0 ? weight * (prior->mean[which[j]] - at->value[which[j]]) : 0);
}

/* Asks for the residuals at a point and for its local parameters from `from` on, each moved. */
static size_t look_ask(const struct point *at, const double *value, int from, struct batch *b)
{
	size_t first = b->n;
	batch_add(b, value, ONSET_T50, 0);
	for (int j = from; j < at->local; j++)
		batch_add(b, value, which[j], difference[j]);
	return first;
}

/* What came of it: residuals, slopes, weights. */
static void look_take(struct point *at, int from, const struct batch *b, size_t first)
{
	memcpy(at->value, b->value[first], sizeof(parameters));
	memcpy(at->residual, b->out[first], sizeof(double) * at->n);
	for (int j = from; j < at->local; j++)
		slope_from(at, b->out[first + 1 + (size_t)(j - from)], j);
	set_weights(at);
}

/* Objective with all but t50 eliminated to first order about `at` for other residuals, t50's
 * prior left out; the step goes to `step`. */
static double eliminate(const struct onset_prior *prior, const struct point *at, const double *residual,
                        double step[REST])
{
	double b[SPD_MAX];
	samples off;
	parameters value;
	for (int j = 1; j < at->local; j++)
		b[j - 1] = normal_right(at, prior, residual, j);
	memset(step, 0, sizeof(*step) * REST);
	spd_solve(at->a, b, at->local - 1, step);
	memcpy(off, residual, sizeof(double) * at->n);
	memcpy(value, at->value, sizeof(value));
	for (int j = 1; j < at->local; j++) {
		value[which[j]] += step[j - 1];
		for (size_t i = 0; i < at->n; i++)
			off[i] -= at->slope[j][i] * step[j - 1];
	}
	return robust_sum(off, at->n) + prior_sum(prior, value, at->local);
}

static void start_at(const struct onset_window *w, const struct onset_prior *prior, double t50_s,
                     struct point *at)
{
	memcpy(at->value, prior->mean, sizeof(at->value));
	at->n = w->n;
	at->local = w->other.moves ? LOCAL : LOCAL - 1;
	at->value[ONSET_P0] = onset_start(w, prior->mean[ONSET_T50]);
	at->value[ONSET_T50] = t50_s;
}

/* A few points together: residuals and slopes of the local parameters from `from` on, normal matrix of all
 * but t50. */
static void look_at(const struct onset_window *w, const struct onset_prior *prior, struct point **at,
                    const int *from, size_t points)
{
	struct batch b;
	size_t first[3];
	b.n = 0;
	for (size_t i = 0; i < points; i++)
		first[i] = look_ask(at[i], at[i]->value, from[i], &b);
	residuals(w, &b);
	for (size_t i = 0; i < points; i++) {
		look_take(at[i], from[i], &b, first[i]);
		normal_matrix(at[i], prior, 1, at[i]->a);
	}
}

/* Objective of a hypothesis without a free t50, all else adjusted once; is it worth a second round? */
static bool adjust(const struct onset_prior *prior, struct point *at, double *sum)
{
	double step[REST];
	*sum = eliminate(prior, at, at->residual, step);
	if (*sum > 10 * (double)at->n)
		return false;
	for (int j = 1; j < at->local; j++)
		at->value[which[j]] += step[j - 1];
	return true;
}

struct hypotheses { /* nothing moved (t50 = infinity); it was so all along (-infinity); as expected */
	struct point stayed, otherwise, expected;
	double stayed_sum, otherwise_sum;
};

/* Two rounds at most; the second only for those that it matters to. */
static void weigh(const struct onset_window *w, const struct onset_prior *prior, struct hypotheses *h)
{
	struct point *at[3] = {&h->stayed, &h->otherwise, &h->expected};
	const int from[3] = {1, 1, 0}; /* t50 is free in the last */
	start_at(w, prior, INFINITY, &h->stayed);
	start_at(w, prior, -INFINITY, &h->otherwise);
	start_at(w, prior, clamp(prior->mean[ONSET_T50], prior->earliest_s, prior->latest_s), &h->expected);
	look_at(w, prior, at, from, 3);
	bool stayed = adjust(prior, &h->stayed, &h->stayed_sum);
	bool otherwise = adjust(prior, &h->otherwise, &h->otherwise_sum);
	if (!stayed && !otherwise)
		return;
	look_at(w, prior, stayed ? at : at + 1, from, (size_t)stayed + otherwise);
	if (stayed)
		adjust(prior, &h->stayed, &h->stayed_sum);
	if (otherwise)
		adjust(prior, &h->otherwise, &h->otherwise_sum);
}

/* How badly the curve without the event would fit data that follow the event where the prior puts
 * it: both curves are known as residuals against the same data. */
static double expected_misfit(const struct point *event, const struct point *without)
{
	double b[SPD_MAX], x[SPD_MAX] = {0};
	samples apart;
	for (size_t i = 0; i < event->n; i++)
		apart[i] = without->residual[i] - event->residual[i];
	for (int j = 1; j < without->local; j++)
		b[j - 1] = weighted_dot(without, without->slope[j], apart);
	spd_solve(without->a, b, without->local - 1, x);
	for (int j = 1; j < without->local; j++)
		for (size_t i = 0; i < event->n; i++)
			apart[i] -= without->slope[j][i] * x[j - 1];
	double sum = 0;
	for (size_t i = 0; i < event->n; i++)
		sum += apart[i] * apart[i];
	return sum;
}

/* --- the scan --------------------------------------------------------------------- */

struct scan {
	double t_s[SCAN_MAX], sum[SCAN_MAX];
	size_t n, best;
};

/* Objective with p0 alone adjusted: the other slopes hold only near the t50 at which they
 * were taken. */
static double glance(const struct point *at, const double *residual)
{
	samples weight, off;
	const double *s = at->slope[1]; /* p0 */
	for (size_t i = 0; i < at->n; i++)
		weight[i] = huber_weight(residual[i]);
	double top = weighted_sum(weight, s, residual, at->n);
	double bottom = weighted_sum(weight, s, s, at->n) + 1e-9;
	double shift = clamp(top / bottom, -0.1, 0.1);
	for (size_t i = 0; i < at->n; i++)
		off[i] = residual[i] - s[i] * shift;
	return robust_sum(off, at->n);
}

/* Residuals at up to ONSET_LANES values of t50, the rest as in `at`. */
static void residuals_at(const struct onset_window *w, const struct point *at, const double *t50_s,
                         size_t lanes, struct batch *b)
{
	b->n = 0;
	for (size_t l = 0; l < lanes; l++)
		batch_add(b, at->value, ONSET_T50, t50_s[l] - at->value[ONSET_T50]);
	residuals(w, b);
}

/* The objective over the whole span where the event may lie. */
static void scan_over(const struct onset_window *w, const struct onset_prior *prior, const struct point *at,
                      struct scan *s)
{
	struct batch b;
	double span = prior->latest_s - prior->earliest_s;
	double spacing = fmax(0.75 * exp(prior->mean[ONSET_RAMP]), 2e-3);
	size_t batches = (size_t)clamp(ceil(span / spacing / ONSET_LANES), 1, SCAN_MAX / ONSET_LANES);
	s->n = batches * ONSET_LANES;
	s->best = 0;
	for (size_t i = 0; i < s->n; i++)
		s->t_s[i] = prior->earliest_s + span * ((double)i + 0.5) / (double)s->n;
	for (size_t i = 0; i < s->n; i++) {
		if (i % ONSET_LANES == 0)
			residuals_at(w, at, s->t_s + i, ONSET_LANES, &b);
		s->sum[i] = glance(at, b.out[i % ONSET_LANES]) + t50_penalty(prior, s->t_s[i]);
		if (s->sum[i] < s->sum[s->best])
			s->best = i;
	}
}

/* --- Gauss-Newton ------------------------------------------------------------------ */

/* A part of the step; never far in any parameter. */
static void step_along(const struct onset_prior *prior, const struct point *at, const double *step,
                       double part, double *to)
{
	static const double limit[LOCAL] = {3e-3, 0.3, 0.3, 0.2, 2e-3};
	double by = 1;
	for (int j = 0; j < at->local; j++)
		by = fmin(by, limit[j] / fmax(fabs(step[j]), 1e-30));
	memcpy(to, at->value, sizeof(parameters));
	for (int j = 0; j < at->local; j++)
		to[which[j]] += part * by * step[j];
	to[ONSET_T50] = clamp(to[ONSET_T50], prior->earliest_s, prior->latest_s);
}

static double objective(const struct onset_prior *prior, const struct point *at, const double *value,
                        const double *residual)
{
	return robust_sum(residual, at->n) + t50_penalty(prior, value[ONSET_T50]) +
	       prior_sum(prior, value, at->local);
}

/* Takes the whole step, with all slopes where it leads, or a part of it; how much was gained, 0
 * when none is better. */
static double take_best(const struct onset_window *w, const struct onset_prior *prior, const double *step,
                        struct point *at, double *sum)
{
	static const double part[] = {0.25, 0.05};
	struct batch b;
	parameters to;
	b.n = 0;
	step_along(prior, at, step, 1, to);
	size_t whole = look_ask(at, to, 0, &b), parts = b.n, best = whole;
	for (size_t i = 0; i < sizeof(part) / sizeof(*part); i++) {
		step_along(prior, at, step, part[i], to);
		batch_add(&b, to, ONSET_T50, 0);
	}
	residuals(w, &b);
	double before = *sum, least = objective(prior, at, b.value[whole], b.out[whole]);
	for (size_t i = parts; i < b.n; i++) {
		double tried = objective(prior, at, b.value[i], b.out[i]);
		if (tried < least) {
			least = tried;
			best = i;
		}
	}
	if (least >= before)
		return 0;
	*sum = least;
	if (best != whole) {
		memcpy(to, b.value[best], sizeof(to));
		b.n = 0;
		whole = look_ask(at, to, 0, &b);
		residuals(w, &b);
	}
	look_take(at, 0, &b, whole);
	return before - least;
}

/* Over all local parameters, from a point with all slopes; leaves t50's standard deviation in *sd and returns
 * the objective. */
static double climb(const struct onset_window *w, const struct onset_prior *prior, struct point *at,
                    double *sd)
{
	double a[SPD_MAX * SPD_MAX], b[SPD_MAX], x[SPD_MAX], sum;
	sum = objective(prior, at, at->value, at->residual);
	*sd = prior->sd[ONSET_T50];
	for (int round = 0; round < 8; round++) {
		normal_matrix(at, prior, 0, a);
		for (int j = 0; j < at->local; j++)
			b[j] = normal_right(at, prior, at->residual, j);
		if (!spd_solve(a, b, at->local, x))
			break;
		*sd = sqrt(fmax(spd_inverse_first(a, at->local), 0));
		double foreseen = 0;
		for (int j = 0; j < at->local; j++)
			foreseen += b[j] * x[j];
		if (foreseen < 0.02 || take_best(w, prior, x, at, &sum) < 0.02)
			break;
	}
	normal_matrix(at, prior, 1, at->a);
	return sum;
}

/* The same from another t50. */
static double climb_from(const struct onset_window *w, const struct onset_prior *prior, double t50_s,
                         struct point *at, double *sd)
{
	const int from = 0;
	at->value[ONSET_T50] = t50_s;
	look_at(w, prior, &at, &from, 1);
	return climb(w, prior, at, sd);
}

/* --- the profile over t50 ------------------------------------------------------------ */

struct profile {
	double t_s[PROFILE], sum[PROFILE], best;
};

static void profile_over(const struct onset_window *w, const struct onset_prior *prior,
                         const struct point *at, double reach_s, struct profile *p)
{
	struct batch b;
	double step[REST];
	p->best = INFINITY;
	for (int i = 0; i < PROFILE; i++) {
		double along = (2.0 * i + 1) / PROFILE - 1;
		p->t_s[i] = clamp(at->value[ONSET_T50] + reach_s * along, prior->earliest_s, prior->latest_s);
	}
	residuals_at(w, at, p->t_s, PROFILE, &b);
	for (int i = 0; i < PROFILE; i++) {
		p->sum[i] = eliminate(prior, at, b.out[i], step) + t50_penalty(prior, p->t_s[i]);
		p->best = fmin(p->best, p->sum[i]);
	}
}

/* Mean and sd of t50 over its profile; widened until the ends are out. */
static double posterior(const struct onset_window *w, const struct onset_prior *prior, const struct point *at,
                        double sd, struct onset_result *out)
{
	struct profile p;
	double reach = 3 * fmax(sd, 5e-5), centre = at->value[ONSET_T50];
	for (int widen = 0; widen < 4; widen++, reach *= 2) {
		profile_over(w, prior, at, reach, &p);
		if (fmin(p.sum[0], p.sum[PROFILE - 1]) > p.best + 5)
			break;
	}
	double weight = 0, mean = 0, square = 0;
	for (int i = 0; i < PROFILE; i++) {
		double like = exp(-(p.sum[i] - p.best) / 2), off = p.t_s[i] - centre;
		weight += like;
		mean += like * off;
		square += like * off * off;
	}
	mean /= weight;
	out->t50_s = centre + mean;
	out->sd_s = sqrt(fmax(square / weight - mean * mean, 0));
	return p.best;
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

/* Climbs from here, too, and keeps the better of the two. */
static void climb_also(const struct onset_window *w, const struct onset_prior *prior, double t50_s,
                       struct point *at, double *sum, double *sd)
{
	struct point other;
	double other_sd;
	start_at(w, prior, t50_s, &other);
	double other_sum = climb_from(w, prior, t50_s, &other, &other_sd);
	if (other_sum >= *sum)
		return;
	*at = other;
	*sum = other_sum;
	*sd = other_sd;
}

/* From the lowest point of the scan; from where the prior puts the event, at once, if that is in the same
 * cell, for there all slopes are known (beside another movement the prior is the poorer guess); also from
 * where the prior puts the event and from a second valley, if they are elsewhere: what overlaps may hide the
 * right one. */
static void find_best(const struct onset_window *w, const struct onset_prior *prior, const struct scan *s,
                      struct point *at, double *sd)
{
	const double near_s = 3e-3, hopeless = 40;
	double lowest = s->t_s[s->best], half_cell = 0.5 * (s->t_s[1] - s->t_s[0]);
	bool as_expected = !w->other.moves && fabs(lowest - at->value[ONSET_T50]) < half_cell;
	double sum = as_expected ? climb(w, prior, at, sd) : climb_from(w, prior, lowest, at, sd);
	double expected = prior->mean[ONSET_T50];
	if (as_expected && sum > POOR * (double)at->n)
		climb_also(w, prior, lowest, at, &sum, sd);
	if (fabs(at->value[ONSET_T50] - expected) > near_s && expected > prior->earliest_s &&
	    expected < prior->latest_s)
		climb_also(w, prior, expected, at, &sum, sd);
	for (size_t i = 1; i + 1 < s->n; i++) {
		bool valley = s->sum[i] <= s->sum[i - 1] && s->sum[i] < s->sum[i + 1];
		if (valley && i != s->best && s->sum[i] < s->sum[s->best] + hopeless &&
		    fabs(s->t_s[i] - expected) > near_s)
			climb_also(w, prior, s->t_s[i], at, &sum, sd);
	}
}

/* A movement put off to where nothing shows of it is none: what explains the one explains the other, also
 * where two rounds did not lead there. */
static void stay_as_put_off(const struct onset_window *w, const struct onset_prior *prior,
                            const struct point *at, struct hypotheses *h)
{
	struct point stayed = *at, *one = &stayed;
	const int from = 1;
	double sum;
	if (at->value[ONSET_T50] < prior->latest_s - 1e-3)
		return;
	stayed.value[ONSET_T50] = INFINITY;
	look_at(w, prior, &one, &from, 1);
	adjust(prior, &stayed, &sum);
	h->stayed_sum = fmin(h->stayed_sum, sum);
}

static inline bool fit(const struct onset_window *w, const struct onset_prior *prior,
                       struct onset_result *out)
{
	struct hypotheses h;
	struct scan scan = {.n = 0};
	double sd;
	memset(out, 0, sizeof(*out));
	if (w->n < 5 || w->cells < 4 || !(prior->latest_s > prior->earliest_s))
		return false;
	weigh(w, prior, &h);
	struct point at = h.expected;
	out->expected = expected_misfit(&at, &h.stayed);
	scan_over(w, prior, &at, &scan);
	find_best(w, prior, &scan, &at, &sd);
	stay_as_put_off(w, prior, &at, &h);
	memcpy(out->value, at.value, sizeof(at.value));
	out->misfit = posterior(w, prior, &at, sd, out);
	out->unimodal = one_peak(&scan, out->t50_s, out->sd_s, out->misfit);
	double moved = evidence(prior, out->misfit, out->sd_s);
	out->log_bayes_factor = (h.stayed_sum - moved) / 2;
	out->log_against_opposite = (h.otherwise_sum - moved) / 2;
	return true;
}

#ifdef __x86_64__
/* The sums over samples four abreast, where the processor can: the same numbers. */
__attribute__((target("avx2"), flatten)) static bool
fit_wide(const struct onset_window *w, const struct onset_prior *prior, struct onset_result *out)
{
	return fit(w, prior, out);
}
#else
#define fit_wide fit
#endif

bool onset_fit(const struct onset_window *w, const struct onset_prior *prior, struct onset_result *out)
{
	return processor_is_wide() ? fit_wide(w, prior, out) : fit(w, prior, out);
}

double onset_share_time(const struct onset_window *w, const double value[ONSET_PARAMETERS], double share)
{
	parameters both[2];
	samples out[2];
	memcpy(both[0], value, sizeof(parameters));
	both[0][ONSET_LAG] = both[0][ONSET_GAIN] = both[0][ONSET_ZERO] = 0;
	memcpy(both[1], both[0], sizeof(parameters));
	both[1][ONSET_T50] = INFINITY;
	onset_predict(w, both, 2, out);
	double before = 0;
	for (size_t i = 0; i < w->n; i++) {
		double at = w->t_s[i] - w->start_s, far = w->ambient_pa;
		if (w->passage == ONSET_INLET)
			far = w->supply_pa[(size_t)fmin(at / w->step_s, (double)w->cells - 1)];
		double now = (out[0][i] - out[1][i]) / (far - out[1][i]);
		if (now >= share)
			return i == 0 ? NAN
			              : w->t_s[i - 1] +
			                    (share - before) / (now - before) * (w->t_s[i] - w->t_s[i - 1]);
		before = now;
	}
	return NAN;
}
