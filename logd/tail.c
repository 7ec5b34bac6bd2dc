/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logd/tail.h"

#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>

#define TEXT_BYTES ((size_t)512 * 1024)

struct tail {
	struct record *records;
	size_t first, end, room; /* records[first..end) */
	char *text;
	size_t text_used;
};

static void *reserve(size_t bytes)
{
	void *p =
	    mmap(NULL, bytes, PROT_READ | PROT_WRITE, MAP_PRIVATE | MAP_ANONYMOUS | MAP_NORESERVE, -1, 0);
	return p == MAP_FAILED ? NULL : p;
}

struct tail *tail_new(size_t records)
{
	struct tail *t = calloc(1, sizeof *t);
	if (t == NULL)
		return NULL;
	t->room = records;
	t->records = reserve(records * sizeof *t->records);
	t->text = reserve(TEXT_BYTES);
	if (t->records == NULL || t->text == NULL) {
		tail_free(t);
		return NULL;
	}
	return t;
}

void tail_free(struct tail *t)
{
	if (t == NULL)
		return;
	if (t->records != NULL)
		munmap(t->records, t->room * sizeof *t->records);
	if (t->text != NULL)
		munmap(t->text, TEXT_BYTES);
	free(t);
}

/* Makes the room of what was dropped usable again while older records still wait. */
static void move_down(struct tail *t)
{
	memmove(t->records, t->records + t->first, tail_count(t) * sizeof *t->records);
	t->end -= t->first;
	t->first = 0;
}

bool tail_add(struct tail *t, const struct record *r)
{
	if (t->end == t->room && t->first > 0)
		move_down(t);
	if (t->end == t->room || t->text_used + r->text_len > TEXT_BYTES)
		return false;
	struct record *mine = &t->records[t->end++];
	*mine = *r;
	if (r->text_len > 0) {
		mine->text = memcpy(t->text + t->text_used, r->text, r->text_len);
		t->text_used += r->text_len;
	}
	return true;
}

/* All room is given back when the tail is empty, which every sync of a working disk brings about. */
void tail_drop(struct tail *t, size_t n)
{
	t->first += n;
	if (t->first < t->end)
		return;
	t->first = t->end = 0;
	t->text_used = 0;
}

size_t tail_count(const struct tail *t)
{
	return t->end - t->first;
}

const struct record *tail_at(const struct tail *t, size_t i)
{
	return &t->records[t->first + i];
}
