/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "common/segment.h"

#include "common/bytes.h"
#include "common/pack.h"
#include "common/segment_block.h"

#include <assert.h>
#include <stdlib.h>
#include <string.h>

/* A whole set of facts stands before every so many blocks of records. */
#define FACTS_EVERY 63

struct segment_writer {
	struct segment_facts facts;
	unsigned facts_part; /* next part to hand out */
	bool facts_due;
	unsigned since_facts; /* blocks of records since the last set */
	uint32_t number;      /* of the next block */
	uint64_t next_record; /* first of the open block, in the session */
	uint32_t open_records;
	uint32_t open_t_us;
	struct pack_writer pack;
	uint8_t open[SEGMENT_PAYLOAD_MAX];
};

struct segment_writer *segment_writer_new(void)
{
	return calloc(1, sizeof(struct segment_writer));
}

void segment_writer_free(struct segment_writer *w)
{
	free(w);
}

void segment_writer_start(struct segment_writer *w, const struct segment_facts *facts)
{
	assert(facts->engine_len <= SEGMENT_ENGINE_MAX);
	w->facts = *facts;
	w->facts_part = 0;
	w->facts_due = true;
	w->since_facts = 0;
	w->number = 0;
	w->next_record = facts->first_record;
	w->open_records = 0;
}

bool segment_writer_add(struct segment_writer *w, const struct record *r)
{
	if (w->open_records == 0) {
		w->open_t_us = r->t_us;
		pack_writer_start(&w->pack, w->open, sizeof w->open, r->t_us);
	}
	if (!pack_write(&w->pack, r))
		return false;
	w->open_records++;
	return true;
}

/* Head and checks around the payload that stands in `block`. */
static size_t seal(struct segment_writer *w, enum segment_type type, size_t payload, int64_t mono_us,
                   uint8_t *block)
{
	struct segment_block b = {
	    .type = type,
	    .length = SEGMENT_BLOCK_MIN + payload,
	    .file_id = w->facts.file_id,
	    .number = w->number++,
	    .records = type == SEGMENT_RECORDS ? w->open_records : 0,
	    .first_record = w->next_record,
	    .mono_us = mono_us,
	    .t_us = type == SEGMENT_RECORDS ? w->open_t_us : 0,
	};
	segment_block_seal(&b, block);
	return b.length;
}

static size_t take_facts(struct segment_writer *w, int64_t mono_us, uint8_t *block)
{
	size_t n = segment_facts_put(&w->facts, w->facts_part++, block + SEGMENT_HEAD);
	if (w->facts_part == segment_facts_parts(&w->facts)) {
		w->facts_due = false;
		w->facts_part = 0;
		w->since_facts = 0;
	}
	return seal(w, SEGMENT_FACTS, n, mono_us, block);
}

static size_t take_records(struct segment_writer *w, int64_t mono_us, uint8_t *block)
{
	size_t n = pack_written(&w->pack);
	memcpy(block + SEGMENT_HEAD, w->open, n);
	size_t length = seal(w, SEGMENT_RECORDS, n, mono_us, block);
	w->next_record += w->open_records;
	w->open_records = 0;
	w->since_facts++;
	return length;
}

size_t segment_writer_take(struct segment_writer *w, int64_t mono_us, uint8_t block[SEGMENT_BLOCK_MAX])
{
	if (w->open_records > 0 && w->since_facts >= FACTS_EVERY)
		w->facts_due = true;
	if (w->facts_due)
		return take_facts(w, mono_us, block);
	return w->open_records > 0 ? take_records(w, mono_us, block) : 0;
}

size_t segment_writer_close(struct segment_writer *w, int64_t mono_us, uint8_t block[SEGMENT_BLOCK_MAX])
{
	assert(w->open_records == 0 && !w->facts_due);
	uint8_t *p = bytes_put_u64(block + SEGMENT_HEAD, segment_writer_records(w));
	p = bytes_put_u32(p, w->number);
	return seal(w, SEGMENT_CLOSE, (size_t)(p - block) - SEGMENT_HEAD, mono_us, block);
}

void segment_writer_cut(struct segment_writer *w, uint32_t blocks, uint64_t records)
{
	w->number = blocks;
	w->next_record = w->facts.first_record + records;
	w->open_records = 0;
	w->facts_due = false;
	w->since_facts = 0;
}

size_t segment_writer_pending(const struct segment_writer *w)
{
	return w->open_records;
}

uint64_t segment_writer_records(const struct segment_writer *w)
{
	return w->next_record - w->facts.first_record + w->open_records;
}
