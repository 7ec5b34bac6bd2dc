/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The whole road of a ride: read top to bottom in analysis.c.
 *   ride -> clock -> crank -> believed -> valve events -> strokes -> report */
#ifndef TRAMMEL_ANALYSIS_H
#define TRAMMEL_ANALYSIS_H

#include "analyse/report.h"

struct analysis_rows { /* the rows of one leg's core, as they are found */
	const struct leg *leg;
	const struct crank *crank;
	const struct valve_event *event;
	size_t event_n;
	const struct stroke *stroke;
	size_t stroke_n;
};

/* Who wants the rows behind the report (export). rows() returns 0, or -1 with fault. */
struct analysis_sink {
	void *ctx;
	int (*rows)(void *ctx, const struct analysis_rows *rows, struct fault *fault);
};

/* Analyses a ride into `out` (about 100 KiB; allocate it).  `sink` may be
 * NULL.  0, or -1 with fault; a ride without index, teeth, pressures or
 * commands is not a fault: the report says what cannot be known. */
int analysis_run(struct ride *ride, const struct analysis_sink *sink, struct report *out,
                 struct fault *fault);

#endif
