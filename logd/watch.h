/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The supervisor: the main thread while recording.  It waits for signals and
 * for people who ask, tells the service manager how things stand, and never
 * touches disk or port. */
#ifndef TRAMMEL_WATCH_H
#define TRAMMEL_WATCH_H

#include "logd/ring.h"
#include "logd/status.h"

struct watch {
	int signal_fd; /* signalfd: TERM, INT, HUP */
	int listen_fd; /* status socket; -1 = none */
	int done_fd;   /* eventfd: the writer has ended */
	int stop_fd;   /* eventfd towards the receiver */
	atomic_bool *stop, *rotate;
	struct ring *ring;
	struct status *status;
	struct status_about about;
	uint64_t watchdog_us; /* 0 = no watchdog */

	/* Own state. */
	struct status_rates rates;
	int64_t turn_us;
	int64_t last_records, last_bytes;
	char line[STATUS_JSON_MAX];
};

enum watch_end {
	WATCH_DONE, /* the writer has ended */
	WATCH_STUCK /* told to stop, but the disk holds the writer up */
};

/* Runs until the recording is over. */
enum watch_end watch_run(struct watch *w);

#endif
