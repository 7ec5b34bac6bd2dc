/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a valve's delay depends on while riding: supply pressure and the battery's voltage, where the log
 * shows them, and how warm its coil is, which nobody measures: it is told from how long the coil was on. */
#ifndef TRAMMEL_VALVE_EVENTS_CAUSES_H
#define TRAMMEL_VALVE_EVENTS_CAUSES_H

#include "analyse/valve_events_tally.h"

/* A solenoid of a hundred grams warms and cools with a time constant of some ten minutes (judgement). */
#define COIL_WARMS_S 600

/* A coil's warmth: 0 = as at the beginning of the ride, which is taken to be cold, 1 = as after a long time
 * on; between them dw/dt = (on - w) / COIL_WARMS_S. */
struct coil_warmth { /* begin with {0, NAN, false} */
	double warmth, at_us;
	bool on; /* from at_us on */
};

/* Brings the warmth up to date at a command. */
void coil_switch(struct coil_warmth *c, double t_us, bool on);

/* Fills out->cause from the events kept: a robust plane over all that changed, block-bootstrap intervals.
 * `drift_sd_s`: by how much the event times may be off differently at both ends of a cause's span; it widens
 * the intervals.  Where the warmth went with another cause (correlation over 0.9), that one alone is told.  0
 * or -1 (memory). */
int valve_causes(const struct valve_tally_group *g, double drift_sd_s, struct valve_event_summary *out);

/* In a line: by how much the delay of this event changes, where that is sure and matters; "" else. */
const char *valve_causes_words(const struct valve_event_summary *s, char *out, size_t size);

/* In a line, for all events together: what changed too little to tell; "" when everything could be told or
 * nothing is measured. */
const char *valve_causes_unknown(const struct valve_event_summary *s, size_t n, char *out, size_t size);

#endif
