/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The writer: a thread that decodes what the receiver put into the ring, adds
 * what only the host knows (arrival times, gaps, alarms) and keeps it all. */
#ifndef TRAMMEL_RECORDER_H
#define TRAMMEL_RECORDER_H

#include "common/link.h"
#include "logd/alarms.h"
#include "logd/gaps.h"
#include "logd/ring.h"
#include "logd/sender.h"
#include "logd/store.h"

struct recorder {
	/* Given by the caller. */
	struct ring *ring;
	struct link_decoder *decoder;
	struct store *store;
	struct status *status;
	struct log *log;
	const struct engine *engine;
	const char *link; /* and speed: for the label of the source */
	int baud;
	bool live;
	atomic_bool *rotate; /* set by the supervisor: begin a new segment */
	int done_fd;         /* eventfd, written at the end */

	/* Own state. */
	struct link_sink sink;
	struct sender sender;
	struct gaps gaps;
	struct alarms alarms;
	int64_t now_us;     /* host time of the piece being decoded; 0 = means nothing */
	int64_t arrival_us; /* next arrival record */
	int64_t moved_us;   /* sender's or host's time of the last tooth */
	bool timed_record;  /* the piece held a sender time */
	bool moved;         /* the piece held a tooth */
	bool ever_moved;
	int64_t noise_us; /* since when nothing valid came */
	uint64_t valid_seen;

	/* Result, after the thread has ended. */
	char why[RING_TEXT_MAX + 1]; /* read error that ended the input; empty = none */
	bool lost;                   /* records could not be kept */
};

/* Thread body; `arg` is a struct recorder. */
void *recorder_run(void *arg);

#endif
