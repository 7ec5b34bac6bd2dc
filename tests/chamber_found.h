/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A rig run through the valve-event finder, for Check suites. */
#ifndef CHAMBER_FOUND_H
#define CHAMBER_FOUND_H

#include "tests/chamber_rig.h"

struct found {
	struct rig *rig;
	struct valve_events *v;
	const struct valve_event *row; /* row[i] answers rig->event[i] where the rig's valves are unchanged */
	size_t n;
	struct valve_event_summary summary[VALVE_EVENT_SUMMARIES];
	size_t summaries;
};

/* Learns and finds; owns `r` from now on. */
void found_in(struct rig *r, struct found *f);
/* The same for a setup; row for row with the truth. */
void found_run(const struct rig_setup *s, struct found *f);
void found_done(struct found *f);

/* 8.5 s, 80 to 200 rpm. */
struct rig_setup found_short_ride(void);

/* Class A or B. */
bool found_counted(const struct valve_event *e);
/* Does some finding hold these words? */
bool found_says(const struct found *f, const char *words);

#endif
