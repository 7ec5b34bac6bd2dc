/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Events kept over the ride for the summaries, in bounded memory: up to
 * VALVE_TALLY_KEPT of each (valve, end, event); beyond that every second run of
 * turns is dropped again and again, so that what is kept stays spread over the ride. */
#ifndef TRAMMEL_VALVE_EVENTS_TALLY_H
#define TRAMMEL_VALVE_EVENTS_TALLY_H

#include "analyse/valve_events.h"

#define VALVE_TALLY_KEPT 8192
#define VALVE_TALLY_RUN 64 /* turns that are kept or dropped together */

struct valve_kept {
	int64_t turn;
	float intended_rad, command_rad; /* 0..2 pi */
	float command_error_rad;         /* command - intended */
	float count_rad, firing_rad;     /* NAN = not known */
	float advance_rad;               /* event - command; NAN = not found */
	float delay_s, t10_s, sd_s, omega_rad_s;
	float supply_pa, battery_v; /* NAN = not known */
	float coil_warmth;
	float rise_s, dip_s; /* of the coil's current, after the command */
};

struct valve_tally_group {
	uint8_t valve, end, event;
	unsigned commands, found, missed, not_found;
	struct valve_event_coil coil; /* its counts */
	int64_t stride;               /* runs of turns: every stride-th is kept */
	size_t n, room;
	struct valve_kept *kept;
};

struct valve_tally { /* zero-initialise */
	size_t n;
	struct valve_tally_group group[VALVE_EVENT_SUMMARIES];
};

/* 0, or -1 when memory runs out. */
int valve_tally_add(struct valve_tally *t, const struct valve_event *e);
void valve_tally_free(struct valve_tally *t);

/* Numbers of one group; verdict and words left empty.  `common_sd_s`: what all its
 * event times may be off by together; it widens the intervals.  0 or -1 (memory). */
int valve_tally_summary(const struct valve_tally_group *g, double common_sd_s,
                        struct valve_event_summary *out);

#define VALVE_FOUND_LEAST 3 /* events; of fewer no mean is given */

#define VALVE_LATE_S 8e-3 /* this much behind the usual delay is a hesitation */

/* Kept events that came VALVE_LATE_S (and 6 times the spread) later than usual, whatever
 * the doubt (3 sd) of each. */
unsigned valve_tally_late(const struct valve_tally_group *g, const struct valve_event_summary *s);

/* Were the events found on turns faster or slower than the ride's (by more than 5 %), because on others they
 * do not show? */
bool valve_summary_other_speed(const struct valve_event_summary *s);

/* Verdict and words of a summary. */
void valve_summary_words(const struct engine *e, struct valve_event_summary *s);

#endif
