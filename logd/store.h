/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Records in, crash-safe segment files out.
 *
 * What is promised and how:
 * - A record counts as kept when fdatasync of its file and fsync of the
 *   directory that names it have both returned 0.  Until then a copy stays in RAM.
 * - A file that a write or a sync failed on is never written again: its
 *   unproven records go from RAM into a new segment, and once they are safe there the
 *   old file is cut back to what was proven, so that no record is there twice.
 * - A segment is never appended to by a later start.
 * - While the disk fails, records wait in RAM; those that find no room are
 *   counted and the count goes into the log (GAP_DISK).  Trying goes on. */
#ifndef TRAMMEL_STORE_H
#define TRAMMEL_STORE_H

#include "common/fault.h"
#include "common/record.h"
#include "common/segment.h"
#include "logd/log.h"
#include "logd/status.h"

#include <stdatomic.h>

struct store_config {
	const char *directory;
	int64_t segment_bytes;  /* largest file */
	int64_t segment_age_us; /* 0 = by size alone */
	int64_t sync_us;
	int64_t keep_bytes;        /* all segments together; 0 = no limit */
	int64_t keep_free_bytes;   /* 0 = no floor */
	double keep_free_fraction; /* of the file system; 0 = no floor */
	bool live;                 /* facts bear host times, blocks too */
	bool timed;                /* write what waits even when its block is not full */
	bool patient;              /* wait for a failed disk rather than drop */
	const char *engine_text;   /* borrowed */
	size_t engine_len;
	const char *source; /* for the facts */
};

struct store; /* opaque */

/* Takes what memory it needs.  NULL when out of memory.  `stop` ends a wait of a
 * patient store; `status` and `log` are borrowed. */
struct store *store_new(const struct store_config *config, struct status *status, struct log *log,
                        const atomic_bool *stop);
void store_free(struct store *s);

/* Takes the directory, begins a session and its first segment, and makes
 * that durable.  A full disk is not a fault: the store starts and keeps trying. */
int store_start(struct store *s, struct fault *fault);

/* Adds a record.  False: it was not kept (counted). */
bool store_add(struct store *s, const struct record *r);

/* Does what time asks for: write, sync, rotate, try a failed disk again. */
void store_turn(struct store *s);

/* Begins a new segment at the next store_turn. */
void store_rotate(struct store *s);

/* What the records come from, for the facts; when it is another than before, with a new segment. */
void store_source(struct store *s, const char *source);

/* The crank turns: what is being written is part of a ride; `anew` = the first movement after a rest. */
void store_riding(struct store *s, bool anew);

/* Writes the rest and the closing block.  0, or -1 when records were lost. */
int store_close(struct store *s);

#endif
