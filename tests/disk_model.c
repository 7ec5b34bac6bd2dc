/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/disk_model.h"

#include "tests/format_rig.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define SECTOR 512

struct disk_model *disk_model_new(void)
{
	struct disk_model *m = calloc(1, sizeof *m);
	if (m == NULL)
		abort();
	return m;
}

void disk_model_free(struct disk_model *m)
{
	for (size_t i = 0; i < m->files; i++)
		free(m->file[i].bytes);
	free(m);
}

static void create(struct disk_model *m, const uint8_t *name, size_t n)
{
	if (m->files == MODEL_FILES)
		abort();
	struct model_file *f = &m->file[m->files++];
	snprintf(f->name, sizeof f->name, "%.*s", (int)n, (const char *)name);
}

static void append(struct disk_model *m, struct model_file *f, const uint8_t *bytes, size_t n)
{
	if (f->len + n > f->room) {
		f->room = (f->len + n) * 2;
		f->bytes = realloc(f->bytes, f->room);
		if (f->bytes == NULL)
			abort();
	}
	memcpy(f->bytes + f->len, bytes, n);
	f->len += n;
	m->live_bytes += f->unlinked ? 0 : (int64_t)n;
}

static void truncate_to(struct disk_model *m, struct model_file *f, size_t len)
{
	m->live_bytes -= f->unlinked ? 0 : (int64_t)(f->len - len);
	f->len = len;
	if (f->durable > len)
		f->durable = len;
}

static void unlink_name(struct disk_model *m, const uint8_t *name, size_t n)
{
	for (size_t i = 0; i < m->files; i++) {
		struct model_file *f = &m->file[i];
		if (!f->unlinked && strlen(f->name) == n && memcmp(f->name, name, n) == 0) {
			f->unlinked = true;
			m->live_bytes -= (int64_t)f->len;
		}
	}
}

static void sync_names(struct disk_model *m)
{
	for (size_t i = 0; i < m->files; i++)
		m->file[i].name_durable = true;
}

void disk_model_do(struct disk_model *m, const struct trace_entry *e, const uint8_t *bytes)
{
	struct model_file *f = e->file > 0 ? &m->file[e->file - 1] : NULL;
	switch ((enum trace_op)e->op) {
	case TRACE_CREATE:
		create(m, bytes, e->bytes);
		break;
	case TRACE_WRITE:
		append(m, f, bytes, e->bytes);
		break;
	case TRACE_SYNC:
		f->durable = f->len;
		break;
	case TRACE_SYNC_NAMES:
		sync_names(m);
		break;
	case TRACE_TRUNCATE:
		truncate_to(m, f, (size_t)e->amount);
		break;
	case TRACE_UNLINK:
		unlink_name(m, bytes, e->bytes);
		break;
	}
}

static bool name_survives(const struct model_file *f, uint64_t *seed)
{
	if (f->unlinked)
		return false; /* back or not, what it holds is no part of the promise */
	return f->name_durable || rig_below(seed, 2) == 0;
}

/* An unsynced sector: as written, as zeros (delayed allocation), or as whatever was there. */
static void spoil(uint8_t *p, size_t n, uint64_t *seed)
{
	uint64_t how = rig_below(seed, 4);
	if (how == 0)
		memset(p, 0, n);
	for (size_t i = 0; how == 1 && i < n; i++)
		p[i] = (uint8_t)rig_random(seed);
}

bool disk_model_cut(const struct disk_model *m, size_t i, uint64_t *seed, uint8_t *out, size_t *n)
{
	const struct model_file *f = &m->file[i];
	if (!name_survives(f, seed))
		return false;
	size_t unsafe = f->len - f->durable;
	*n = f->durable + (size_t)rig_below(seed, unsafe + 1);
	if (unsafe > 0 && rig_below(seed, 3) == 0)
		*n = f->len;
	if (*n > 0)
		memcpy(out, f->bytes, *n);
	for (size_t at = f->durable; at < *n;) {
		size_t end = (at / SECTOR + 1) * SECTOR;
		end = end < *n ? end : *n;
		spoil(out + at, end - at, seed);
		at = end;
	}
	return true;
}
