/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Packing of records inside one block of a segment (SEGMENT.md, "Records"):
 * most records take two or three bytes, because each stream (a sample
 * channel, the rising edges of the teeth, ...) comes at nearly even intervals
 * and changes little from one value to the next.  Nothing is carried from
 * block to block.  Every field and the order of the records are kept. */
#ifndef TRAMMEL_PACK_H
#define TRAMMEL_PACK_H

#include "common/record.h"

#include <stddef.h>

#define PACK_STREAMS 16
#define PACK_RECORD_MAX 144 /* longest packed record, bytes */

/* What is known of a stream: the record it gave last, and what time the next
 * should have (1/256 us, modulo 2^64). */
struct pack_stream {
	struct record last;
	uint64_t next_q8, interval_q8;
};

struct pack_state {
	struct pack_stream stream[PACK_STREAMS];
	unsigned streams;
	uint32_t t_us; /* of the record before */
};

struct pack_writer {
	struct pack_state state;
	uint8_t *begin, *at, *end;
	uint8_t stream_of[7 + 256]; /* stream number + 1, or 0 */
};

/* Starts packing into `bytes`; `t_us` is the time of the first record. */
void pack_writer_start(struct pack_writer *w, uint8_t *bytes, size_t size, uint32_t t_us);

/* Adds a record (kind 1 to 15; text is cut at RECORD_TEXT_MAX).  False: no
 * room, nothing was changed. */
bool pack_write(struct pack_writer *w, const struct record *r);

size_t pack_written(const struct pack_writer *w);

struct pack_reader {
	struct pack_state state;
	const uint8_t *at, *end;
	uint32_t left; /* records still to come */
};

/* Starts reading `records` records from n bytes (borrowed).  Three more bytes
 * behind them must be readable; their content does not matter. */
void pack_reader_start(struct pack_reader *p, const uint8_t *bytes, size_t n, uint32_t records,
                       uint32_t t_us);

/* Next record: 1; 0 when all were read; -1 when the bytes are not what a
 * writer makes.  The text lies in the bytes. */
int pack_read(struct pack_reader *p, struct record *r);

#endif
