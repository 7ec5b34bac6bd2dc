/* SPDX-License-Identifier: GPL-3.0-or-later */
/* For tests: a ride the whole way, in one process: rehearsed, sent over a
 * link, written as segments, read back, analysed, beside its truth. */
#ifndef TRAMMEL_ROAD_RIG_H
#define TRAMMEL_ROAD_RIG_H

#include "analyse/report.h"
#include "common/link.h"

#define ROAD_EVENTS_MAX 20000

struct road_edge { /* an accepted edge of the analysis */
	double t_us, theta_deg, sd_deg, true_deg;
	bool flagged;
};

struct road_event { /* an event found, beside its truth */
	unsigned valve, end, event;
	double command_us;                /* sender time */
	double delay_ms, true_delay_ms;   /* NAN = not found, did not move */
	double event_deg, true_event_deg; /* mod 360 */
	double sd_ms, closure_deg;        /* error - (count + firing + delay) */
	char cls;
	bool flagged;
};

struct road_truth_mean { /* per end, of the truth's strokes */
	double work_j, useful_deg, air_g;
	unsigned strokes;
};

struct road {
	char *directory;   /* holds ride.d and the truth */
	struct ride *ride; /* open: the report's engine borrows from it */
	struct report *report;
	struct road_edge *edge;
	size_t edges;
	struct road_event *event;
	size_t events;
	struct road_truth_mean truth[END_COUNT];
	struct fault fault;
	int status; /* of the analysis */
};

/* Rides `engine_path` with these words for `trammel rehearse` (NULL at the
 * end) over the link.  Aborts the test when anything before the analysis fails. */
struct road *road_ride(const char *engine_path, enum link_kind link, const char *const *words);
/* The same for bytes of a link that are already there; no truth. */
struct road *road_bytes(const char *engine_path, enum link_kind link, const uint8_t *bytes, size_t n);
void road_free(struct road *r);

/* A rehearsed ride as text lines, malloc'd and terminated, without the lines
 * that begin with `without` (NULL = all). */
char *road_lines(const char *engine_path, const char *const *words, const char *without);
/* The same of lines that are there. */
char *road_lines_without(const char *lines, const char *without);

/* The report's row, NULL when there is none. */
const struct valve_event_summary *road_row(const struct road *r, enum engine_end end,
                                           enum valve_event_kind k);

/* The report as text into malloc'd memory: 0 text, 1 JSON. */
char *road_report(const struct road *r, int format);

#endif
