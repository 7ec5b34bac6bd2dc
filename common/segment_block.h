/* SPDX-License-Identifier: GPL-3.0-or-later */
/* One block of a segment: its head, its checks, and the facts it may hold
 * (SEGMENT.md, "Blocks" and "Facts"). */
#ifndef TRAMMEL_SEGMENT_BLOCK_H
#define TRAMMEL_SEGMENT_BLOCK_H

#include "common/segment.h"

#define SEGMENT_HEAD 48
#define SEGMENT_CHECK 4 /* CRC-32C at the end of a block */
#define SEGMENT_BLOCK_MIN (SEGMENT_HEAD + SEGMENT_CHECK)
#define SEGMENT_PAYLOAD_MAX (SEGMENT_BLOCK_MAX - SEGMENT_BLOCK_MIN)
#define SEGMENT_MAGIC_FIRST 0xd3 /* first byte of the magic, to search for */

enum segment_type { SEGMENT_FACTS = 1, SEGMENT_RECORDS, SEGMENT_CLOSE };

struct segment_block {
	unsigned type; /* enum segment_type */
	size_t length; /* whole block */
	uint64_t file_id;
	uint32_t number; /* from 0 in its file */
	uint32_t records;
	uint64_t first_record; /* in the session */
	int64_t mono_us;
	uint32_t t_us; /* sender time that the first record counts from */
};

/* Writes head and checks around a payload that already stands at
 * block + SEGMENT_HEAD; `b->length` is the whole block's. */
void segment_block_seal(const struct segment_block *b, uint8_t *block);

/* Head of a block: length plausible, magic, version and the head's own check
 * right.  Reads SEGMENT_HEAD bytes. */
bool segment_block_head(const uint8_t *bytes, struct segment_block *b);

/* The check over the whole block. */
bool segment_block_intact(const uint8_t *bytes, size_t length);

/* --- facts: one part of them in each facts block --- */

#define SEGMENT_FACTS_FIXED 129
#define SEGMENT_FACTS_CHUNK (SEGMENT_PAYLOAD_MAX - SEGMENT_FACTS_FIXED) /* of the engine text */
#define SEGMENT_FACTS_PARTS_MAX ((SEGMENT_ENGINE_MAX + SEGMENT_FACTS_CHUNK - 1) / SEGMENT_FACTS_CHUNK)

unsigned segment_facts_parts(const struct segment_facts *f);

/* Payload of part `part` (from 0); returns its length. */
size_t segment_facts_put(const struct segment_facts *f, unsigned part, uint8_t payload[SEGMENT_PAYLOAD_MAX]);

/* A part read back: `facts` lacks file_id and the engine's text; `chunk` of it
 * lies in the payload and belongs at part * SEGMENT_FACTS_CHUNK.  False when
 * the payload is not what a writer makes. */
struct segment_facts_part {
	struct segment_facts facts;
	unsigned part, parts;
	const uint8_t *chunk;
	size_t chunk_len;
};
bool segment_facts_get(const uint8_t *payload, size_t n, struct segment_facts_part *p);

#endif
