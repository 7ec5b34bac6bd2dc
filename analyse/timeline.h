/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The timeline: the log's records with sender time unwrapped.
 *
 * The counter wraps every 71.6 min; a wrap goes on, a restart of the sender
 * goes back and begins a new epoch.  A single record with an impossible time
 * is told from both by the records after it, and is left out.  Unwrapped
 * times keep the sender's value in their low 32 bits and never go back by
 * more than a second, across epochs too. */
#ifndef TRAMMEL_TIMELINE_H
#define TRAMMEL_TIMELINE_H

#include "analyse/log.h"

struct timeline_record {
	struct record r; /* text borrowed until the next call */
	int64_t t_us;    /* of a record without a time of its own: the latest before it */
	bool timed;      /* it has a time of its own (not a hello, nothing made by the host) */
	unsigned epoch;
	bool break_before; /* nothing tells how long the time before it was */
	uint64_t ordinal;  /* 0.. over the log, those left out included */
};

struct timeline_counts {
	uint64_t outliers, resets, wraps;
};

struct timeline;                                /* opaque */
struct timeline *timeline_new(struct log *log); /* log borrowed; NULL: out of memory */
void timeline_free(struct timeline *t);
/* 1; 0 at the end; -1 with fault. */
int timeline_next(struct timeline *t, struct timeline_record *out, struct fault *fault);
void timeline_rewind(struct timeline *t);
const struct timeline_counts *timeline_counts(const struct timeline *t);

#endif
