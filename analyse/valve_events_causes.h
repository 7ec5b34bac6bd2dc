/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a valve's delay depends on while riding: supply pressure and the battery's
 * voltage, where the log shows them. */
#ifndef TRAMMEL_VALVE_EVENTS_CAUSES_H
#define TRAMMEL_VALVE_EVENTS_CAUSES_H

#include "analyse/valve_events_tally.h"

/* Fills out->supply and out->battery from the events kept: a robust plane over both, block-bootstrap
 * intervals. `drift_sd_s`: by how much the event times may be off differently at both ends of a cause's span;
 * it widens the intervals.  0 or -1 (memory). */
int valve_causes(const struct valve_tally_group *g, double drift_sd_s, struct valve_event_summary *out);

/* In a line: by how much the delay of this event changes, where that is sure and matters; "" else. */
const char *valve_causes_words(const struct valve_event_summary *s, char *out, size_t size);

/* In a line, for all events together: what changed too little to tell; "" when everything could be told or
 * nothing is measured. */
const char *valve_causes_unknown(const struct valve_event_summary *s, size_t n, char *out, size_t size);

#endif
