/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/progress.h"

#include <math.h>
#include <time.h>
#include <unistd.h>

static double now_s(void)
{
	struct timespec t;
	clock_gettime(CLOCK_MONOTONIC, &t);
	return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

struct progress progress_start(void)
{
	return (struct progress){
	    .out = isatty(STDERR_FILENO) ? stderr : NULL, .start_s = now_s(), .percent = -1};
}

void progress_at(struct progress *p, double time_s, double done)
{
	if (p->out == NULL || time_s - p->start_s < PROGRESS_AFTER_S)
		return;
	int percent = isfinite(done) ? (int)(100 * fmin(fmax(done, 0), 1)) : 0;
	if (percent == p->percent)
		return;
	p->percent = percent;
	fputs("\r\033[K", p->out);
	if (percent > 0)
		fprintf(p->out, "%d %% of the ride", percent);
	else
		fputs("reading the ride", p->out);
	fflush(p->out);
}

void progress_note(void *ctx, double done)
{
	progress_at(ctx, now_s(), done);
}

void progress_end(struct progress *p)
{
	if (p->out == NULL || p->percent < 0)
		return;
	fputs("\r\033[K", p->out);
	fflush(p->out);
	p->percent = -1;
}
