/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logd/ring.h"

#include <poll.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <sys/mman.h>
#include <unistd.h>

/* Entries start on multiples of the header's size, so a header never wraps. */
#define HEADER ((size_t)16)
#define CACHE_LINE 64

struct header {
	uint32_t kind, length;
	int64_t host_us;
};
_Static_assert(sizeof(struct header) == HEADER, "a header must not wrap");

/* A side that finds nothing to do raises `waiting`, looks once more, and
 * sleeps on `fd`; the other side writes to `fd` only when it sees the flag. */
struct bell {
	atomic_bool waiting;
	int fd;
};

struct ring {
	uint8_t *bytes;
	size_t size;
	struct bell data, room;
	_Alignas(CACHE_LINE) _Atomic uint64_t head; /* producer's */
	_Alignas(CACHE_LINE) _Atomic uint64_t tail; /* consumer's */
};

static size_t round_up(size_t n)
{
	return (n + HEADER - 1) & ~(HEADER - 1);
}

static size_t power_of_two(size_t n)
{
	size_t p = 4096;
	while (p < n)
		p *= 2;
	return p;
}

struct ring *ring_new(size_t bytes)
{
	struct ring *r = aligned_alloc(CACHE_LINE, (sizeof *r + CACHE_LINE - 1) / CACHE_LINE * CACHE_LINE);
	if (r == NULL)
		return NULL;
	memset(r, 0, sizeof *r);
	r->size = power_of_two(bytes);
	r->data.fd = eventfd(0, EFD_NONBLOCK | EFD_CLOEXEC);
	r->room.fd = eventfd(0, EFD_NONBLOCK | EFD_CLOEXEC);
	r->bytes = mmap(NULL, r->size, PROT_READ | PROT_WRITE, MAP_PRIVATE | MAP_ANONYMOUS, -1, 0);
	if (r->bytes == MAP_FAILED || r->data.fd < 0 || r->room.fd < 0) {
		ring_free(r);
		return NULL;
	}
	return r;
}

void ring_free(struct ring *r)
{
	if (r == NULL)
		return;
	if (r->bytes != MAP_FAILED)
		munmap(r->bytes, r->size);
	if (r->data.fd >= 0)
		close(r->data.fd);
	if (r->room.fd >= 0)
		close(r->room.fd);
	free(r);
}

static void bell_ring(struct bell *b)
{
	if (!atomic_exchange(&b->waiting, false))
		return;
	uint64_t one = 1;
	(void)!write(b->fd, &one, sizeof one);
}

static void bell_sleep(struct bell *b, int timeout_ms)
{
	struct pollfd p = {.fd = b->fd, .events = POLLIN};
	uint64_t count;
	poll(&p, 1, timeout_ms);
	(void)!read(b->fd, &count, sizeof count);
	atomic_store(&b->waiting, false);
}

static size_t room_left(const struct ring *r)
{
	return r->size - ring_used(r);
}

static int spans_at(const struct ring *r, uint64_t from, size_t n, struct iovec span[2])
{
	size_t at = (size_t)(from & (r->size - 1));
	size_t first = n < r->size - at ? n : r->size - at;
	span[0] = (struct iovec){r->bytes + at, first};
	span[1] = (struct iovec){r->bytes, n - first};
	return n > first ? 2 : 1;
}

size_t ring_reserve(struct ring *r, size_t max, struct iovec span[2])
{
	size_t room = room_left(r);
	if (room < 2 * HEADER)
		return 0;
	size_t n = max < room - HEADER ? max : room - HEADER;
	spans_at(r, atomic_load_explicit(&r->head, memory_order_relaxed) + HEADER, n, span);
	return n;
}

static void publish(struct ring *r, enum ring_kind kind, int64_t host_us, size_t n)
{
	uint64_t head = atomic_load_explicit(&r->head, memory_order_relaxed);
	struct header h = {.kind = kind, .length = (uint32_t)n, .host_us = host_us};
	memcpy(r->bytes + (head & (r->size - 1)), &h, sizeof h);
	atomic_store(&r->head, head + HEADER + round_up(n));
	bell_ring(&r->data);
}

void ring_commit(struct ring *r, int64_t host_us, size_t n)
{
	publish(r, RING_DATA, host_us, n);
}

/* Copies into (`put`) or out of a stretch that may wrap. */
static void copy_wrapped(const struct ring *r, uint64_t at, uint8_t *other, size_t n, bool put)
{
	struct iovec span[2];
	spans_at(r, at, n, span);
	for (int i = 0; i < 2 && span[i].iov_len > 0; i++) {
		if (put)
			memcpy(span[i].iov_base, other, span[i].iov_len);
		else
			memcpy(other, span[i].iov_base, span[i].iov_len);
		other += span[i].iov_len;
	}
}

bool ring_event(struct ring *r, enum ring_kind kind, int64_t host_us, int64_t value, const char *text)
{
	uint8_t payload[sizeof value + RING_TEXT_MAX];
	size_t len = strnlen(text, RING_TEXT_MAX);
	memcpy(payload, &value, sizeof value);
	memcpy(payload + sizeof value, text, len);
	size_t n = sizeof value + len;
	if (room_left(r) < HEADER + round_up(n))
		return false;
	copy_wrapped(r, atomic_load_explicit(&r->head, memory_order_relaxed) + HEADER, payload, n, true);
	publish(r, kind, host_us, n);
	return true;
}

void ring_wait_room(struct ring *r, int timeout_ms)
{
	atomic_store(&r->room.waiting, true);
	if (room_left(r) < r->size / 2)
		bell_sleep(&r->room, timeout_ms);
	else
		atomic_store(&r->room.waiting, false);
}

static struct header header_at(const struct ring *r, uint64_t at)
{
	struct header h;
	memcpy(&h, r->bytes + (at & (r->size - 1)), sizeof h);
	return h;
}

bool ring_peek(struct ring *r, struct ring_view *v)
{
	uint64_t tail = atomic_load_explicit(&r->tail, memory_order_relaxed);
	if (tail == atomic_load(&r->head))
		return false;
	struct header h = header_at(r, tail);
	v->kind = h.kind;
	v->host_us = h.host_us;
	v->value = 0;
	v->text[0] = '\0';
	if (h.kind == RING_DATA) {
		spans_at(r, tail + HEADER, h.length, v->span);
		return true;
	}
	uint8_t payload[sizeof v->value + RING_TEXT_MAX];
	copy_wrapped(r, tail + HEADER, payload, h.length, false);
	memcpy(&v->value, payload, sizeof v->value);
	memcpy(v->text, payload + sizeof v->value, h.length - sizeof v->value);
	v->text[h.length - sizeof v->value] = '\0';
	return true;
}

void ring_release(struct ring *r)
{
	uint64_t tail = atomic_load_explicit(&r->tail, memory_order_relaxed);
	atomic_store(&r->tail, tail + HEADER + round_up(header_at(r, tail).length));
	if (room_left(r) >= r->size / 2)
		bell_ring(&r->room);
}

void ring_wait_data(struct ring *r, int timeout_ms)
{
	atomic_store(&r->data.waiting, true);
	if (ring_used(r) == 0)
		bell_sleep(&r->data, timeout_ms);
	else
		atomic_store(&r->data.waiting, false);
}

size_t ring_size(const struct ring *r)
{
	return r->size;
}

size_t ring_used(const struct ring *r)
{
	/* The tail first: it can only grow, so the difference never exceeds the truth's bound. */
	uint64_t tail = atomic_load(&r->tail);
	return (size_t)(atomic_load(&r->head) - tail);
}
