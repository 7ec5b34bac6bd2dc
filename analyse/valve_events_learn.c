/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the events have in common, learned from a few dozen of each kind: round by round, each kind by itself
 * and then those of a passage together, from the inlet to the exhaust and from end to end. */
#include "analyse/valve_events_learning.h"

#include <math.h>
#include <string.h>

/* Sensors answer within some tenths of a millisecond, a hose adds up to some milliseconds (judgement): where
 * the pressure does not tell, no lag is taken to be there; a prior with a heavy tail, reached by widening a
 * normal one by how far off the lag was found. */
#define LAG_SCALE_S 0.4e-3

struct round {
	const struct leg *leg;
	const struct crank *crank;
	struct sensor sensor[END_COUNT]; /* found; its lag held in the last round */
	bool first, all, last;
};

static bool is_seen(const struct valve_events *v, enum engine_end end, enum valve_event_kind k)
{
	return v->group[end][k].learned && valve_batch_used(&v->batch[end][k]) >= 3;
}

/* Learns a passage with the sensor as it is taken to be: of what it has been given it finds nothing. */
static void learn_with(struct valve_events *v, enum engine_end end, enum onset_passage passage,
                       const struct sensor *sensor)
{
	struct sensor held = *sensor;
	memset(held.sd, 0, sizeof(held.sd));
	valve_learn_passage(v, end, passage, false, &held);
}

/* All kinds together, where any movement lies beside another. */
static bool learn_beside(struct valve_events *v, enum engine_end end, const struct sensor *thought,
                         struct round *r)
{
	const struct sensor usual = valve_usual_sensor();
	struct sensor *found = &r->sensor[end];
	if (!valve_any_beside(v, end))
		return false;
	valve_learn_kind(v, r->leg, r->crank, end, EVENT_COMPRESSION);
	*found = *thought;
	found->mean[SENSOR_ZERO] = usual.mean[SENSOR_ZERO];
	found->sd[SENSOR_ZERO] = usual.sd[SENSOR_ZERO];
	valve_learn_beside(v, end, found);
	valve_set_sensor(v, end, found);
	return true;
}

/* The inlet by itself, then the exhaust.  The release, slow and long, says less of the lag than of what is
 * assumed of heat and valve: lag and gain are the inlet's to tell, where it is seen to open and to shut; zero
 * is the exhaust's, where it is seen to open. */
static void learn_in_turn(struct valve_events *v, enum engine_end end, struct sensor inlet, bool tells,
                          struct round *r)
{
	struct sensor *found = &r->sensor[end], exhaust = valve_usual_sensor();
	if (tells)
		valve_learn_passage(v, end, ONSET_INLET, r->first, &inlet);
	else
		learn_with(v, end, ONSET_INLET, &inlet);
	exhaust.mean[SENSOR_LAG] = inlet.mean[SENSOR_LAG];
	exhaust.sd[SENSOR_LAG] = 0;
	exhaust.mean[SENSOR_GAIN] = inlet.mean[SENSOR_GAIN];
	exhaust.sd[SENSOR_GAIN] = inlet.sd[SENSOR_GAIN];
	valve_set_sensor(v, end, &inlet);
	if (r->all)
		valve_learn_kind(v, r->leg, r->crank, end, EVENT_COMPRESSION);
	if (is_seen(v, end, EVENT_RELEASE))
		valve_learn_passage(v, end, ONSET_EXHAUST, false, &exhaust);
	else
		learn_with(v, end, ONSET_EXHAUST, &exhaust);
	*found = inlet;
	found->mean[SENSOR_ZERO] = exhaust.mean[SENSOR_ZERO];
	found->sd[SENSOR_ZERO] = exhaust.sd[SENSOR_ZERO];
	valve_set_sensor(v, end, found);
}

static void learn_sensor(struct valve_events *v, enum engine_end end, struct round *r)
{
	const struct sensor *found = &r->sensor[end];
	const struct sensor usual = valve_usual_sensor();
	struct sensor thought = usual;
	bool tells = is_seen(v, end, EVENT_ADMISSION) && is_seen(v, end, EVENT_CUT_OFF);
	if (!r->first) {
		thought.sd[SENSOR_LAG] = hypot(LAG_SCALE_S, found->mean[SENSOR_LAG] - usual.mean[SENSOR_LAG]);
		thought.mean[SENSOR_ZERO] = found->mean[SENSOR_ZERO];
		thought.sd[SENSOR_ZERO] = found->sd[SENSOR_ZERO];
	}
	if (r->last || !tells)
		thought.mean[SENSOR_LAG] = found->mean[SENSOR_LAG];
	if (r->last)
		thought.sd[SENSOR_LAG] = 0;
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
	return sqrt(valve_batch_leave_out_strays(b)) * b->window[0].noise_pa / v->chamber[end].noise_pa;
}

/* Perhaps the exhaust still stands open, long after it was thought to have shut: it is looked for at this
 * delay, and the inlet beside it anew; returns how far astray that leads. */
static double try_overlap(struct valve_events *v, enum engine_end end, double delay_s, struct round *r)
{
	struct group *inlet = &v->group[end][EVENT_ADMISSION], *exhaust = &v->group[end][EVENT_COMPRESSION];
	const struct sensor none = {0};
	valve_set_sensor(v, end, &none);
	exhaust->learned = inlet->learned = false;
	exhaust->delay_s = delay_s;
	inlet->noise_factor = 1;
	valve_predict_transitions(v, end);
	valve_meet_kind(v, r->leg, r->crank, end, EVENT_COMPRESSION);
	valve_learn_kind(v, r->leg, r->crank, end, EVENT_ADMISSION);
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
	valve_guess_delay(v, end, EVENT_COMPRESSION);
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
	valve_set_sensor(v, end, &best_found);
}

static void learn_end(struct valve_events *v, enum engine_end end, void *ctx)
{
	/* cut-off and release stand alone; admission and compression may overlap */
	static const enum valve_event_kind order[] = {EVENT_CUT_OFF, EVENT_RELEASE, EVENT_ADMISSION};
	struct round *r = ctx;
	for (size_t i = 0; i < sizeof(order) / sizeof(*order); i++)
		valve_learn_kind(v, r->leg, r->crank, end, order[i]);
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

#define ROUNDS 6 /* what moves beside another settles slowly */

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
		valve_pool_lags(round.sensor);
		for (int end = 0; end < END_COUNT; end++)
			valve_set_sensor(v, (enum engine_end)end, &round.sensor[end]);
		borrow_delays(v);
	}
	double sd_s[END_COUNT] = {v->lag_sd_s[END_CAP], v->lag_sd_s[END_ROD]};
	round.last = true;
	valve_each_end(v, learn_end, &round);
	memcpy(v->lag_sd_s, sd_s, sizeof(sd_s));
	valve_gas_model(v);
	return 0;
}
