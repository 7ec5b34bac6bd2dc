/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logd/receiver.h"

#include "logd/clock.h"

#include <errno.h>
#include <poll.h>
#include <stdio.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#define TICK_MS 250
#define RETRY_FIRST_US (CLOCK_SECOND_US / 10)
#define RETRY_LAST_US (CLOCK_SECOND_US / 2)
#define READ_LIVE_BYTES ((size_t)16 * 1024)
#define READ_FILE_BYTES ((size_t)128 * 1024)
#define GATHER_US 2000 /* a 4 KiB terminal queue holds 20 ms at 2 Mbaud */

enum outcome { READ_MORE, READ_IDLE, READ_GONE, READ_END_OF_INPUT };

/* Events that found no room come first when there is some again, in the order
 * in which they happened as far as one of each kind can tell. */
static bool tell_pending(struct receiver *r, int64_t now)
{
	if (r->dropped > 0 && !ring_event(r->ring, RING_DROPPED, now, r->dropped, ""))
		return false;
	r->dropped = 0;
	if (r->tell_down && !ring_event(r->ring, RING_LINK_DOWN, now, 0, r->why))
		return false;
	r->tell_down = false;
	if (r->tell_up && !ring_event(r->ring, RING_LINK_UP, now, r->up_after_us, r->source->real))
		return false;
	r->tell_up = false;
	return true;
}

static void tick(struct receiver *r, int64_t now)
{
	status_set(&r->status->receiver_tick_us, now);
}

static ssize_t read_into_ring(struct receiver *r, size_t max)
{
	struct iovec span[2];
	size_t room = ring_reserve(r->ring, max, span);
	if (room == 0) {
		errno = ENOBUFS;
		return -1;
	}
	ssize_t n = readv(r->source->fd, span, span[1].iov_len > 0 ? 2 : 1);
	if (n > 0)
		ring_commit(r->ring, clock_mono_us(), (size_t)n);
	return n;
}

/* Reads what has no room in the ring, to count it and to keep the driver's
 * own queue from overflowing uncounted. */
static ssize_t read_and_drop(struct receiver *r)
{
	char scratch[READ_LIVE_BYTES];
	ssize_t n = read(r->source->fd, scratch, sizeof scratch);
	if (n > 0) {
		r->dropped += n;
		status_add(&r->status->bytes_dropped, n);
	}
	return n;
}

/* Once the ring is full it must drain a good part before it takes bytes
 * again: one long gap is easier to live with than a thousand short ones. */
static void judge_room(struct receiver *r, int64_t now)
{
	size_t size = ring_size(r->ring), used = ring_used(r->ring);
	if (r->dropping && used < size / 4 * 3 && tell_pending(r, now))
		r->dropping = false;
	else if (!r->dropping && size - used < 2 * READ_LIVE_BYTES)
		r->dropping = true;
}

/* With the writer held up, fewer and larger pieces make the ring last. */
static void gather_when_filling(struct receiver *r)
{
	if (ring_used(r->ring) > ring_size(r->ring) / 8)
		nanosleep(&(struct timespec){.tv_nsec = GATHER_US * 1000}, NULL);
}

static enum outcome outcome_of(ssize_t n, const struct receiver *r)
{
	if (n > 0)
		return READ_MORE;
	if (n == 0)
		return source_ends(r->source->kind) ? READ_END_OF_INPUT : READ_GONE;
	return errno == EAGAIN || errno == EINTR || errno == ENOBUFS ? READ_IDLE : READ_GONE;
}

static enum outcome read_live(struct receiver *r)
{
	int64_t now = clock_mono_us();
	gather_when_filling(r);
	judge_room(r, now);
	if (!r->dropping && !tell_pending(r, now))
		r->dropping = true;
	ssize_t n = r->dropping ? read_and_drop(r) : read_into_ring(r, READ_LIVE_BYTES);
	if (n > 0)
		status_add(&r->status->bytes_received, n);
	return outcome_of(n, r);
}

static enum outcome read_file(struct receiver *r)
{
	ssize_t n = read_into_ring(r, READ_FILE_BYTES);
	if (n < 0 && errno == ENOBUFS)
		ring_wait_room(r->ring, TICK_MS);
	if (n > 0)
		status_add(&r->status->bytes_received, n);
	return outcome_of(n, r);
}

static void link_lost(struct receiver *r, const char *why)
{
	int64_t now = clock_mono_us();
	source_close(r->source);
	snprintf(r->why, sizeof r->why, "%s", why);
	r->tell_down = true;
	r->down_us = now;
	r->pause_us = RETRY_FIRST_US;
	r->retry_us = now + r->pause_us;
	status_set(&r->status->link_up, 0);
	tell_pending(r, now);
}

static void try_again(struct receiver *r)
{
	struct fault fault = {0};
	int64_t now = clock_mono_us();
	if (source_open(r->source, &fault) == 0) {
		r->tell_up = true;
		r->up_after_us = now - r->down_us;
		r->down_us = 0;
		status_set(&r->status->source_kind, r->source->kind);
		status_set(&r->status->link_up, 1);
		status_add(&r->status->link_changes, 1);
		tell_pending(r, clock_mono_us());
		return;
	}
	r->pause_us = r->pause_us * 2 < RETRY_LAST_US ? r->pause_us * 2 : RETRY_LAST_US;
	r->retry_us = clock_mono_us() + r->pause_us;
}

static void look_for_overrun(struct receiver *r, int64_t now)
{
	if (now < r->overrun_us)
		return;
	r->overrun_us = now + CLOCK_SECOND_US;
	int64_t lost = source_overrun(r->source);
	if (lost == 0)
		return;
	status_add(&r->status->bytes_overrun, lost);
	(void)ring_event(r->ring, RING_OVERRUN, now, lost, "");
}

/* Poll flags first, reading second: on a terminal a read of nothing does not tell
 * silence from a hang-up, the flags do. */
static enum outcome serve(struct receiver *r, short revents)
{
	enum outcome o = READ_IDLE;
	if ((revents & POLLIN) != 0 || source_ends(r->source->kind))
		o = r->source->live ? read_live(r) : read_file(r);
	if (o == READ_IDLE && (revents & (POLLHUP | POLLERR | POLLNVAL)) != 0 && (revents & POLLIN) == 0)
		return source_ends(r->source->kind) ? READ_END_OF_INPUT : READ_GONE;
	return o;
}

static int timeout_ms(const struct receiver *r)
{
	if (r->source->fd >= 0)
		return TICK_MS;
	int64_t left_ms = (r->retry_us - clock_mono_us()) / 1000 + 1;
	return left_ms < 0 ? 0 : left_ms > TICK_MS ? TICK_MS : (int)left_ms;
}

static void finish(struct receiver *r, bool end_of_input, const char *why)
{
	int64_t now = clock_mono_us();
	while (!tell_pending(r, now) || !ring_event(r->ring, RING_END, now, end_of_input, why)) {
		tick(r, clock_mono_us());
		ring_wait_room(r->ring, TICK_MS);
	}
}

/* One turn; false when the recording is over. */
static bool turn(struct receiver *r)
{
	struct pollfd p[2] = {{.fd = r->wake_fd, .events = POLLIN}, {.fd = r->source->fd, .events = POLLIN}};
	int ready = poll(p, 2, timeout_ms(r));
	int64_t now = clock_mono_us();
	tick(r, now);
	if (p[0].revents != 0) {
		finish(r, false, "");
		return false;
	}
	if (r->source->fd < 0) {
		if (now >= r->retry_us)
			try_again(r);
		return true;
	}
	enum outcome o = ready > 0 && p[1].revents != 0 ? serve(r, p[1].revents) : READ_IDLE;
	if (o == READ_GONE && source_ends(r->source->kind)) {
		finish(r, true, strerror(errno));
		return false;
	}
	if (o == READ_GONE)
		link_lost(r, "the port hung up");
	else if (o == READ_END_OF_INPUT)
		finish(r, true, "");
	else
		look_for_overrun(r, now);
	return o != READ_END_OF_INPUT;
}

void *receiver_run(void *arg)
{
	struct receiver *r = arg;
	if (r->source->fd < 0)
		link_lost(r, "the port is not there");
	else
		status_set(&r->status->link_up, 1);
	while (turn(r))
		;
	source_close(r->source);
	return NULL;
}
