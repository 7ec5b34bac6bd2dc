/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "common/segment.h"

#include "common/bytes.h"
#include "common/pack.h"
#include "common/segment_scan.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

struct segment_reader {
	struct segment_scan scan;
	char *name;
	struct segment_facts facts;
	char *engine;
	struct pack_reader pack;
	struct segment_found found; /* the block that records come from */
	uint64_t next_number, next_record;
	int64_t mono_us;              /* of the last good block */
	struct segment_damage damage; /* being gathered; no `why`: none */
	struct segment_totals totals;
	bool ended;
	void (*on_damage)(void *ctx, const struct segment_damage *d);
	void *ctx;
};

/* --- facts: gathered from any set of the file --- */

struct gathering {
	uint64_t file_id;
	bool have[SEGMENT_FACTS_PARTS_MAX];
	unsigned missing;
	bool begun;
};

static void gather(struct segment_reader *s, struct gathering *g, const struct segment_facts_part *p)
{
	if (!g->begun) {
		s->facts = p->facts;
		g->missing = p->parts;
		g->begun = true;
	}
	if (p->facts.engine_len != s->facts.engine_len || g->have[p->part])
		return;
	g->have[p->part] = true;
	g->missing--;
	memcpy(s->engine + (size_t)p->part * SEGMENT_FACTS_CHUNK, p->chunk, p->chunk_len);
}

/* Looks for a whole set of facts.  `not_id`: leave out this file's blocks (0:
 * none).  The file is that of the first block found, or, on a second pass, of
 * the first facts found.  1, 0 (none), -1 with errno. */
static int find_facts(struct segment_reader *s, bool first_pass, struct gathering *g)
{
	uint64_t not_id = g->file_id;
	bool chosen = false;
	struct segment_found f;
	int got;
	*g = (struct gathering){.file_id = not_id};
	segment_scan_rewind(&s->scan);
	while ((got = segment_scan_next(&s->scan, &f)) == 1) {
		struct segment_facts_part p;
		bool facts =
		    f.block.type == SEGMENT_FACTS &&
		    segment_facts_get(f.bytes + SEGMENT_HEAD, f.block.length - SEGMENT_BLOCK_MIN, &p);
		if (!chosen && (first_pass || (facts && f.block.file_id != not_id))) {
			g->file_id = f.block.file_id;
			chosen = true;
		}
		if (!chosen || !facts || f.block.file_id != g->file_id)
			continue;
		gather(s, g, &p);
		if (g->missing == 0)
			return 1;
	}
	return got;
}

static int read_fault(const struct segment_reader *s, struct fault *fault)
{
	return fault_set(fault, EX_IOERR, "%s: cannot be read: %s", s->name, strerror(errno));
}

static int no_facts(const struct segment_reader *s, struct fault *fault)
{
	return fault_set(fault, EX_DATAERR,
	                 "%s: not a segment that can be read: no whole facts block in it; "
	                 "is it a .tram file, and was it copied to the end?",
	                 s->name);
}

static int load_facts(struct segment_reader *s, struct fault *fault)
{
	struct gathering g = {0};
	s->engine = malloc(SEGMENT_ENGINE_MAX);
	if (s->engine == NULL)
		return fault_set(fault, EX_OSERR, "%s: out of memory", s->name);
	int got = find_facts(s, true, &g);
	if (got == 0)
		got = find_facts(s, false, &g);
	if (got < 0)
		return read_fault(s, fault);
	if (got == 0)
		return no_facts(s, fault);
	s->facts.file_id = g.file_id;
	s->facts.engine_text = s->engine;
	s->next_record = s->facts.first_record;
	segment_scan_rewind(&s->scan);
	return 0;
}

/* --- opening --- */

static struct segment_reader *reader_new(const char *name, struct fault *fault)
{
	struct segment_reader *s = calloc(1, sizeof *s);
	char *copy = strdup(name);
	if (s == NULL || copy == NULL) {
		free(s);
		free(copy);
		fault_set(fault, EX_OSERR, "%s: out of memory", name);
		return NULL;
	}
	s->name = copy;
	s->scan.source.fd = -1;
	return s;
}

static struct segment_reader *with_facts(struct segment_reader *s, struct fault *fault)
{
	if (load_facts(s, fault) == 0)
		return s;
	segment_reader_free(s);
	return NULL;
}

struct segment_reader *segment_reader_open(const char *path, struct fault *fault)
{
	struct segment_reader *s = reader_new(path, fault);
	if (s == NULL)
		return NULL;
	if (segment_scan_open(&s->scan, path) != 0) {
		const char *why = errno == EINVAL ? "not a regular file" : strerror(errno);
		fault_set(fault, EX_NOINPUT, "%s: cannot be opened: %s", path, why);
		segment_reader_free(s);
		return NULL;
	}
	return with_facts(s, fault);
}

struct segment_reader *segment_reader_open_memory(const char *name, const uint8_t *bytes, size_t n,
                                                  struct fault *fault)
{
	struct segment_reader *s = reader_new(name, fault);
	if (s == NULL)
		return NULL;
	segment_scan_memory(&s->scan, bytes, n);
	return with_facts(s, fault);
}

void segment_reader_free(struct segment_reader *s)
{
	if (s == NULL)
		return;
	segment_scan_close(&s->scan);
	free(s->engine);
	free(s->name);
	free(s);
}

const struct segment_facts *segment_reader_facts(const struct segment_reader *s)
{
	return &s->facts;
}

void segment_reader_on_damage(struct segment_reader *s, void (*fn)(void *ctx, const struct segment_damage *d),
                              void *ctx)
{
	s->on_damage = fn;
	s->ctx = ctx;
}

int64_t segment_reader_block_mono_us(const struct segment_reader *s)
{
	return s->mono_us;
}

const struct segment_totals *segment_reader_totals(const struct segment_reader *s)
{
	return &s->totals;
}

/* --- damage --- */

/* Adds a stretch to the damage being gathered: neighbours become one. */
static void note_damage(struct segment_reader *s, uint64_t offset, uint64_t bytes, const char *why)
{
	if (s->damage.why == NULL)
		s->damage = (struct segment_damage){.offset = offset, .from_mono_us = s->mono_us, .why = why};
	s->damage.bytes += bytes;
}

/* Hands the gathered damage on; `records_lost` and `mono_us` come from the
 * good block after it (0 at the end). */
static void tell_damage(struct segment_reader *s, uint64_t records_lost, int64_t mono_us)
{
	if (s->damage.why == NULL)
		return;
	s->damage.records_lost = records_lost;
	s->damage.to_mono_us = mono_us;
	s->totals.damages++;
	s->totals.damaged_bytes += s->damage.bytes;
	s->totals.records_lost += records_lost;
	if (s->on_damage != NULL)
		s->on_damage(s->ctx, &s->damage);
	s->damage.why = NULL;
}

/* --- blocks in their order --- */

/* NULL when this block continues the file, else what is wrong with it. */
static const char *out_of_place(const struct segment_reader *s, const struct segment_block *b)
{
	if (b->file_id != s->facts.file_id)
		return "block of another file";
	if (s->totals.closed)
		return "block after the closing block";
	if (b->number < s->next_number || b->first_record < s->next_record)
		return "block repeated or out of order";
	return NULL;
}

static void accept_block(struct segment_reader *s, const struct segment_found *f)
{
	const struct segment_block *b = &f->block;
	uint64_t lost = b->first_record - s->next_record;
	if (s->damage.why == NULL && (lost > 0 || b->number > s->next_number))
		note_damage(s, f->offset, 0, "blocks are missing");
	tell_damage(s, lost, b->mono_us);
	s->next_number = (uint64_t)b->number + 1;
	s->next_record = b->first_record + b->records;
	s->mono_us = b->mono_us;
	s->totals.blocks++;
}

static void accept_close(struct segment_reader *s, const struct segment_found *f)
{
	const uint8_t *p = f->bytes + SEGMENT_HEAD;
	size_t n = f->block.length - SEGMENT_BLOCK_MIN;
	bool agrees = n == 12 && bytes_get_u64(p) == f->block.first_record - s->facts.first_record &&
	              bytes_get_u32(p + 8) == f->block.number;
	if (agrees)
		s->totals.closed = true;
	else
		note_damage(s, f->offset, f->block.length, "totals of the closing block do not agree");
}

static void end_of_file(struct segment_reader *s)
{
	tell_damage(s, 0, 0);
	s->totals.bytes = s->found.offset;
	s->totals.truncated = !s->totals.closed;
	s->ended = true;
}

/* Moves to the next block of records: 1, 0 at the end, -1 with errno. */
static int next_block(struct segment_reader *s)
{
	struct segment_found *f = &s->found;
	int got;
	while ((got = segment_scan_next(&s->scan, f)) >= 0) {
		if (f->offset > f->skipped_at)
			note_damage(s, f->skipped_at, f->offset - f->skipped_at, f->skipped_why);
		if (got == 0) {
			end_of_file(s);
			return 0;
		}
		const char *why = out_of_place(s, &f->block);
		if (why != NULL) {
			note_damage(s, f->offset, f->block.length, why);
			continue;
		}
		accept_block(s, f);
		if (f->block.type == SEGMENT_CLOSE)
			accept_close(s, f);
		if (f->block.type == SEGMENT_RECORDS) {
			pack_reader_start(&s->pack, f->bytes + SEGMENT_HEAD,
			                  f->block.length - SEGMENT_BLOCK_MIN, f->block.records,
			                  f->block.t_us);
			return 1;
		}
	}
	return -1;
}

/* A block whose check is right and whose content is not: made wrongly. */
static void give_up_block(struct segment_reader *s)
{
	/* A form may reach two bytes beyond the payload's end, where the block's check stands, so never
	 * outside the block; the comparison only bounds what follows. */
	uint64_t inside = (uint64_t)(s->pack.at - s->found.bytes);
	if (inside > s->found.block.length)
		inside = s->found.block.length;
	note_damage(s, s->found.offset + inside, s->found.block.length - inside,
	            "records of the block make no sense");
	tell_damage(s, s->pack.left, s->mono_us);
	s->pack.left = 0;
	s->pack.at = s->pack.end;
}

int segment_reader_next(struct segment_reader *s, struct record *r, struct fault *fault)
{
	while (!s->ended) {
		int got = pack_read(&s->pack, r);
		if (got == 1) {
			s->totals.records++;
			return 1;
		}
		if (got < 0)
			give_up_block(s);
		else if (next_block(s) < 0)
			return read_fault(s, fault);
	}
	return 0;
}
