/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The RAM between the receiver and the writer: a lock-free ring with one
 * producer and one consumer.  An entry is a piece of the byte stream with the
 * host time of its read, or an event in its place in the stream.  The producer
 * reads straight into the ring and the consumer decodes straight out of it. */
#ifndef TRAMMEL_RING_H
#define TRAMMEL_RING_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/uio.h>

enum ring_kind {
	RING_DATA = 1,
	RING_LINK_DOWN, /* text = why */
	RING_LINK_UP,   /* value = us without link; text = name of the port */
	RING_DROPPED,   /* value = bytes that found no room */
	RING_OVERRUN,   /* value = bytes the port's driver lost */
	RING_END /* nothing follows; value = 1 at the end of the input, 0 when stopped; text = read error */
};

#define RING_TEXT_MAX 120

struct ring_view {
	enum ring_kind kind;
	int64_t host_us;      /* CLOCK_MONOTONIC right after the read */
	struct iovec span[2]; /* RING_DATA: the bytes, in up to two pieces */
	int64_t value;        /* events */
	char text[RING_TEXT_MAX + 1];
};

struct ring; /* opaque */

/* At least `bytes` of room (rounded up to a power of two).  NULL when out of
 * memory or of descriptors. */
struct ring *ring_new(size_t bytes);
void ring_free(struct ring *r);

/* --- producer --- */
/* Room for up to `max` bytes of data as up to two spans; returns its size,
 * less than `max` when the ring is nearly full and 0 when it is full. */
size_t ring_reserve(struct ring *r, size_t max, struct iovec span[2]);
/* Hands the first `n` reserved bytes to the consumer. */
void ring_commit(struct ring *r, int64_t host_us, size_t n);
/* False when there is no room. */
bool ring_event(struct ring *r, enum ring_kind kind, int64_t host_us, int64_t value, const char *text);
/* Waits until the consumer frees room, `timeout_ms` at most. */
void ring_wait_room(struct ring *r, int timeout_ms);

/* --- consumer --- */
/* The oldest entry; false when empty.  Valid until ring_release. */
bool ring_peek(struct ring *r, struct ring_view *v);
void ring_release(struct ring *r);
/* Waits until an entry is there, `timeout_ms` at most. */
void ring_wait_data(struct ring *r, int timeout_ms);

/* --- either --- */
size_t ring_size(const struct ring *r);
size_t ring_used(const struct ring *r);

#endif
