/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The report model: what the analysis found, ready to be rendered.  One
 * renderer per format: report_text.c, report_json.c, report_html.c. */
#ifndef TRAMMEL_REPORT_H
#define TRAMMEL_REPORT_H

#include "analyse/air_ways.h"
#include "analyse/clock.h"
#include "analyse/gains.h"
#include "analyse/strokes.h"

#include <stdio.h>

#define REPORT_LINES_MAX 64
#define REPORT_LINE_MAX 400
#define REPORT_PROFILE_POINTS 240

struct report_lines { /* remarks, warnings, advice: plain words */
	size_t n;
	char line[REPORT_LINES_MAX][REPORT_LINE_MAX];
};

struct report_range {
	double min, median, max; /* NAN = not known */
};

struct report_profile_point { /* along the ride, for the overview picture */
	double t_s, rpm, supply_pa, angle_sd_rad;
	unsigned slips;
};

/* The rider's button, with what the sender wrote to it. */
#define REPORT_MARKS_MAX 64
struct report_mark {
	double t_s;    /* from the ride's start */
	char text[62]; /* harmless (escape.h), shortened to fit; "" = none */
};

/* Found events for the picture of error against speed; when there are too many, every
 * 2nd, 4th, ... is kept. */
#define REPORT_POINTS_MAX 4096
struct report_event_point {
	uint8_t end, event;
	float rpm, error_deg;
};

struct report {
	char file[256];
	char selected[256];   /* which part of the ride is counted, and how much it holds; "" = all of it */
	int64_t start_utc_us; /* 0 = unknown */
	double duration_s;
	double revolutions;                       /* forward and backward, where the count is known */
	double backward_revolutions;              /* of them */
	double unsure_revolutions;                /* besides, where it is in doubt */
	struct report_range speed_rpm, supply_pa; /* supply absolute */
	struct engine engine;                     /* shallow copy; source belongs to the ride */
	struct mech mech;
	struct ride_counts counts;
	struct clock_result clock;
	bool has_crank;
	struct wheel wheel;
	struct crank_totals crank;
	uint64_t controller_slips;
	size_t slip_n;
	struct slip slip[256];
	size_t event_n;
	struct valve_event_summary event[VALVE_EVENT_SUMMARIES];
	bool has_gas; /* gas model learned (entries may be NAN) */
	struct gas_model gas;
	bool has_strokes[END_COUNT];
	struct stroke_summary stroke[END_COUNT];
	struct stroke_diagram diagram[END_COUNT];
	struct torque_summary torque;
	struct gains gains[END_COUNT];
	double air_kg_per_turn;         /* NAN */
	double air_error_kg;            /* half of its 95 % interval; NAN */
	struct air_known air[AIR_WAYS]; /* the same in all ways that the sensors allow */
	size_t profile_n;
	struct report_profile_point profile[REPORT_PROFILE_POINTS];
	unsigned marks; /* of the ride; the first REPORT_MARKS_MAX are kept */
	struct report_mark mark[REPORT_MARKS_MAX];
	uint64_t point_seen, point_step;
	size_t point_n;
	struct report_event_point point[REPORT_POINTS_MAX];
	const char *held_back; /* why nothing is advised of the valves, a few words; NULL = it is */
	struct report_lines limits, warnings, advice;
	struct report_lines findings; /* faults seen at valves, wires and sensors; among the warnings too */
};

/* Adds a leg's events to the points. */
void report_note_events(struct report *r, const struct valve_event *event, size_t n);

/* Adds a line (printf style, shortened to fit, control characters made harmless);
 * a line already there is not added again. */
void report_say(struct report_lines *l, const char *format, ...) __attribute__((format(printf, 2, 3)));

/* Terminal text, 80 columns, verdicts first; colour only when `colour`. */
int report_text(const struct report *r, FILE *out, bool colour);
/* JSON after schema trammel.report/1.  Unknown numbers are null. */
int report_json(const struct report *r, FILE *out);
/* One self-contained HTML page with inline SVG. */
int report_html(const struct report *r, FILE *out);

#endif
