/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The log: the records of all segments of RUN, in the order in which they
 * were recorded.  Order comes from session and segment number, never from
 * the wall clock. */
#ifndef TRAMMEL_LOG_H
#define TRAMMEL_LOG_H

#include "common/segment.h"

struct log; /* opaque */

struct log_totals {
	unsigned files, files_unreadable, files_missing; /* missing: named as predecessor, not there */
	unsigned not_closed;                             /* files that end without a closing block */
	uint64_t damaged_bytes, records_lost, damages;
};

/* A record and where it stands. */
struct log_record {
	struct record r;                   /* text borrowed until the next call */
	const struct segment_facts *facts; /* of its segment */
	bool new_session;                  /* first record of another run of the recorder */
	int64_t mono_us;                   /* host time of its block; 0 unknown */
};

/* Opens a directory of *.tram files or one file.  NULL with fault. */
struct log *log_open(const char *path, struct fault *fault);
void log_close(struct log *l);
/* 1; 0 at the end; -1 with fault. */
int log_next(struct log *l, struct log_record *out, struct fault *fault);
void log_rewind(struct log *l);
/* Complete after the end was reached once. */
const struct log_totals *log_totals(const struct log *l);
/* Facts of the newest segment that can be read (valid while the log is open). */
const struct segment_facts *log_newest_facts(const struct log *l);
/* Facts of the first segment. */
const struct segment_facts *log_first_facts(const struct log *l);

#endif
