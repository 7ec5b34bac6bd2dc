/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What strikes the eye over a ride: statistics beside the events from which
 * faults of wiring, hoses, sensors and valves are named. */
#ifndef TRAMMEL_VALVE_EVENTS_WATCH_H
#define TRAMMEL_VALVE_EVENTS_WATCH_H

#include "analyse/valve_events.h"
#include "analyse/valve_events_expansion.h"

#define WATCH_FINDINGS 24

struct watch_mean {
	unsigned n;
	double sum;
};

struct watch_doubles {         /* openings of one passage */
	unsigned turns, twice; /* twice: less than half a turn after the one before */
	double last_rad;
};

struct watch_end {
	struct watch_doubles doubles[2];
	struct watch_mean open_level[2]; /* (p - ambient)/(supply - ambient) half way through the open time */
	struct watch_mean overlap_s;     /* exhaust shut after inlet opened */
	struct watch_mean rate_pa_s[2];  /* as a passage shuts: by the piston alone, either way */
	struct watch_mean supply_gauge_pa;
	struct expansion expansion;
	struct expansion_verdict tight; /* set by watch_judge_expansions */
	uint64_t samples, at_rail;      /* of the chamber's sensor */
	double least_pa, most_pa, noise_pa;
	unsigned turns; /* commands of the inlet */
};

struct watch {
	struct watch_end end[END_COUNT];
};

struct valve_events; /* valve_events_internal.h */

/* Looks at the sensors of a leg that has been prepared. */
void watch_leg(struct valve_events *v, const struct leg *leg);
/* Looks at what lies between this event and those before. */
void watch_event(struct valve_events *v, const struct leg *leg, const struct crank *c,
                 const struct valve_event *e);

/* Fills the ends' `tight`.  0 or -1 (memory). */
int watch_judge_expansions(struct valve_events *v);

/* Fills v->finding from all that was seen and from the summaries. */
void watch_conclude(struct valve_events *v, const struct valve_event_summary *s, size_t n);

#endif
