/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The receiver: a thread that does nothing but read the source into the ring.
 * From a live port it never waits for anybody: what finds no room is counted
 * and the count takes its place in the stream.  From a file, FIFO or standard
 * input it waits for room instead, so nothing is lost.  It owns the port:
 * a vanished one is closed at once and opened again as soon as it is back. */
#ifndef TRAMMEL_RECEIVER_H
#define TRAMMEL_RECEIVER_H

#include "logd/ring.h"
#include "logd/source.h"
#include "logd/status.h"

#include <stdatomic.h>

struct receiver {
	struct source *source; /* open, or closed with a live name to retry */
	struct ring *ring;
	struct status *status;
	int wake_fd; /* eventfd, readable = stop */

	/* Own state. */
	int64_t down_us;  /* since when the link is down; 0 = up */
	int64_t retry_us; /* next attempt */
	int64_t pause_us; /* back-off, grows to its limit */
	int64_t dropped;  /* bytes not yet told to the ring */
	bool dropping;    /* until the ring has drained a good part */
	bool tell_down, tell_up;
	int64_t up_after_us;
	int64_t overrun_us; /* next look at the driver's counts */
	char why[RING_TEXT_MAX + 1];
};

/* Thread body; `arg` is a struct receiver.  Returns after RING_END is in the ring. */
void *receiver_run(void *arg);

#endif
