/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the events have in common, learned from a few dozen of each kind:
 * first a wide look for the delay of each kind by itself, then both kinds of a passage together, with the
 * sensor's lag and what its gauge shows. */
#include "analyse/valve_events_internal.h"

#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <stdlib.h>
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

static size_t used(const struct batch *b)
{
	size_t n = 0;
	for (size_t i = 0; i < b->n; i++)
		n += b->use[i];
	return n;
}

static struct onset_kind kind_of(struct batch *b, const struct onset_prior *prior, const bool *use)
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
		struct onset_kind kind = kind_of(b, prior, b->use);
		kind.value = start[k].value;
		double sum = used(b) > 0 ? onset_learn(&kind, 1) : INFINITY;
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

/* A valve answers, mostly, and about equally fast, and lets a stroke's air through: anything else is no valve
 * but the gas itself. */
static bool believable(const struct valve_events *v, const struct batch *b)
{
	if (used(b) < 3 || used(b) * 3 < b->n)
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

/* What is known beforehand of what the events of a kind share, and how far off that may be; with what the
 * same passage showed when it moved the other way, or without. */
static void wide_prior(const struct valve_events *v, enum engine_end end, const struct batch *b,
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

static void take_values(struct group *g, const struct batch *b, const struct onset_shared *shared)
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
	g->learned_from = (unsigned)used(b);
}

/* Learns one kind by itself, of which nothing is known yet. */
static void learn_group(const struct valve_events *v, enum engine_end end, struct group *g, struct batch *b)
{
	struct onset_prior prior;
	wide_prior(v, end, b, true, &prior);
	struct onset_kind kind = kind_of(b, &prior, b->use);
	first_look(&prior, b);
	if (used(b) < 3)
		return;
	onset_learn(&kind, 1);
	double misfit = leave_out_strays(b);
	g->learned = believable(v, b);
	if (!g->learned)
		return;
	onset_learn(&kind, 1);
	g->noise_factor = fmax(1, g->noise_factor * sqrt(misfit));
	take_values(g, b, &kind.shared);
}

/* --- all kinds of an end together --------------------------------------------- */

#define SENSOR_PARAMETERS (ONSET_PARAMETERS - ONSET_LAG)

/* Sensors answer within some tenths of a millisecond, a hose adds up to some milliseconds (judgement): where
 * the pressure does not tell, no lag is taken to be there; a prior with a heavy tail, reached by widening a
 * normal one by how far off the lag was found.  Gauges as people own them differ by some 2 % and 50 mbar
 * (judgement). */
#define LAG_SCALE_S 0.4e-3
#define GAUGE_GAIN_SD 0.02
#define GAUGE_ZERO_SD_PA 5e3

/* An area that goes with the lift to the power of 1.5 has a shape of -0.6, of 0.7 one of 0.5 (judgement). */
#define SHAPE_SD 0.3

enum { LAG, GAIN, ZERO };

struct sensor { /* what is known of an end's: lag, gain, zero and their sd, as from ONSET_LAG on */
	double mean[SENSOR_PARAMETERS], sd[SENSOR_PARAMETERS];
};

static const struct sensor usual_sensor = {{0, 0, 0}, {1.5e-3, GAUGE_GAIN_SD, GAUGE_ZERO_SD_PA}};

/* What leaks from an end shows in its expansion, the longest that it stands shut under pressure, as a share
 * of what its exhaust lets through; the inlet's windows are too short to tell it and take it from there
 * (judgement). */
#define LEAK_SD 0.05
#define LEAK_TAKEN_SD 0.002

static void expect_leak(const struct group *release, const struct onset_window *w, struct onset_prior *prior)
{
	double share = exp(release->value[ONSET_K] - prior->mean[ONSET_K]);
	if (w->passage == ONSET_INLET) {
		prior->mean[ONSET_LEAK] = share * release->value[ONSET_LEAK];
		prior->sd[ONSET_LEAK] = hypot(LEAK_TAKEN_SD, share * release->leak_sd);
	} else if (w->opening)
		prior->sd[ONSET_LEAK] = LEAK_SD;
}

/* Of the other passage's movement beside this one as little is taken to be known as of this one itself: where
 * it is thought to be was learned from events that were timed with what is being learned. */
#define OTHER_SD_S 3e-3

static void joint_prior(const struct valve_events *v, enum engine_end end, const struct batch *b,
                        const struct sensor *sensor, struct onset_prior *prior)
{
	wide_prior(v, end, b, false, prior);
	expect_leak(&v->group[end][EVENT_RELEASE], &b->window[0], prior);
	prior->sd[ONSET_SHAPE] = b->window[0].opening ? SHAPE_SD : 0; /* a closing alone does not tell it */
	prior->sd[ONSET_OTHER] = fmax(prior->sd[ONSET_OTHER], OTHER_SD_S);
	memcpy(prior->mean + ONSET_LAG, sensor->mean, sizeof(sensor->mean));
	memcpy(prior->sd + ONSET_LAG, sensor->sd, sizeof(sensor->sd));
}

struct joint { /* the kinds of an end that take part in a joint look */
	struct onset_kind kind[EVENT_KINDS];
	struct onset_prior prior[EVENT_KINDS];
	struct group *group[EVENT_KINDS];
	struct batch *batch[EVENT_KINDS];
	size_t n;
};

static void join(struct valve_events *v, enum engine_end end, enum onset_passage passage,
                 const struct sensor *sensor, struct joint *j)
{
	for (int opens = 1; opens >= 0; opens--) {
		int k = (int)valve_kind(passage, opens);
		struct batch *b = &v->batch[end][k];
		if (!v->group[end][k].learned || used(b) < 3)
			continue;
		joint_prior(v, end, b, sensor, &j->prior[j->n]);
		j->kind[j->n] = kind_of(b, &j->prior[j->n], b->use);
		j->batch[j->n] = b;
		j->group[j->n++] = &v->group[end][k];
	}
}

/* Where a joint look may begin: with this lag, and either as the kinds by themselves say or as usual. The
 * wrong lag leads them astray by themselves; so does a gauge that shows too much. */
struct beginning {
	double lag_s;
	bool usual;
};

static const struct beginning beginnings[] = {
    {0.5e-3, false}, {2e-3, false}, {0.5e-3, true}, {2e-3, true}, {4.5e-3, true}};

#define BEGINNINGS (sizeof(beginnings) / sizeof(*beginnings))
#define BEGIN_WITH 8 /* windows of each kind */

/* Values of a kind's windows for a beginning. */
static void begin_kind(const struct valve_events *v, const struct batch *b, const struct beginning *s,
                       double release_k, double (*value)[ONSET_PARAMETERS])
{
	for (size_t i = 0; i < b->n; i++) {
		memcpy(value[i], b->value[i], sizeof(b->value[i]));
		if (s->usual) {
			memcpy(value[i] + ONSET_K, v->usual + ONSET_K,
			       sizeof(double) * (ONSET_PARAMETERS - ONSET_K));
			value[i][ONSET_K] = release_k;
		}
		value[i][ONSET_T50] += b->value[i][ONSET_LAG] - s->lag_s;
		value[i][ONSET_LAG] = s->lag_s;
	}
}

static void thin(const struct batch *b, bool use[LEARN_WINDOWS])
{
	size_t all = used(b), seen = 0, taken = 0;
	for (size_t i = 0; i < b->n; i++) {
		use[i] = b->use[i] && seen++ * BEGIN_WITH >= taken * all && taken < BEGIN_WITH;
		taken += use[i];
	}
}

struct trial {
	double value[EVENT_KINDS][LEARN_WINDOWS][ONSET_PARAMETERS];
	bool use[EVENT_KINDS][LEARN_WINDOWS];
};

/* Shared parameters as a trial found them, for all windows. */
static void take_trial(const struct trial *t, struct joint *j)
{
	for (size_t k = 0; k < j->n; k++)
		for (size_t i = 0; i < j->batch[k]->n; i++) {
			double *to = j->batch[k]->value[i];
			const double *from = t->value[k][i];
			to[ONSET_T50] += to[ONSET_LAG] - from[ONSET_LAG];
			memcpy(to + ONSET_K, from + ONSET_K, sizeof(double) * (ONSET_PARAMETERS - ONSET_K));
		}
}

/* Tries several beginnings with a few windows and leaves all where the best one led. */
static void begin(const struct valve_events *v, double release_k, struct joint *j)
{
	struct trial trial[2];
	size_t best = 0;
	double least = INFINITY;
	for (size_t s = 0; s < BEGINNINGS; s++) {
		struct trial *t = &trial[!best];
		struct onset_kind kind[EVENT_KINDS];
		for (size_t k = 0; k < j->n; k++) {
			begin_kind(v, j->batch[k], &beginnings[s], release_k, t->value[k]);
			thin(j->batch[k], t->use[k]);
			kind[k] = j->kind[k];
			kind[k].value = t->value[k];
			kind[k].use = t->use[k];
		}
		double sum = onset_learn(kind, j->n);
		if (sum < least) {
			least = sum;
			best = !best;
		}
	}
	take_trial(&trial[best], j);
}

/* Learns the joined kinds; of the sensor, what was found comes out. */
static void learn_joint(const struct valve_events *v, struct joint *j, struct sensor *sensor)
{
	onset_learn(j->kind, j->n);
	for (size_t i = 0; i < j->n; i++)
		leave_out_strays(j->batch[i]);
	onset_learn(j->kind, j->n);
	for (size_t i = 0; i < j->n; i++) {
		j->group[i]->learned = believable(v, j->batch[i]);
		if (!j->group[i]->learned)
			continue;
		take_values(j->group[i], j->batch[i], &j->kind[i].shared);
		j->group[i]->leak_sd = j->kind[i].shared.sd[ONSET_LEAK];
	}
	memcpy(sensor->mean, j->batch[0]->value[0] + ONSET_LAG, sizeof(sensor->mean));
	memcpy(sensor->sd, j->kind[0].shared.sd + ONSET_LAG, sizeof(sensor->sd));
}

/* Both kinds of a passage together; of the sensor, what was known beforehand goes in, and what was found
 * comes out. */
static void learn_together(struct valve_events *v, enum engine_end end, enum onset_passage passage,
                           bool first, struct sensor *sensor)
{
	struct joint j = {.n = 0};
	join(v, end, passage, sensor, &j);
	if (j.n == 0)
		return;
	if (first)
		begin(v, v->group[end][EVENT_RELEASE].value[ONSET_K], &j);
	learn_joint(v, &j, sensor);
}

/* How many windows in use of a kind hold the other passage's movement this way, too. */
static size_t beside(const struct batch *b, bool opening)
{
	size_t n = 0;
	for (size_t i = 0; i < b->n; i++)
		n += b->use[i] && b->window[i].other.moves && b->window[i].other.opening == opening;
	return n;
}

/* The kind that moves beside the one given in most of its windows, and never the other way; -1 = none. */
static int kind_beside(const struct batch *b)
{
	size_t opening = beside(b, true), shutting = beside(b, false), most = opening + shutting;
	enum onset_passage other = b->window[0].passage == ONSET_INLET ? ONSET_EXHAUST : ONSET_INLET;
	bool alone = most < 3 || 2 * most<used(b), both = opening> 0 && shutting > 0;
	return alone || both ? -1 : (int)valve_kind(other, opening > 0);
}

/* Does any kind of the end move beside another?  Then what is wrong with the one passes for the other and for
 * the lag. */
static bool any_beside(const struct valve_events *v, enum engine_end end)
{
	for (int k = 0; k < EVENT_KINDS; k++)
		if (v->group[end][k].learned && kind_beside(&v->batch[end][k]) >= 0)
			return true;
	return false;
}

/* Joined kind i has the other passage's K and ramp in common with the kind that moves beside it. */
static void join_beside(const struct valve_events *v, enum engine_end end, size_t i, struct joint *j)
{
	int kind = kind_beside(j->batch[i]);
	for (size_t o = 0; o < j->n && kind >= 0; o++)
		if (j->group[o] == &v->group[end][kind])
			j->kind[i].other = (int)o;
}

/* All kinds of an end have its sensor's lag, gain and zero. */
static void set_sensor(struct valve_events *v, enum engine_end end, const struct sensor *sensor)
{
	for (int k = 0; k < EVENT_KINDS; k++) {
		struct group *g = &v->group[end][k];
		g->delay_s += g->per_lag * (sensor->mean[LAG] - g->value[ONSET_LAG]);
		g->value[ONSET_LAG] = sensor->mean[LAG];
		g->value[ONSET_GAIN] = sensor->mean[GAIN];
	}
	v->lag_s[end] = sensor->mean[0];
	v->lag_sd_s[end] = sensor->sd[0];
}

/* What the model adds to the doubt: a ramp blurs much as a lag does, and what lags much (a hose, a filter) is
 * hardly of first order. Lags of drawn machines came out 0.03 to 0.09 ms rms off (tool_event_machines).
 */
#define LAG_MODEL_SD_S 0.1e-3
#define LAG_MODEL_SHARE 0.15

static double lag_variance(const struct sensor *s)
{
	double model = hypot(LAG_MODEL_SD_S, LAG_MODEL_SHARE * s->mean[0]);
	return s->sd[0] * s->sd[0] + model * model;
}

/* A small lag shows by how it blurs, which goes with its square: it may as well be smaller by more than it
 * may be greater. */
static double lag_sd(double lag_s, double sd_s)
{
	double least_s = sqrt(fmax(lag_s * (lag_s - 4 * sd_s), 0)); /* two sd less of the square */
	return fmax(sd_s, (lag_s - least_s) / 2);
}

/* Both ends' sensors are taken to be alike unless the ends clearly disagree. */
static void pool_lags(struct sensor sensor[END_COUNT])
{
	double variance[END_COUNT] = {lag_variance(&sensor[0]), lag_variance(&sensor[1])};
	double apart = sensor[1].mean[0] - sensor[0].mean[0], both = variance[0] + variance[1];
	bool alike = apart * apart < 16 * both;
	double middle = sensor[0].mean[0] + apart * variance[0] / both;
	double sd = fmax(sqrt(variance[0] * variance[1] / both), fabs(apart) / 2);
	for (int end = 0; end < END_COUNT; end++) {
		sensor[end].mean[0] = alike ? middle : sensor[end].mean[0];
		sensor[end].sd[0] = lag_sd(sensor[end].mean[0], alike ? sd : sqrt(variance[end]));
	}
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

/* A valve of which nothing is known yet may answer later than was guessed, behind what a window shows: it is
 * looked for again in longer ones. */
#define LOOKS 2
#define LATER_S 15e-3

static void meet_kind(struct valve_events *v, const struct leg *leg, const struct crank *c,
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

/* Cuts the windows of a kind anew and fits each with what is known. */
static void learn_kind(struct valve_events *v, const struct leg *leg, const struct crank *c,
                       enum engine_end end, enum valve_event_kind k)
{
	struct group *g = &v->group[end][k];
	struct batch *b = &v->batch[end][k];
	guess_delay(v, end, EVENT_ADMISSION);
	guess_delay(v, end, EVENT_COMPRESSION);
	valve_predict_transitions(v, end);
	if (!g->learned) {
		meet_kind(v, leg, c, end, k);
		return;
	}
	choose(v, leg, c, end, k, 0, b);
	look_again(g, b);
	if (air_is_followed(v, end))
		g->warmth = valve_batch_warmth(v, c, end, b);
	if (used(b) < 3)
		return;
	g->noise_factor = fmax(1, g->noise_factor * sqrt(leave_out_strays(b)));
}

struct round {
	const struct leg *leg;
	const struct crank *crank;
	struct sensor sensor[END_COUNT]; /* found; its lag held in the last round */
	bool first, all, last;
};

static bool is_seen(const struct valve_events *v, enum engine_end end, enum valve_event_kind k)
{
	return v->group[end][k].learned && used(&v->batch[end][k]) >= 3;
}

/* Learns a passage with the sensor as it is taken to be: of what it has been given it finds nothing. */
static void learn_with(struct valve_events *v, enum engine_end end, enum onset_passage passage,
                       const struct sensor *sensor)
{
	struct sensor held = *sensor;
	memset(held.sd, 0, sizeof(held.sd));
	learn_together(v, end, passage, false, &held);
}

/* All kinds together, where any movement lies beside another. */
static bool learn_beside(struct valve_events *v, enum engine_end end, const struct sensor *thought,
                         struct round *r)
{
	struct sensor *found = &r->sensor[end];
	struct joint j = {.n = 0};
	if (!any_beside(v, end))
		return false;
	learn_kind(v, r->leg, r->crank, end, EVENT_COMPRESSION);
	*found = *thought;
	found->mean[ZERO] = usual_sensor.mean[ZERO];
	found->sd[ZERO] = usual_sensor.sd[ZERO];
	join(v, end, ONSET_INLET, found, &j);
	join(v, end, ONSET_EXHAUST, found, &j);
	for (size_t i = 0; i < j.n; i++)
		join_beside(v, end, i, &j);
	learn_joint(v, &j, found);
	set_sensor(v, end, found);
	return true;
}

/* The inlet by itself, then the exhaust.  The release, slow and long, says less of the lag than of what is
 * assumed of heat and valve: lag and gain are the inlet's to tell, where it is seen to open and to shut; zero
 * is the exhaust's, where it is seen to open. */
static void learn_in_turn(struct valve_events *v, enum engine_end end, struct sensor inlet, bool tells,
                          struct round *r)
{
	struct sensor *found = &r->sensor[end], exhaust = usual_sensor;
	if (tells)
		learn_together(v, end, ONSET_INLET, r->first, &inlet);
	else
		learn_with(v, end, ONSET_INLET, &inlet);
	exhaust.mean[LAG] = inlet.mean[LAG];
	exhaust.sd[LAG] = 0;
	exhaust.mean[GAIN] = inlet.mean[GAIN];
	exhaust.sd[GAIN] = inlet.sd[GAIN];
	set_sensor(v, end, &inlet);
	if (r->all)
		learn_kind(v, r->leg, r->crank, end, EVENT_COMPRESSION);
	if (is_seen(v, end, EVENT_RELEASE))
		learn_together(v, end, ONSET_EXHAUST, false, &exhaust);
	else
		learn_with(v, end, ONSET_EXHAUST, &exhaust);
	*found = inlet;
	found->mean[ZERO] = exhaust.mean[ZERO];
	found->sd[ZERO] = exhaust.sd[ZERO];
	set_sensor(v, end, found);
}

static void learn_sensor(struct valve_events *v, enum engine_end end, struct round *r)
{
	const struct sensor *found = &r->sensor[end];
	struct sensor thought = usual_sensor;
	bool tells = is_seen(v, end, EVENT_ADMISSION) && is_seen(v, end, EVENT_CUT_OFF);
	if (!r->first) {
		thought.sd[LAG] = hypot(LAG_SCALE_S, found->mean[LAG] - usual_sensor.mean[LAG]);
		thought.mean[ZERO] = found->mean[ZERO];
		thought.sd[ZERO] = found->sd[ZERO];
	}
	if (r->last || !tells)
		thought.mean[LAG] = found->mean[LAG];
	if (r->last)
		thought.sd[LAG] = 0;
	if (!r->all || !tells || !learn_beside(v, end, &thought, r))
		learn_in_turn(v, end, thought, tells, r);
}

/* A misfit of this many times the sensor's noise: the inlet opens into a chamber other than was thought. */
#define ASTRAY 2
#define LESS_ASTRAY 0.75 /* of what it was: worth it */

/* Misfit of the opening inlet over the sensor's noise, 0 when it is not seen. */
static double astray(const struct valve_events *v, enum engine_end end)
{
	struct batch *b = &v->batch[end][EVENT_ADMISSION];
	if (!is_seen(v, end, EVENT_ADMISSION))
		return 0;
	return sqrt(leave_out_strays(b)) * b->window[0].noise_pa / v->chamber[end].noise_pa;
}

/* Perhaps the exhaust still stands open, long after it was thought to have shut: it is looked for at this
 * delay, and the inlet beside it anew; returns how far astray that leads. */
static double try_overlap(struct valve_events *v, enum engine_end end, double delay_s, struct round *r)
{
	struct group *inlet = &v->group[end][EVENT_ADMISSION], *exhaust = &v->group[end][EVENT_COMPRESSION];
	const struct sensor none = {0};
	set_sensor(v, end, &none);
	exhaust->learned = inlet->learned = false;
	exhaust->delay_s = delay_s;
	inlet->noise_factor = 1;
	valve_predict_transitions(v, end);
	meet_kind(v, r->leg, r->crank, end, EVENT_COMPRESSION);
	learn_kind(v, r->leg, r->crank, end, EVENT_ADMISSION);
	learn_sensor(v, end, r);
	return astray(v, end);
}

/* From the usual delay on; the best is kept, or all is as before if none explains more. */
static void look_for_overlap(struct valve_events *v, enum engine_end end, struct round *r)
{
	const double later_s = 12e-3;
	struct group before[EVENT_KINDS], best[EVENT_KINDS];
	struct sensor found = r->sensor[end], best_found = found;
	double least = LESS_ASTRAY * astray(v, end);
	guess_delay(v, end, EVENT_COMPRESSION);
	memcpy(before, v->group[end], sizeof(before));
	memcpy(best, before, sizeof(best));
	for (int look = 0; look < 3; look++) {
		double is = try_overlap(v, end, before[EVENT_COMPRESSION].delay_s + look * later_s, r);
		if (is > 0 && is < least) {
			least = is;
			memcpy(best, v->group[end], sizeof(best));
			best_found = r->sensor[end];
		}
		memcpy(v->group[end], before, sizeof(before));
		r->sensor[end] = found;
	}
	memcpy(v->group[end], best, sizeof(best));
	r->sensor[end] = best_found;
	set_sensor(v, end, &best_found);
}

static void learn_end(struct valve_events *v, enum engine_end end, void *ctx)
{
	/* cut-off and release stand alone; admission and compression may overlap */
	static const enum valve_event_kind order[] = {EVENT_CUT_OFF, EVENT_RELEASE, EVENT_ADMISSION};
	struct round *r = ctx;
	for (size_t i = 0; i < sizeof(order) / sizeof(*order); i++)
		learn_kind(v, r->leg, r->crank, end, order[i]);
	learn_sensor(v, end, r);
	if (r->first && astray(v, end) > ASTRAY)
		look_for_overlap(v, end, r);
	valve_predict_transitions(v, end);
}

/* A movement that is not found at one end is looked for when the other end's valve makes it: too long after
 * its command it lay outside what was looked at, or passed for another. */
static void borrow_delays(struct valve_events *v)
{
	for (int end = 0; end < END_COUNT; end++)
		for (int k = 0; k < EVENT_KINDS; k++)
			if (!v->group[end][k].learned && v->group[!end][k].learned)
				v->group[end][k].delay_s = v->group[!end][k].delay_s;
}

#define ROUNDS 4

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
	struct round round = {.leg = leg, .crank = c};
	for (int i = 0; i < ROUNDS; i++) {
		round.first = i == 0;
		round.all = i > 0; /* the closing exhaust shows least: when the rest is known */
		valve_each_end(v, learn_end, &round);
		pool_lags(round.sensor);
		for (int end = 0; end < END_COUNT; end++)
			set_sensor(v, (enum engine_end)end, &round.sensor[end]);
		borrow_delays(v);
	}
	double sd_s[END_COUNT] = {v->lag_sd_s[END_CAP], v->lag_sd_s[END_ROD]};
	round.last = true;
	valve_each_end(v, learn_end, &round);
	memcpy(v->lag_sd_s, sd_s, sizeof(sd_s));
	valve_gas_model(v);
	return 0;
}
