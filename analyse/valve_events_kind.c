/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The windows of one kind of event at one end, and what is learned from them alone: chosen over the leg,
 * fitted, strays left out; whether a valve shows in them at all. */
#include "analyse/valve_events_learning.h"

#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <string.h>

/* First transition of a line commanded in the leg's core. */
static size_t core_begins(const struct passage_line *line, const struct leg *leg)
{
	size_t i = 0;
	while (i < line->n && line->at[i].command_us < (double)leg->core_from_us)
		i++;
	return i;
}

/* Evenly spread over the leg's core; what comes `late_s` later than usual still lies in the windows. */
static void choose(struct valve_events *v, const struct leg *leg, const struct crank *c, enum engine_end end,
                   enum valve_event_kind kind, double late_s, struct batch *b)
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
		b->command_us[b->n] = t->command_us;
		if (valve_window(v, leg, c, end, passage, t, late_s, &b->window[b->n], &b->prior[b->n]))
			b->n++;
	}
}

size_t valve_batch_used(const struct batch *b)
{
	size_t n = 0;
	for (size_t i = 0; i < b->n; i++)
		n += b->use[i];
	return n;
}

struct onset_kind valve_batch_kind(struct batch *b, const struct onset_prior *prior, const bool *use)
{
	return (struct onset_kind){
	    .w = b->window, .n = b->n, .prior = prior, .value = b->value, .use = use, .other = -1};
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
	double middle = n ? gsl_stats_median(sorted, 1, n) : 0;
	for (size_t i = 0; i < b->n; i++)
		b->use[i] = best[i] < 4 * middle + 1;
}

/* Nothing known yet: every event with several sizes of valve, anywhere after its command; the size
 * that explains all of them best is kept. */
static void first_look(const struct onset_prior *prior, struct batch *b)
{
	static const double times[SIZES] = {0.17, 0.5, 1.3, 3.3, 10}; /* the usual one */
	struct start start[SIZES];
	double best = INFINITY;
	for (int k = 0; k < SIZES; k++)
		look_with(times[k] * exp(prior->mean[ONSET_K]), b, &start[k]);
	take_seen(start, b);
	for (int k = 0; k < SIZES; k++) {
		struct onset_kind kind = valve_batch_kind(b, prior, b->use);
		kind.value = start[k].value;
		double sum = valve_batch_used(b) > 0 ? onset_learn(&kind, 1) : INFINITY;
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

static double square_mean(const struct onset_window *w, const double *value)
{
	double predicted[1][ONSET_SAMPLES_MAX], sum = 0;
	onset_predict(w, (const double(*)[ONSET_PARAMETERS])value, 1, predicted);
	for (size_t i = 0; i < w->n; i++)
		sum += pow((w->p_pa[i] - predicted[0][i]) / w->noise_pa, 2);
	return sum / (double)w->n;
}

double valve_batch_leave_out_strays(struct batch *b)
{
	double all[LEARN_WINDOWS], sorted[LEARN_WINDOWS];
	size_t n = 0;
	for (size_t i = 0; i < b->n; i++) {
		all[i] = b->use[i] ? square_mean(&b->window[i], b->value[i]) : NAN;
		if (b->use[i])
			sorted[n++] = all[i];
	}
	double middle = n ? gsl_stats_median(sorted, 1, n) : 1;
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
	double middle = gsl_stats_median(t, 1, n);
	for (size_t i = 0; i < n; i++)
		off[i] = fabs(t[i] - middle);
	return (struct delays){middle, fmax(0.3e-3, 1.4826 * gsl_stats_median(off, 1, n))};
}

#define LEAST_FLOW 0.1 /* of what suits the cylinder: less is a leak (judgement) */

bool valve_batch_believable(const struct valve_events *v, const struct batch *b)
{
	if (valve_batch_used(b) < 3 || valve_batch_used(b) * 3 < b->n)
		return false;
	for (size_t i = 0; i < b->n; i++)
		if (b->use[i] && b->value[i][ONSET_K] < v->usual[ONSET_K] + log(LEAST_FLOW))
			return false;
	struct delays d = delays_of(b);
	return d.middle_s > 0 && d.spread_s < 6e-3;
}

/* By how much log T/Tw may be off that was told from the pressures before: what the walls give or take is
 * known within a factor of two, leaks and the inlet's own losses are left out (judgement). */
#define WARMTH_SD 0.05

void valve_batch_prior(const struct valve_events *v, enum engine_end end, const struct batch *b,
                       bool with_other_way, struct onset_prior *prior)
{
	static const double sd[ONSET_PARAMETERS] = {0, 0, 0, 1.0, 0.15, 0.7, 0.5, 0.1, 0.02, 0, 0.1};
	const struct onset_window *w = &b->window[0];
	const struct group *own = &v->group[end][valve_kind(w->passage, w->opening)];
	const struct group *other_way = &v->group[end][valve_kind(w->passage, !w->opening)];
	*prior = b->prior[0];
	for (int j = ONSET_K; j < ONSET_LAG; j++) {
		prior->mean[j] = v->usual[j];
		prior->sd[j] = sd[j];
	}
	if (own->warmth.known) {
		prior->mean[ONSET_WARM0] = own->warmth.usual;
		prior->mean[ONSET_WARM_SPEED] = own->warmth.per_log_speed;
		prior->sd[ONSET_WARM0] = prior->sd[ONSET_WARM_SPEED] = hypot(WARMTH_SD, own->warmth.sd);
	}
	/* A leak shows in the small, slack chamber behind compression; where it changes meanwhile, as when
	 * the other end empties, it passes for an exhaust that shuts slowly: half to twice the usual, no
	 * more. */
	if (w->passage == ONSET_EXHAUST && !w->opening)
		prior->sd[ONSET_RAMP] = 0.35;
	else
		prior->sd[ONSET_LEAK] = 0;
	if (with_other_way && other_way->learned) {
		prior->mean[ONSET_K] = other_way->value[ONSET_K];
		prior->sd[ONSET_K] = hypot(0.05, isnan(other_way->flow_sd) ? 1 : other_way->flow_sd);
		prior->mean[ONSET_B] = other_way->value[ONSET_B];
		prior->mean[ONSET_SHAPE] = other_way->value[ONSET_SHAPE];
	}
}

/* From one event to the next, at the same speed, log T/Tw strays by this: much less where it is known how it
 * goes with the speed (rehearsed rides: 0.01). */
#define EVENT_WARMTH_SD 0.01
#define EVENT_WARMTH_UNKNOWN_SD 0.03

void valve_group_take(struct group *g, const struct batch *b, const struct onset_shared *shared)
{
	struct delays d = delays_of(b);
	for (size_t i = 0; i < b->n; i++)
		if (b->use[i])
			memcpy(g->value + ONSET_K, b->value[i] + ONSET_K,
			       sizeof(double) * (ONSET_PARAMETERS - ONSET_K));
	g->value[ONSET_OTHER_K] = g->value[ONSET_OTHER_RAMP] = 0; /* the other's group holds them */
	g->common_sd_s = shared->t50_common_s;
	g->per_lag = shared->t50_per_lag;
	g->flow_sd = shared->sd[ONSET_K];
	g->ramp_sd = shared->sd[ONSET_RAMP];
	g->sd[ONSET_K] = 0.015;
	g->sd[ONSET_WARM0] = g->warmth.known ? EVENT_WARMTH_SD : EVENT_WARMTH_UNKNOWN_SD;
	g->delay_s = d.middle_s;
	g->spread_s = d.spread_s;
	g->scale_s = fmax(3e-3, 2 * d.spread_s);
	g->learned_from = (unsigned)valve_batch_used(b);
}

/* Learns one kind by itself, of which nothing is known yet. */
static void learn_group(const struct valve_events *v, enum engine_end end, struct group *g, struct batch *b)
{
	struct onset_prior prior;
	valve_batch_prior(v, end, b, true, &prior);
	struct onset_kind kind = valve_batch_kind(b, &prior, b->use);
	first_look(&prior, b);
	if (valve_batch_used(b) < 3)
		return;
	onset_learn(&kind, 1);
	double misfit = valve_batch_leave_out_strays(b);
	g->learned = valve_batch_believable(v, b);
	if (!g->learned)
		return;
	onset_learn(&kind, 1);
	g->noise_factor = fmax(1, g->noise_factor * sqrt(misfit));
	valve_group_take(g, b, &kind.shared);
}

void valve_guess_delay(struct valve_events *v, enum engine_end end, enum valve_event_kind k)
{
	struct group *g = &v->group[end][k];
	enum valve_event_kind alike = k == EVENT_ADMISSION ? EVENT_RELEASE : EVENT_CUT_OFF;
	if (!g->learned && v->group[end][alike].learned)
		g->delay_s = v->group[end][alike].delay_s;
}

/* A valve of which nothing is known yet may answer later than was guessed, behind what a window shows: it is
 * looked for again in longer ones. */
#define LOOKS 2
#define LATER_S 15e-3

void valve_meet_kind(struct valve_events *v, const struct leg *leg, const struct crank *c,
                     enum engine_end end, enum valve_event_kind k)
{
	struct group *g = &v->group[end][k];
	struct batch *b = &v->batch[end][k];
	for (int look = 0; look < LOOKS && !g->learned; look++) {
		choose(v, leg, c, end, k, look * LATER_S, b);
		if (b->n < 3)
			return;
		learn_group(v, end, g, b);
	}
}

/* Is it known when the end's air comes in and leaves? */
static bool air_is_followed(const struct valve_events *v, enum engine_end end)
{
	for (int k = 0; k < EVENT_KINDS; k++)
		if (!v->group[end][k].learned)
			return false;
	return true;
}

void valve_learn_kind(struct valve_events *v, const struct leg *leg, const struct crank *c,
                      enum engine_end end, enum valve_event_kind k)
{
	struct group *g = &v->group[end][k];
	struct batch *b = &v->batch[end][k];
	valve_guess_delay(v, end, EVENT_ADMISSION);
	valve_guess_delay(v, end, EVENT_COMPRESSION);
	valve_predict_transitions(v, end);
	if (!g->learned) {
		valve_meet_kind(v, leg, c, end, k);
		return;
	}
	choose(v, leg, c, end, k, 0, b);
	look_again(g, b);
	if (air_is_followed(v, end))
		g->warmth = valve_batch_warmth(v, c, end, b);
	if (valve_batch_used(b) < 3)
		return;
	g->noise_factor = fmax(1, g->noise_factor * sqrt(valve_batch_leave_out_strays(b)));
}
