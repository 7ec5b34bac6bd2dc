/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "common/segment_block.h"

#include "common/bytes.h"
#include "common/crc.h"

#include <string.h>

#define VERSION 1

static const uint8_t magic[4] = {SEGMENT_MAGIC_FIRST, 'T', 'R', 'M'};

/* A check is stored turned and shifted, so that bytes which themselves hold
 * checks do not give a check of a simple form. */
static uint32_t masked(const uint8_t *bytes, size_t n)
{
	uint32_t crc = crc32c(bytes, n);
	return (crc >> 15 | crc << 17) + 0x5eed7ab1u;
}

void segment_block_seal(const struct segment_block *b, uint8_t *block)
{
	memcpy(block, magic, sizeof magic);
	uint8_t *p = block + sizeof magic;
	p = bytes_put_u8(p, VERSION);
	p = bytes_put_u8(p, b->type);
	p = bytes_put_u16(p, (unsigned)b->length);
	p = bytes_put_u64(p, b->file_id);
	p = bytes_put_u32(p, b->number);
	p = bytes_put_u32(p, b->records);
	p = bytes_put_u64(p, b->first_record);
	p = bytes_put_u64(p, (uint64_t)b->mono_us);
	p = bytes_put_u32(p, b->t_us);
	bytes_put_u32(p, masked(block, (size_t)(p - block)));
	size_t body = b->length - SEGMENT_CHECK;
	bytes_put_u32(block + body, masked(block, body));
}

bool segment_block_head(const uint8_t *p, struct segment_block *b)
{
	if (memcmp(p, magic, sizeof magic) != 0 || p[4] != VERSION || p[5] < SEGMENT_FACTS ||
	    p[5] > SEGMENT_CLOSE)
		return false;
	*b = (struct segment_block){
	    .type = p[5],
	    .length = bytes_get_u16(p + 6),
	    .file_id = bytes_get_u64(p + 8),
	    .number = bytes_get_u32(p + 16),
	    .records = bytes_get_u32(p + 20),
	    .first_record = bytes_get_u64(p + 24),
	    .mono_us = (int64_t)bytes_get_u64(p + 32),
	    .t_us = bytes_get_u32(p + 40),
	};
	return b->length >= SEGMENT_BLOCK_MIN && b->length <= SEGMENT_BLOCK_MAX &&
	       bytes_get_u32(p + 44) == masked(p, 44);
}

bool segment_block_intact(const uint8_t *bytes, size_t length)
{
	size_t body = length - SEGMENT_CHECK;
	return bytes_get_u32(bytes + body) == masked(bytes, body);
}

/* --- facts --- */

unsigned segment_facts_parts(const struct segment_facts *f)
{
	size_t parts = (f->engine_len + SEGMENT_FACTS_CHUNK - 1) / SEGMENT_FACTS_CHUNK;
	return parts == 0 ? 1 : (unsigned)parts;
}

size_t segment_facts_put(const struct segment_facts *f, unsigned part, uint8_t payload[SEGMENT_PAYLOAD_MAX])
{
	size_t from = (size_t)part * SEGMENT_FACTS_CHUNK, left = f->engine_len - from;
	size_t chunk = left < SEGMENT_FACTS_CHUNK ? left : SEGMENT_FACTS_CHUNK;
	uint8_t *p = bytes_put_u16(payload, part);
	p = bytes_put_u16(p, segment_facts_parts(f));
	p = bytes_put_u32(p, (uint32_t)f->engine_len);
	p = bytes_put_u8(p, f->live);
	memcpy(p, f->boot_id, sizeof f->boot_id);
	p = bytes_put_u32(p + sizeof f->boot_id, f->session);
	p = bytes_put_u32(p, f->number);
	p = bytes_put_u64(p, f->previous_file_id);
	p = bytes_put_u64(p, f->first_record);
	p = bytes_put_u64(p, (uint64_t)f->start_mono_us);
	p = bytes_put_u64(p, (uint64_t)f->start_utc_us);
	memcpy(p, f->source, sizeof f->source);
	p += sizeof f->source;
	if (chunk > 0)
		memcpy(p, f->engine_text + from, chunk);
	return SEGMENT_FACTS_FIXED + chunk;
}

/* Parts and lengths must be those that the engine text's length demands. */
static bool is_whole(const struct segment_facts_part *p)
{
	size_t from = (size_t)p->part * SEGMENT_FACTS_CHUNK;
	if (p->facts.engine_len > SEGMENT_ENGINE_MAX || p->part >= p->parts ||
	    p->parts != segment_facts_parts(&p->facts))
		return false;
	size_t left = p->facts.engine_len - from;
	return p->chunk_len == (left < SEGMENT_FACTS_CHUNK ? left : SEGMENT_FACTS_CHUNK);
}

bool segment_facts_get(const uint8_t *payload, size_t n, struct segment_facts_part *part)
{
	if (n < SEGMENT_FACTS_FIXED)
		return false;
	const uint8_t *p = payload;
	*part = (struct segment_facts_part){
	    .part = bytes_get_u16(p),
	    .parts = bytes_get_u16(p + 2),
	    .chunk = payload + SEGMENT_FACTS_FIXED,
	    .chunk_len = n - SEGMENT_FACTS_FIXED,
	};
	struct segment_facts *f = &part->facts;
	f->engine_len = bytes_get_u32(p + 4);
	f->live = p[8] != 0;
	memcpy(f->boot_id, p + 9, sizeof f->boot_id);
	f->session = bytes_get_u32(p + 25);
	f->number = bytes_get_u32(p + 29);
	f->previous_file_id = bytes_get_u64(p + 33);
	f->first_record = bytes_get_u64(p + 41);
	f->start_mono_us = (int64_t)bytes_get_u64(p + 49);
	f->start_utc_us = (int64_t)bytes_get_u64(p + 57);
	memcpy(f->source, p + 65, sizeof f->source);
	f->source[sizeof f->source - 1] = '\0';
	return is_whole(part);
}
