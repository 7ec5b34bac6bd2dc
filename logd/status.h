/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the threads tell the outside: plain counters that each has one writer,
 * read at any time by the supervisor.  No locks, so nobody waits. */
#ifndef TRAMMEL_STATUS_H
#define TRAMMEL_STATUS_H

#include "common/engine.h"

#include <stdatomic.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

typedef _Atomic int64_t status_cell;

#define STATUS_REASON_MAX 120

struct status {
	/* receiver */
	status_cell receiver_tick_us; /* last sign of life, CLOCK_MONOTONIC */
	status_cell link_up;          /* 0|1 */
	status_cell source_kind;      /* enum source_kind; of a port that is waited for: the likely one */
	status_cell link_changes;     /* times the link came up again */
	status_cell bytes_received;
	status_cell bytes_dropped;
	status_cell bytes_overrun;

	/* writer: link */
	status_cell records;
	status_cell units; /* good frames or lines */
	status_cell damaged_bytes;
	status_cell frames_lost;
	status_cell sender_resets;
	status_cell last_record_us; /* CLOCK_MONOTONIC of the newest data */

	/* writer: disk */
	status_cell disk_ok;         /* 0|1 */
	status_cell records_synced;  /* safe on the disk, this session */
	status_cell records_waiting; /* in RAM only */
	status_cell records_not_kept;
	status_cell bytes_written;
	status_cell last_sync_us; /* CLOCK_MONOTONIC */
	status_cell syncs;
	status_cell session, segment;
	status_cell segments_made, segments_deleted;
	status_cell bytes_kept; /* all segments in the directory */
	status_cell bytes_free; /* file system; -1 = not known */
	status_cell disk_faults;

	/* writer: engine */
	status_cell speed_mrpm;                       /* -1 = not known */
	status_cell sensor_milli[ENGINE_SENSORS_MAX]; /* milli-units, see status.c; INT64_MIN = none yet */
	status_cell alarm_until_us[4];                /* by enum record_alarm: shown as active until then */
	status_cell alarms;                           /* raised so far */
};

#define STATUS_NONE INT64_MIN

static inline void status_set(status_cell *c, int64_t v)
{
	atomic_store_explicit(c, v, memory_order_relaxed);
}

static inline void status_add(status_cell *c, int64_t v)
{
	atomic_fetch_add_explicit(c, v, memory_order_relaxed);
}

static inline int64_t status_get(const status_cell *c)
{
	return atomic_load_explicit(c, memory_order_relaxed);
}

/* All counters 0, nothing known. */
void status_init(struct status *s);

/* What does not change while the recorder runs. */
struct status_about {
	const char *port, *link, *directory;
	int baud;
	const struct engine *engine;
	int64_t start_us;
	size_t ring_size;
};

/* Rates over the last supervisor's turn. */
struct status_rates {
	double records_s, bytes_s;
	size_t ring_used;
};

/* One line of JSON, newline included, into `out`; its length.  Nothing but
 * numbers, booleans and strings, every key once, so that a few lines of code
 * can pick one out (status_show.c does).  Cut short never: `size` of
 * STATUS_JSON_MAX holds the longest. */
#define STATUS_JSON_MAX 8192
size_t status_json(const struct status *s, const struct status_about *about, const struct status_rates *rates,
                   char *out, size_t size);

#endif
