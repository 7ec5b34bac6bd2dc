/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The directory of segments: who may write there, what is in it, what goes
 * first when room is short.
 *
 * A segment is a file named "<session>-<number>.tram" (at least six and four
 * digits); nothing else is counted or touched.  Every such file counts, whether
 * it is whole, damaged or being written.  Order is (session, number): sessions rise by one with
 * each start, so the calendar does not matter. */
#ifndef TRAMMEL_SHELF_H
#define TRAMMEL_SHELF_H

#include "common/fault.h"

#include <limits.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define SHELF_NAME_MAX 32
#define SHELF_OLDEST 64

struct shelf_entry {
	uint32_t session, number;
	int64_t bytes;
};

/* What must not be deleted: the newest ride.  It lies in the running session between
 * two segments, or, as long as the crank has not turned, in the session before. */
struct shelf_newest {
	uint32_t session;         /* running */
	uint32_t active;          /* segment being written */
	uint32_t first, last;     /* ride in the running session; 0 = the crank has not turned */
	uint32_t earlier_session; /* newest session before that holds a ride; 0 = none */
};

struct shelf {
	const char *path;
	int fd; /* -1 = the directory is gone */
	int64_t bytes;
	size_t segments;
	uint32_t last_session;
	struct shelf_newest newest;              /* kept up to date by the caller */
	struct shelf_entry oldest[SHELF_OLDEST]; /* may go, oldest first */
	size_t oldest_count;
};

/* Makes the directory if it is missing (not its parents), takes it for this process
 * alone and counts what is there.  0, or -1 with `fault`: EX_CANTCREAT, or
 * EX_TEMPFAIL naming the process that records there already. */
int shelf_open(struct shelf *s, const char *path, struct fault *fault);
void shelf_close(struct shelf *s);

/* The directory was removed, or another one stands in its place. */
bool shelf_vanished(const struct shelf *s);

/* Counts again.  0, or -1 with errno. */
int shelf_scan(struct shelf *s);

void shelf_name(uint32_t session, uint32_t number, char name[SHELF_NAME_MAX]);
/* False when `name` is not that of a segment. */
bool shelf_parse(const char *name, uint32_t *session, uint32_t *number);

/* Deletes the oldest segment that may go.  Its bytes; 0 when none may; -1 with errno. */
int64_t shelf_drop_oldest(struct shelf *s);

/* Free bytes for us and size of the file system.  0, or -1 with errno. */
int shelf_space(const struct shelf *s, int64_t *bytes_free, int64_t *bytes_all);

#endif
