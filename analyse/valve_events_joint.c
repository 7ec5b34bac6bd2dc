/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Kinds of an end learned together: both of a passage, or all where one moves beside another, with the
 * sensor's lag and what its gauge shows, which they share. */
#include "analyse/valve_events_learning.h"

#include <math.h>
#include <string.h>

/* Gauges as people own them differ by some 2 % and 50 mbar (judgement). */
#define GAUGE_GAIN_SD 0.02
#define GAUGE_ZERO_SD_PA 5e3

/* An area that goes with the lift to the power of 1.5 has a shape of -0.6, of 0.7 one of 0.5 (judgement). */
#define SHAPE_SD 0.3

struct sensor valve_usual_sensor(void)
{
	return (struct sensor){{0, 0, 0}, {1.5e-3, GAUGE_GAIN_SD, GAUGE_ZERO_SD_PA}};
}

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
	valve_batch_prior(v, end, b, false, prior);
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
		if (!v->group[end][k].learned || valve_batch_used(b) < 3)
			continue;
		joint_prior(v, end, b, sensor, &j->prior[j->n]);
		j->kind[j->n] = valve_batch_kind(b, &j->prior[j->n], b->use);
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
	size_t all = valve_batch_used(b), seen = 0, taken = 0;
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
		valve_batch_leave_out_strays(j->batch[i]);
	onset_learn(j->kind, j->n);
	for (size_t i = 0; i < j->n; i++) {
		j->group[i]->learned = valve_batch_believable(v, j->batch[i]);
		if (!j->group[i]->learned)
			continue;
		valve_group_take(j->group[i], j->batch[i], &j->kind[i].shared);
		j->group[i]->leak_sd = j->kind[i].shared.sd[ONSET_LEAK];
	}
	memcpy(sensor->mean, j->batch[0]->value[0] + ONSET_LAG, sizeof(sensor->mean));
	memcpy(sensor->sd, j->kind[0].shared.sd + ONSET_LAG, sizeof(sensor->sd));
}

void valve_learn_passage(struct valve_events *v, enum engine_end end, enum onset_passage passage, bool first,
                         struct sensor *sensor)
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
	size_t opening = beside(b, true), shutting = beside(b, false), all = opening + shutting;
	if (all < 3 || 2 * all < valve_batch_used(b) || (opening > 0 && shutting > 0))
		return -1;
	enum onset_passage other = b->window[0].passage == ONSET_INLET ? ONSET_EXHAUST : ONSET_INLET;
	return (int)valve_kind(other, opening > 0);
}

bool valve_any_beside(const struct valve_events *v, enum engine_end end)
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

void valve_learn_beside(struct valve_events *v, enum engine_end end, struct sensor *sensor)
{
	struct joint j = {.n = 0};
	join(v, end, ONSET_INLET, sensor, &j);
	join(v, end, ONSET_EXHAUST, sensor, &j);
	for (size_t i = 0; i < j.n; i++)
		join_beside(v, end, i, &j);
	learn_joint(v, &j, sensor);
}

void valve_set_sensor(struct valve_events *v, enum engine_end end, const struct sensor *sensor)
{
	for (int k = 0; k < EVENT_KINDS; k++) {
		struct group *g = &v->group[end][k];
		g->delay_s += g->per_lag * (sensor->mean[SENSOR_LAG] - g->value[ONSET_LAG]);
		g->value[ONSET_LAG] = sensor->mean[SENSOR_LAG];
		g->value[ONSET_GAIN] = sensor->mean[SENSOR_GAIN];
	}
	v->lag_s[end] = sensor->mean[SENSOR_LAG];
	v->lag_sd_s[end] = sensor->sd[SENSOR_LAG];
}

/* What the model adds to the doubt: a ramp blurs much as a lag does, and what lags much (a hose, a filter) is
 * hardly of first order. Lags of drawn machines came out 0.04 to 0.17 ms rms off (tool_event_machines).
 */
#define LAG_MODEL_SD_S 0.1e-3
#define LAG_MODEL_SHARE 0.15

static double lag_variance(const struct sensor *s)
{
	double model = hypot(LAG_MODEL_SD_S, LAG_MODEL_SHARE * s->mean[SENSOR_LAG]);
	return s->sd[SENSOR_LAG] * s->sd[SENSOR_LAG] + model * model;
}

/* A small lag shows by how it blurs, which goes with its square: it may as well be smaller by more than it
 * may be greater. */
static double lag_sd(double lag_s, double sd_s)
{
	double least_s = sqrt(fmax(lag_s * (lag_s - 4 * sd_s), 0)); /* two sd less of the square */
	return fmax(sd_s, (lag_s - least_s) / 2);
}

void valve_pool_lags(struct sensor sensor[END_COUNT])
{
	double variance[END_COUNT] = {lag_variance(&sensor[0]), lag_variance(&sensor[1])};
	double apart = sensor[1].mean[SENSOR_LAG] - sensor[0].mean[SENSOR_LAG],
	       both = variance[0] + variance[1];
	bool alike = apart * apart < 16 * both;
	double middle = sensor[0].mean[SENSOR_LAG] + apart * variance[0] / both;
	double sd = fmax(sqrt(variance[0] * variance[1] / both), fabs(apart) / 2);
	for (int end = 0; end < END_COUNT; end++) {
		double *lag_s = &sensor[end].mean[SENSOR_LAG];
		*lag_s = alike ? middle : *lag_s;
		sensor[end].sd[SENSOR_LAG] = lag_sd(*lag_s, alike ? sd : sqrt(variance[end]));
	}
}
