/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logd/retention.h"

#include "logd/clock.h"

#include <errno.h>
#include <string.h>

#define LOOK_US CLOCK_SECOND_US

int64_t retention_floor(const struct retention *r, int64_t all)
{
	int64_t by_fraction = (int64_t)(r->keep_free_fraction * (double)all);
	return r->keep_free_bytes > by_fraction ? r->keep_free_bytes : by_fraction;
}

/* Bytes that must go before `more` can be written, and whether the floor asks for it. */
static int64_t surplus(const struct retention *r, int64_t more, bool *below_floor)
{
	int64_t over = r->keep_bytes > 0 ? r->shelf->bytes + more - r->keep_bytes : 0;
	int64_t bytes_free, all;
	*below_floor = false;
	if (r->keep_free_bytes <= 0 && r->keep_free_fraction <= 0)
		return over;
	if (shelf_space(r->shelf, &bytes_free, &all) != 0)
		return over;
	int64_t missing = retention_floor(r, all) + more - bytes_free;
	*below_floor = missing > 0;
	return missing > over ? missing : over;
}

static int64_t drop(struct retention *r)
{
	int64_t freed = shelf_drop_oldest(r->shelf);
	if (freed > 0)
		status_add(&r->status->segments_deleted, 1);
	else if (freed < 0)
		log_say(r->log, LOG_RETENTION, LOG_LEVEL_WARNING, "%s: cannot delete an old segment: %s",
		        r->shelf->path, strerror(errno));
	return freed;
}

/* What is still too much after all has gone that may. */
static int64_t drop_until(struct retention *r, int64_t over)
{
	int64_t freed, now = clock_mono_us();
	if (now < r->look_us)
		return over;
	while (over > 0 && (freed = drop(r)) > 0)
		over -= freed;
	if (over > 0)
		r->look_us = now + LOOK_US;
	return over;
}

int retention_make_room(struct retention *r, int64_t more)
{
	bool below_floor;
	int64_t over = surplus(r, more, &below_floor);
	if (over <= 0 || drop_until(r, over) <= 0)
		return 0;
	if (!below_floor) {
		log_say(r->log, LOG_RETENTION, LOG_LEVEL_WARNING,
		        "%s: the newest ride alone is larger than --keep; it is kept whole", r->shelf->path);
		return 0;
	}
	errno = ENOSPC;
	return -1;
}
