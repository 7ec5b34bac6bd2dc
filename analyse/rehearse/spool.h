/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A solenoid valve's moving part: from coil switched to flow area.  After a
 * delay the area ramps evenly to its new end; it may bounce there, hesitate,
 * or not move at all. */
#ifndef TRAMMEL_REHEARSE_SPOOL_H
#define TRAMMEL_REHEARSE_SPOOL_H

#include "analyse/rehearse/prng.h"

#include <stdbool.h>
#include <stddef.h>

#define SPOOL_MOTIONS_MAX 12

/* A ramp that begins at t_s. */
struct spool_motion {
	double t_s, target, rate_per_s;
};

/* Habits of a valve, ms and fractions as in the settings. */
struct spool_habits {
	double open_delay, shut_delay, open_ramp, shut_ramp, jitter;
	double bounce, bounce_time, stick, slow, slow_time;
};

struct spool {
	struct spool_motion now; /* the ramp being run */
	double from;             /* area at its beginning */
	struct spool_motion waiting[SPOOL_MOTIONS_MAX];
	size_t waiting_len;
};

/* Shut, at rest. */
struct spool spool_make(void);

/* Coil switched at t_s.  `extra_delay_ms` adds to the opening delay.  When it begins to move, s; NAN
 * when the valve sticks. */
double spool_command(struct spool *s, const struct spool_habits *h, double t_s, bool on,
                     double extra_delay_ms, struct prng *random);

/* Takes up the motions that begin before t_end_s; call before reading areas
 * up to t_end_s.  Motions due before t_begin_s begin then. */
void spool_advance(struct spool *s, double t_begin_s, double t_end_s);

/* Area, 0..1. */
double spool_area(const struct spool *s, double t_s);

/* When the running ramp passes half the area. */
double spool_half_s(const struct spool *s);

#endif
