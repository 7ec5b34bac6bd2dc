/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Fuzzer of the segment reader.  First byte modulo 3: 0 the rest is a file as
 * it is; 1 a payload of records, 2 a payload of facts, both put into a block
 * with right checks so that the fuzzer comes past them. */
#include "common/segment_block.h"
#include "tests/fuzz_link.h"

#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t n);

struct watch {
	uint64_t damaged_to, size;
};

static void on_damage(void *ctx, const struct segment_damage *d)
{
	struct watch *w = ctx;
	fuzz_demand(d->why != NULL && d->offset >= w->damaged_to && d->offset + d->bytes <= w->size);
	w->damaged_to = d->offset + d->bytes;
}

static void read_file(const uint8_t *bytes, size_t n)
{
	struct watch w = {.size = n};
	struct fault fault;
	struct record r;
	uint64_t records = 0;
	struct segment_reader *s = segment_reader_open_memory("fuzz", bytes, n, &fault);
	if (s == NULL)
		return;
	segment_reader_on_damage(s, on_damage, &w);
	while (segment_reader_next(s, &r, &fault) == 1) {
		fuzz_demand(r.kind > 0 && r.kind < 16 && r.text_len <= RECORD_TEXT_MAX);
		fuzz_demand((r.text == NULL) == (r.text_len == 0));
		records++;
	}
	const struct segment_totals *t = segment_reader_totals(s);
	fuzz_demand(t->records == records && t->bytes == n && t->damaged_bytes <= n &&
	            t->truncated != t->closed);
	segment_reader_free(s);
}

static size_t put_block(enum segment_type type, uint32_t number, uint32_t records, const uint8_t *payload,
                        size_t n, uint8_t *out)
{
	struct segment_block b = {.type = type,
	                          .length = SEGMENT_BLOCK_MIN + n,
	                          .file_id = 5,
	                          .number = number,
	                          .records = records};
	memcpy(out + SEGMENT_HEAD, payload, n);
	segment_block_seal(&b, out);
	return b.length;
}

static size_t put_facts(uint8_t *out)
{
	struct segment_facts facts = {.file_id = 5, .engine_text = "x", .engine_len = 1};
	uint8_t payload[SEGMENT_PAYLOAD_MAX];
	return put_block(SEGMENT_FACTS, 0, 0, payload, segment_facts_put(&facts, 0, payload), out);
}

/* The second byte says how many records the head announces. */
static void read_payload(const uint8_t *bytes, size_t n)
{
	uint8_t file[2 * SEGMENT_BLOCK_MAX];
	if (n == 0 || n - 1 > SEGMENT_PAYLOAD_MAX)
		return;
	size_t len = put_facts(file);
	len += put_block(SEGMENT_RECORDS, 1, bytes[0], bytes + 1, n - 1, file + len);
	read_file(file, len);
}

static void read_facts(const uint8_t *bytes, size_t n)
{
	uint8_t file[SEGMENT_BLOCK_MAX];
	if (n <= SEGMENT_PAYLOAD_MAX)
		read_file(file, put_block(SEGMENT_FACTS, 0, 0, bytes, n, file));
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t n)
{
	if (n == 0)
		return 0;
	if (bytes[0] % 3 == 0)
		read_file(bytes + 1, n - 1);
	else if (bytes[0] % 3 == 1)
		read_payload(bytes + 1, n - 1);
	else
		read_facts(bytes + 1, n - 1);
	return 0;
}
