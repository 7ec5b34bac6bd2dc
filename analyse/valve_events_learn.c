/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the events have in common, learned from a few dozen of each kind:
 * first a wide look for the delay, then all of a kind together, then the lag of the end's sensor. */
#include "analyse/valve_events_internal.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static int compare_double(const void *a, const void *b)
{
	double x = *(const double *)a, y = *(const double *)b;
	return (x > y) - (x < y);
}

static double median(double *x, size_t n)
{
	qsort(x, n, sizeof(*x), compare_double);
	return n % 2 ? x[n / 2] : (x[n / 2 - 1] + x[n / 2]) / 2;
}

/* First transition of a line commanded in the leg's core. */
static size_t core_begins(const struct passage_line *line, const struct leg *leg)
{
	size_t i = 0;
	while (i < line->n && line->at[i].command_us < (double)leg->core_from_us)
		i++;
	return i;
}

/* Evenly spread over the leg's core. */
static void choose(struct valve_events *v, const struct leg *leg, const struct crank *c, enum engine_end end,
                   enum valve_event_kind kind, struct batch *b)
{
	enum onset_passage passage = valve_kind_passage(kind);
	const struct passage_line *line = &v->chamber[end].line[passage];
	size_t first = core_begins(line, leg), events = (line->n - first + 1) / 2, taken = 0, seen = 0;
	b->n = 0;
	memset(b->use, 0, sizeof(b->use));
	for (size_t i = first; i < line->n && b->n < LEARN_WINDOWS; i++) {
		const struct transition *t = &line->at[i];
		if (t->opens != valve_kind_opens(kind) || seen++ * LEARN_WINDOWS < taken * events)
			continue;
		taken++;
		if (valve_window(v, leg, c, end, passage, t, 0, &b->window[b->n], &b->prior[b->n]))
			b->n++;
	}
}

#define SIZES 5 /* of valve that are tried when nothing is known */

struct start { /* one size of valve, tried on all windows of a batch */
	double value[LEARN_WINDOWS][ONSET_PARAMETERS];
	bool seen[LEARN_WINDOWS];
	double misfit[LEARN_WINDOWS]; /* a sample */
};

static void look_with(double flow_m3_s, const struct batch *b, struct start *s)
{
	for (size_t i = 0; i < b->n; i++) {
		struct onset_prior wide = b->prior[i];
		struct onset_result r;
		wide.mean[ONSET_K] = log(flow_m3_s);
		wide.sd[ONSET_K] = 0.4;
		s->misfit[i] = INFINITY;
		s->seen[i] = onset_fit(&b->window[i], &wide, &r) && r.log_bayes_factor > 5 &&
		             r.log_against_opposite > 5;
		if (s->seen[i])
			s->misfit[i] = r.misfit / (double)b->window[i].n;
		memcpy(s->value[i], wide.mean, sizeof(wide.mean));
		s->value[i][ONSET_T50] = r.t50_s;
		s->value[i][ONSET_P0] = onset_start(&b->window[i], r.t50_s);
	}
}

/* Windows in which some size of valve shows an event, but for those that no size explains half as
 * well as it explains the others. */
static void take_seen(const struct start *start, struct batch *b)
{
	double best[LEARN_WINDOWS], sorted[LEARN_WINDOWS];
	size_t n = 0;
	for (size_t i = 0; i < b->n; i++) {
		best[i] = INFINITY;
		for (int k = 0; k < SIZES; k++)
			best[i] = fmin(best[i], start[k].misfit[i]);
		if (isfinite(best[i]))
			sorted[n++] = best[i];
	}
	double middle = n ? median(sorted, n) : 0;
	for (size_t i = 0; i < b->n; i++)
		b->use[i] = best[i] < 4 * middle + 1;
}

/* Nothing known yet: every event with several sizes of valve, anywhere after its command; the size
 * that explains all of them best is kept. */
static void first_look(const struct onset_prior *prior, struct batch *b)
{
	static const double times[SIZES] = {0.17, 0.5, 1.3, 3.3, 10}; /* the usual one */
	struct start start[SIZES];
	struct onset_shared shared;
	double best = INFINITY;
	for (int k = 0; k < SIZES; k++)
		look_with(times[k] * exp(prior->mean[ONSET_K]), b, &start[k]);
	take_seen(start, b);
	for (int k = 0; k < SIZES; k++) {
		double sum = onset_learn(b->window, b->n, prior, start[k].value, b->use, &shared);
		if (sum < best) {
			best = sum;
			memcpy(b->value, start[k].value, sizeof(b->value));
		}
	}
}

static void look_again(const struct group *g, struct batch *b)
{
	for (size_t i = 0; i < b->n; i++) {
		struct onset_result r;
		b->use[i] = onset_fit(&b->window[i], &b->prior[i], &r) && r.log_bayes_factor > 5 &&
		            r.log_against_opposite > 5;
		memcpy(b->value[i], r.value, sizeof(r.value));
		memcpy(b->value[i] + ONSET_K, g->value + ONSET_K,
		       sizeof(double) * (ONSET_PARAMETERS - ONSET_K));
	}
}

static size_t used(const struct batch *b)
{
	size_t n = 0;
	for (size_t i = 0; i < b->n; i++)
		n += b->use[i];
	return n;
}

static double square_mean(const struct onset_window *w, const double *value)
{
	double predicted[1][ONSET_SAMPLES_MAX], sum = 0;
	onset_predict(w, (const double(*)[ONSET_PARAMETERS])value, 1, predicted);
	for (size_t i = 0; i < w->n; i++)
		sum += pow((w->p_pa[i] - predicted[0][i]) / w->noise_pa, 2);
	return sum / (double)w->n;
}

/* Leaves out the windows that fit far worse than the others; returns the
 * typical misfit a sample. */
static double leave_out_strays(struct batch *b)
{
	double all[LEARN_WINDOWS], sorted[LEARN_WINDOWS];
	size_t n = 0;
	for (size_t i = 0; i < b->n; i++) {
		all[i] = b->use[i] ? square_mean(&b->window[i], b->value[i]) : NAN;
		if (b->use[i])
			sorted[n++] = all[i];
	}
	double middle = n ? median(sorted, n) : 1;
	for (size_t i = 0; i < b->n; i++)
		if (b->use[i] && all[i] > 4 * middle + 1)
			b->use[i] = false;
	return middle;
}

struct delays {
	double middle_s, spread_s;
};

static struct delays delays_of(const struct batch *b)
{
	double t[LEARN_WINDOWS], off[LEARN_WINDOWS];
	size_t n = 0;
	for (size_t i = 0; i < b->n; i++)
		if (b->use[i])
			t[n++] = b->value[i][ONSET_T50];
	double middle = median(t, n);
	for (size_t i = 0; i < n; i++)
		off[i] = fabs(t[i] - middle);
	return (struct delays){middle, fmax(0.3e-3, 1.4826 * median(off, n))};
}

/* A valve answers, mostly, and about equally fast: anything else is no valve but the gas itself. */
static bool believable(const struct batch *b)
{
	if (used(b) < 3 || used(b) * 3 < b->n)
		return false;
	struct delays d = delays_of(b);
	return d.middle_s > 0 && d.spread_s < 6e-3;
}

/* What is known beforehand of what the events of a kind share, and how far off that may be. */
static void wide_prior(const struct valve_events *v, const struct group *other_way, const struct batch *b,
                       struct onset_prior *prior)
{
	static const double sd[ONSET_PARAMETERS] = {0, 0, 0, 1.0, 0.15, 0.7, 0.5, 0.08, 0.02};
	*prior = b->prior[0];
	for (int j = ONSET_K; j < ONSET_PARAMETERS; j++) {
		prior->mean[j] = v->usual[j];
		prior->sd[j] = sd[j];
	}
	/* A leak shows in the small, slack chamber behind compression. */
	if (b->window[0].passage != ONSET_EXHAUST || b->window[0].opening)
		prior->sd[ONSET_LEAK] = 0;
	if (other_way->learned) { /* the same passage, seen when it moves the other way */
		prior->mean[ONSET_K] = other_way->value[ONSET_K];
		prior->sd[ONSET_K] = hypot(0.1, isnan(other_way->flow_sd) ? 1 : other_way->flow_sd);
	}
}

static void take_values(struct group *g, const struct batch *b, double misfit,
                        const struct onset_shared *shared)
{
	struct delays d = delays_of(b);
	for (size_t i = 0; i < b->n; i++)
		if (b->use[i])
			memcpy(g->value + ONSET_K, b->value[i] + ONSET_K,
			       sizeof(double) * (ONSET_PARAMETERS - ONSET_K));
	g->common_sd_s = shared->t50_common_s;
	g->flow_sd = shared->sd[ONSET_K];
	g->ramp_sd = shared->sd[ONSET_RAMP];
	g->sd[ONSET_K] = 0.015;
	g->sd[ONSET_WARM0] = 0.03;
	g->noise_factor = fmax(1, g->noise_factor * sqrt(misfit));
	g->delay_s = d.middle_s;
	g->spread_s = d.spread_s;
	g->scale_s = fmax(3e-3, 2 * d.spread_s);
	g->learned_from = (unsigned)used(b);
}

/* Learns one kind from its batch; `first` when nothing is known of it. */
static void learn_group(const struct valve_events *v, struct group *g, const struct group *other_way,
                        struct batch *b, bool first)
{
	struct onset_prior prior;
	struct onset_shared shared;
	wide_prior(v, other_way, b, &prior);
	if (first)
		first_look(&prior, b);
	else
		look_again(g, b);
	if (used(b) < 3)
		return;
	onset_learn(b->window, b->n, &prior, b->value, b->use, &shared);
	double misfit = leave_out_strays(b);
	g->learned = believable(b);
	if (!g->learned)
		return;
	onset_learn(b->window, b->n, &prior, b->value, b->use, &shared);
	take_values(g, b, misfit, &shared);
}

/* The other passage of a window as its own batch now describes it. */
static void follow_other(const struct batch *kinds, double shift_s, struct onset_window *w)
{
	enum onset_passage other = w->passage == ONSET_INLET ? ONSET_EXHAUST : ONSET_INLET;
	const struct batch *b = &kinds[valve_kind(other, w->other.opening)];
	if (!w->other.moves)
		return;
	w->other.t50_s += shift_s;
	if (used(b) < 3)
		return;
	w->other.ramp_s = exp(b->value[0][ONSET_RAMP]);
	w->other.k_m3_s = exp(b->value[0][ONSET_K]);
}

/* Windows that speak for the lag.  Where the inlet opens beside a closing or a release, the steep part is not
 * the event's own, and what is assumed of the inlet would pass for lag. */
static size_t lag_windows(const struct batch *b, bool use[LEARN_WINDOWS])
{
	bool admission = b->window[0].passage == ONSET_INLET && b->window[0].opening;
	size_t n = 0;
	for (size_t i = 0; i < b->n; i++)
		n += use[i] = b->use[i] && (admission || !b->window[i].other.moves);
	return n;
}

/* Misfit of the kinds of one end together, as a function of the sensor's lag; the release, slow and long,
 * says less of the lag than of what is assumed of heat and valve. */
static double misfit_with_lag(struct valve_events *v, enum engine_end end, double lag_s)
{
	struct onset_shared shared;
	double sum = 0;
	for (int k = 0; k < EVENT_KINDS; k++) {
		struct batch *b = &v->batch[end][k];
		struct onset_prior prior;
		bool use[LEARN_WINDOWS];
		if (k == EVENT_RELEASE || lag_windows(b, use) < 3)
			continue;
		wide_prior(v, &v->group[end][k ^ 1], b, &prior);
		prior.sd[ONSET_LEAK] = 0;                       /* it would pass for lag */
		prior.mean[ONSET_T50] -= lag_s - v->lag_s[end]; /* all of it comes from the sensor */
		for (size_t i = 0; i < b->n; i++) {
			double shift = b->window[i].lag_s - lag_s;
			b->value[i][ONSET_T50] += shift;
			b->value[i][ONSET_LEAK] = 0;
			b->window[i].lag_s = lag_s;
			follow_other(v->batch[end], shift, &b->window[i]);
		}
		sum += onset_learn(b->window, b->n, &prior, b->value, use, &shared);
	}
	return sum;
}

struct lag_trial {
	double lag_s, misfit[END_COUNT];
};

static void try_lag(struct valve_events *v, enum engine_end end, void *ctx)
{
	struct lag_trial *t = ctx;
	t->misfit[end] = misfit_with_lag(v, end, t->lag_s);
}

#define LAG_STEPS 14
#define LAG_STEP_S 0.5e-3

struct lag_curve { /* misfit at 0, 1, 2 ... steps */
	double sum[LAG_STEPS + 1];
	size_t n, best;
};

static void lag_curve_add(struct lag_curve *c, double sum)
{
	c->sum[c->n] = sum;
	if (sum < c->sum[c->best])
		c->best = c->n;
	c->n++;
}

struct lag {
	double lag_s, sd_s;
};

/* Machines drawn at random and rehearsed (tool_event_machines): the lag comes out 0.2 ms rms off, one of 3
 * ms 0.4 ms: a ramp blurs much as a lag does. */
#define LAG_MODEL_SD_S 0.2e-3
#define LAG_MODEL_SHARE 0.1

/* The curve between its points: a cubic through the two beside, as steep at each point as the line from the
 * one before to the one behind. */
static double lag_curve_at(const struct lag_curve *c, double steps)
{
	size_t i = (size_t)fmin(steps, (double)c->n - 2);
	double u = steps - (double)i, from = c->sum[i], to = c->sum[i + 1];
	double before = i > 0 ? c->sum[i - 1] : 2 * from - to;
	double behind = i + 2 < c->n ? c->sum[i + 2] : 2 * to - from;
	double start = (to - before) / 2, end = (behind - from) / 2, rise = to - from;
	return from + u * (start + u * (3 * rise - 2 * start - end + u * (start + end - 2 * rise)));
}

/* Mean and sd of the lag under the curve; a lag below 0 there is not. */
static struct lag lag_of_curve(const struct lag_curve *c)
{
	const double fine = 0.05;
	double weight = 0, mean = 0, square = 0;
	if (c->n < 3)
		return (struct lag){0, LAG_STEP_S};
	for (double at = 0; at <= (double)c->n - 1; at += fine) {
		double like = exp((c->sum[c->best] - lag_curve_at(c, at)) / 2);
		weight += like;
		mean += like * at;
		square += like * at * at;
	}
	mean /= weight;
	double sd = LAG_STEP_S * sqrt(fmax(square / weight - mean * mean, 0)), lag_s = LAG_STEP_S * mean;
	return (struct lag){lag_s, hypot(sd, hypot(LAG_MODEL_SD_S, LAG_MODEL_SHARE * lag_s))};
}

/* Sensors answer within some tenths of a millisecond, a hose adds up to some milliseconds (judgement): misfit
 * of a lag before anything is measured. */
static double lag_prior(double lag_s)
{
	double off = (lag_s - 0.5e-3) / 1.5e-3;
	return off * off;
}

static void set_lag(struct valve_events *v, enum engine_end end, struct lag lag)
{
	for (int k = 0; k < EVENT_KINDS; k++)
		v->group[end][k].delay_s += v->lag_s[end] - lag.lag_s;
	v->lag_s[end] = lag.lag_s;
	v->lag_sd_s[end] = lag.sd_s;
}

/* The lag at which all kinds together fit best: a valve's ramp and a lag blur one opening alike, but not
 * the openings, the closings and the slow curves between them all at once.  Both ends' sensors are taken to
 * be alike unless the ends clearly disagree. */
static void learn_lag(struct valve_events *v)
{
	const double apart = 40; /* rehearsed rides with equal sensors disagree by up to 25 */
	struct lag_curve both = {0}, one[END_COUNT] = {0};
	while (both.n <= LAG_STEPS && both.n < both.best + 4) {
		struct lag_trial trial = {.lag_s = (double)both.n * LAG_STEP_S};
		valve_each_end(v, try_lag, &trial);
		for (int end = 0; end < END_COUNT; end++)
			lag_curve_add(&one[end], trial.misfit[end] + lag_prior(trial.lag_s));
		lag_curve_add(&both, trial.misfit[0] + trial.misfit[1] + lag_prior(trial.lag_s));
	}
	double alike = both.sum[both.best], own = one[0].sum[one[0].best] + one[1].sum[one[1].best];
	for (int end = 0; end < END_COUNT; end++)
		set_lag(v, (enum engine_end)end, lag_of_curve(alike - own > apart ? &one[end] : &both));
}

/* Of a passage of which nothing is known yet the delay is taken to be that of the other passage
 * moving the same way. */
static void guess_delay(struct valve_events *v, enum engine_end end, enum valve_event_kind k)
{
	struct group *g = &v->group[end][k];
	enum valve_event_kind alike = k == EVENT_ADMISSION ? EVENT_RELEASE : EVENT_CUT_OFF;
	if (!g->learned && v->group[end][alike].learned)
		g->delay_s = v->group[end][alike].delay_s;
}

static void learn_kind(struct valve_events *v, const struct leg *leg, const struct crank *c,
                       enum engine_end end, enum valve_event_kind k, bool first)
{
	struct group *g = &v->group[end][k];
	struct batch *b = &v->batch[end][k];
	guess_delay(v, end, EVENT_ADMISSION);
	guess_delay(v, end, EVENT_COMPRESSION);
	valve_predict_transitions(v, end);
	choose(v, leg, c, end, k, b);
	if (b->n >= 3)
		learn_group(v, g, &v->group[end][k ^ 1], b, first || !g->learned);
}

struct round {
	const struct leg *leg;
	const struct crank *crank;
	bool first;
};

static void learn_end(struct valve_events *v, enum engine_end end, void *ctx)
{
	/* cut-off and release stand alone; admission and compression may overlap */
	static const enum valve_event_kind order[] = {EVENT_CUT_OFF, EVENT_RELEASE, EVENT_ADMISSION,
	                                              EVENT_COMPRESSION};
	const struct round *r = ctx;
	for (int i = 0; i < EVENT_KINDS; i++)
		learn_kind(v, r->leg, r->crank, end, order[i], r->first);
	valve_predict_transitions(v, end);
}

static bool all_learned(const struct valve_events *v)
{
	for (int end = 0; end < END_COUNT; end++)
		for (int k = 0; k < EVENT_KINDS; k++)
			if (v->chamber[end].series != NULL &&
			    v->chamber[end].line[valve_kind_passage((enum valve_event_kind)k)].n > 2 &&
			    v->group[end][k].learned_from < LEARN_WINDOWS / 2)
				return false;
	return true;
}

int valve_events_learn(struct valve_events *v, const struct leg *leg, const struct crank *c,
                       struct fault *fault)
{
	if (valve_prepare_leg(v, leg, fault) != 0)
		return -1;
	if (all_learned(v))
		return 0;
	struct round first = {.leg = leg, .crank = c, .first = true}, again = {.leg = leg, .crank = c};
	valve_each_end(v, learn_end, &first);
	valve_each_end(v, learn_end, &again);
	learn_lag(v);
	valve_each_end(v, learn_end, &again);
	valve_gas_model(v);
	return 0;
}
