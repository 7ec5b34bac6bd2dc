/* SPDX-License-Identifier: GPL-3.0-or-later */
/* How far a long piece of work is, on one line of a terminal that is cleared at the end. */
#ifndef TRAMMEL_PROGRESS_H
#define TRAMMEL_PROGRESS_H

#include <stdbool.h>
#include <stdio.h>

#define PROGRESS_AFTER_S 2.0 /* shorter work says nothing */

struct progress {
	FILE *out; /* NULL = nobody watches */
	double start_s;
	int percent; /* shown; -1 = nothing yet */
};

/* Watches on stderr if that is a terminal. */
struct progress progress_start(void);

/* At this time of the same clock, this part is done; NAN = not to be told yet. */
void progress_at(struct progress *p, double time_s, double done);

/* An analysis_sink's progress(); `ctx` is the struct progress. */
void progress_note(void *ctx, double done);

/* Clears the line. */
void progress_end(struct progress *p);

#endif
