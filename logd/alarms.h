/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Watching the engine file's limits while recording.  This warns a person; it
 * is no safety device.  Speed comes from the time of one whole turn of teeth,
 * so a tooth out of pitch does not raise it; teeth missed from the count
 * between two closings of the index switch. */
#ifndef TRAMMEL_ALARMS_H
#define TRAMMEL_ALARMS_H

#include "common/engine.h"
#include "common/record.h"

#define ALARMS_TEETH_MAX 256

struct alarms {
	const struct engine *engine;
	int supply_channel; /* -1 = none */

	uint32_t tooth_us[ALARMS_TEETH_MAX]; /* times of the last turn's teeth */
	unsigned next, seen;                 /* into tooth_us; how many are valid */
	unsigned since_index;                /* teeth since the switch closed; only after the first closing */
	bool indexed;

	double speed_rpm;                   /* NAN = not known */
	double supply_pa;                   /* absolute; NAN = not known */
	int64_t counts[ENGINE_SENSORS_MAX]; /* newest sample of each channel */
	bool sampled[ENGINE_SENSORS_MAX];
	struct {
		bool active, told;
		uint32_t told_us; /* sender time of the last alarm record */
	} state[ALARM_END];
};

void alarms_init(struct alarms *a, const struct engine *engine);

/* Follows one record; true when `out` holds an alarm to record. */
bool alarms_follow(struct alarms *a, const struct record *r, struct record *out);

/* Newest value of a channel, SI; NAN when there is none or it has no role. */
double alarms_sensor(const struct alarms *a, unsigned channel);

/* Forget the turn in progress: the stream was interrupted. */
void alarms_interrupt(struct alarms *a);

#endif
