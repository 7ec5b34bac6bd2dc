/* SPDX-License-Identifier: GPL-3.0-or-later */
/* How much the log may take: a cap on all segments together, a floor of free space.
 * The oldest rides go first and the newest never goes. */
#ifndef TRAMMEL_RETENTION_H
#define TRAMMEL_RETENTION_H

#include "logd/log.h"
#include "logd/shelf.h"
#include "logd/status.h"

struct retention {
	/* Given by the caller. */
	struct shelf *shelf;
	int64_t keep_bytes;        /* all segments together; 0 = no limit */
	int64_t keep_free_bytes;   /* 0 = no floor */
	double keep_free_fraction; /* of the file system; 0 = no floor */
	struct status *status;
	struct log *log;

	int64_t look_us; /* own: with nothing left to delete, when to look again */
};

/* Makes room for `more` bytes, before they are written.  0; or -1 with errno ENOSPC when the floor
 * cannot be kept.  The cap gives way to the newest ride, loudly: losing the
 * ride one came for would be the worse surprise. */
int retention_make_room(struct retention *r, int64_t more);

/* Bytes that must stay free on a file system of this size. */
int64_t retention_floor(const struct retention *r, int64_t all);

#endif
