/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The sender's clock as the recorder follows it: the latest time seen, and
 * whether the sender has started again.  Its 32-bit microsecond counter goes
 * back both when it wraps (71.6 min) and when the board restarts; a wrap keeps
 * the pace, a restart breaks it. */
#ifndef TRAMMEL_SENDER_H
#define TRAMMEL_SENDER_H

#include "common/record.h"

struct sender {
	bool known;          /* a time was seen */
	bool greeted;        /* a hello came since the last timed record */
	bool suspect;        /* the last record's time lay far back */
	uint32_t suspect_us; /* that time */
	uint32_t last_us;    /* latest sender time */
	int64_t last_host_us;
};

/* Follows one record from the link.  `host_us` is the CLOCK_MONOTONIC of its read, 0
 * when that means nothing.  True when the sender has started again. */
bool sender_follow(struct sender *s, const struct record *r, int64_t host_us);

#endif
