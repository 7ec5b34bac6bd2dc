/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logd/alarms.h"

#include "common/unit.h"

#include <math.h>

#define AGAIN_US 1000000u      /* after it cleared, however often it flutters */
#define REPEAT_US 10000000u    /* while it lasts */
#define CLEAR_FRACTION 0.98    /* of the limit, so that noise on it is one alarm */
#define STANDSTILL_US 4000000u /* a turn slower than 15 rpm has no speed worth an alarm */

static bool counted_edge(const struct alarms *a, const struct record *r)
{
	return r->value == (a->engine->edges == EDGES_FALLING ? 0 : 1);
}

void alarms_init(struct alarms *a, const struct engine *engine)
{
	*a = (struct alarms){.engine = engine, .speed_rpm = NAN};
	a->supply_channel = engine_sensor_channel(engine, SENSOR_SUPPLY);
}

void alarms_interrupt(struct alarms *a)
{
	a->seen = 0;
	a->indexed = false;
	a->speed_rpm = NAN;
}

/* Raises, repeats or clears one alarm; true when a record is due. */
static bool judge(struct alarms *a, enum record_alarm which, double value, double limit, uint32_t t_us)
{
	if (isnan(limit) || isnan(value))
		return false;
	if (a->state[which].active && value < limit * CLEAR_FRACTION)
		a->state[which].active = false;
	if (value <= limit)
		return false;
	uint32_t pause_us = a->state[which].active ? REPEAT_US : AGAIN_US;
	if (a->state[which].told && t_us - a->state[which].told_us < pause_us)
		return false;
	a->state[which].active = a->state[which].told = true;
	a->state[which].told_us = t_us;
	return true;
}

static bool follow_sample(struct alarms *a, const struct record *r, struct record *out)
{
	if (r->channel >= ENGINE_SENSORS_MAX)
		return false;
	bool news = !a->sampled[r->channel] || a->counts[r->channel] != r->value;
	a->counts[r->channel] = r->value;
	a->sampled[r->channel] = true;
	if ((int)r->channel != a->supply_channel || (!news && !a->state[ALARM_SUPPLY].active))
		return false;
	double gauge = alarms_sensor(a, r->channel) - a->engine->ambient_pa;
	double limit = a->engine->limit_supply_pa - a->engine->ambient_pa;
	if (!judge(a, ALARM_SUPPLY, gauge, limit, r->t_us))
		return false;
	*out = record_make(RECORD_ALARM, r->t_us, ALARM_SUPPLY, llround(gauge));
	return true;
}

double alarms_sensor(const struct alarms *a, unsigned channel)
{
	if (channel >= ENGINE_SENSORS_MAX || !a->sampled[channel])
		return NAN;
	return engine_sensor_value(&a->engine->sensor[channel], (double)a->counts[channel]);
}

/* The crank's speed over the turn of the wheel that ends with this tooth; NAN while fewer teeth are known. */
static double turn_speed_rpm(struct alarms *a, uint32_t t_us)
{
	unsigned count = a->engine->tooth_count;
	if (count == 0 || count > ALARMS_TEETH_MAX)
		return NAN;
	uint32_t turn_us = t_us - a->tooth_us[a->next];
	bool whole = a->seen >= count;
	a->tooth_us[a->next] = t_us;
	a->next = (a->next + 1) % count;
	a->seen += whole ? 0 : 1;
	return whole && turn_us > 0 && turn_us < STANDSTILL_US ? 60e6 / turn_us / a->engine->crank_ratio
	                                                       : NAN;
}

static bool follow_tooth(struct alarms *a, const struct record *r, struct record *out)
{
	if (!counted_edge(a, r))
		return false;
	a->since_index++;
	a->speed_rpm = turn_speed_rpm(a, r->t_us);
	if (!judge(a, ALARM_SPEED, a->speed_rpm, unit_rpm(a->engine->limit_speed_rad_s), r->t_us))
		return false;
	*out = record_make(RECORD_ALARM, r->t_us, ALARM_SPEED, llround(a->speed_rpm * 1000));
	return true;
}

/* A closing after less than half a turn is a bounce or rocking, and tells nothing. */
static bool follow_index(struct alarms *a, const struct record *r, struct record *out)
{
	unsigned count = engine_crank_teeth(a->engine), teeth = a->since_index;
	if (r->value != 1 || count == 0 || (a->indexed && teeth < count / 2))
		return false;
	bool known = a->indexed;
	a->indexed = true;
	a->since_index = 0;
	double missed = known && teeth < count ? count - teeth : 0;
	if (!judge(a, ALARM_TEETH_MISSED, missed, 0, r->t_us))
		return false;
	*out = record_make(RECORD_ALARM, r->t_us, ALARM_TEETH_MISSED, (int64_t)missed);
	return true;
}

bool alarms_follow(struct alarms *a, const struct record *r, struct record *out)
{
	switch (r->kind) {
	case RECORD_SAMPLE:
		return follow_sample(a, r, out);
	case RECORD_TOOTH:
		return follow_tooth(a, r, out);
	case RECORD_INDEX:
		return follow_index(a, r, out);
	default:
		return false;
	}
}
