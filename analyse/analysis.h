/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The whole road of a ride: read top to bottom in analysis.c.
 *   ride -> clock -> crank -> believed -> valve events -> strokes -> report */
#ifndef TRAMMEL_ANALYSIS_H
#define TRAMMEL_ANALYSIS_H

#include "analyse/report.h"
#include "analyse/selection.h"

struct analysis_rows { /* the rows of one leg's core, as they are found */
	const struct leg *leg;
	const struct crank *crank;
	const struct valve_event *event;
	size_t event_n;
	const struct stroke *stroke;
	size_t stroke_n;
	const struct selection *selection; /* events and strokes lie in it already; NULL = the whole ride */
	double start_us;                   /* of the ride: where its times count from */
};

/* What the caller wants beside the report.  All may be NULL. */
struct analysis_sink {
	void *ctx;
	/* The rows behind the report (export).  0, or -1 with fault. */
	int (*rows)(void *ctx, const struct analysis_rows *rows, struct fault *fault);
	/* How much of the work is done, 0 .. 1, by time of the ride, after each leg; NAN in the first
	 * reading, which does not know yet how long the ride is. */
	void (*progress)(void *ctx, double done);
	/* Only this part of the ride: strokes and valve events that lie in it make the rows and the
	 * summaries.  The wheel, the valves' delays and the findings are still the whole ride's. */
	const struct selection *selection;
};

/* Analyses a ride into `out` (about 100 KiB; allocate it).  `sink` may be
 * NULL.  0, or -1 with fault (EX_DATAERR where the selection holds nothing); a ride without index, teeth,
 * pressures or commands is not a fault: the report says what cannot be known. */
int analysis_run(struct ride *ride, const struct analysis_sink *sink, struct report *out,
                 struct fault *fault);

#endif
