/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/escape.h"
#include "analyse/report.h"
#include "common/unit.h"

#include <math.h>
#include <stdarg.h>
#include <string.h>

void report_say(struct report_lines *l, const char *format, ...)
{
	char raw[2 * REPORT_LINE_MAX], line[REPORT_LINE_MAX];
	va_list args;
	va_start(args, format);
	vsnprintf(raw, sizeof raw, format, args);
	va_end(args);
	escape_plain(line, sizeof line, raw);
	for (size_t i = 0; i < l->n; i++)
		if (strcmp(l->line[i], line) == 0)
			return;
	if (l->n < REPORT_LINES_MAX)
		memcpy(l->line[l->n++], line, sizeof line);
}

/* Halves the points kept when there is no more room. */
static void thin(struct report *r)
{
	size_t kept = 0;
	for (size_t i = 0; i < r->point_n; i += 2)
		r->point[kept++] = r->point[i];
	r->point_n = kept;
	r->point_step *= 2;
}

static void note(struct report *r, const struct valve_event *e)
{
	if (r->point_step == 0)
		r->point_step = 1;
	if (r->point_seen++ % r->point_step != 0)
		return;
	if (r->point_n == REPORT_POINTS_MAX) {
		thin(r);
		if ((r->point_seen - 1) % r->point_step != 0)
			return;
	}
	double error = remainder(e->event_rad - e->intended_rad, 2 * UNIT_PI);
	r->point[r->point_n++] = (struct report_event_point){.end = e->end,
	                                                     .event = e->event,
	                                                     .rpm = (float)unit_rpm(e->omega_rad_s),
	                                                     .error_deg = (float)unit_deg(error)};
}

void report_note_events(struct report *r, const struct valve_event *event, size_t n)
{
	for (size_t i = 0; i < n; i++) {
		const struct valve_event *e = &event[i];
		bool found = (e->cls == EVENT_CLASS_A || e->cls == EVENT_CLASS_B) && !e->flagged;
		if (found && isfinite(e->event_rad) && isfinite(e->intended_rad))
			note(r, e);
	}
}
