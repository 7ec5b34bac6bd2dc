/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Segment files (*.tram): layout in SEGMENT.md.  The writer turns records
 * into blocks in memory and does no I/O (logd writes them); the reader is the
 * one routine by which trammel, `verify` and `--salvage` read. */
#ifndef TRAMMEL_SEGMENT_H
#define TRAMMEL_SEGMENT_H

#include "common/fault.h"
#include "common/record.h"

#include <stddef.h>

#define SEGMENT_BLOCK_MAX 4096
#define SEGMENT_ENGINE_MAX 65536 /* longest engine text, bytes: the caller sees to it */

/* Facts needed to read the records; repeated through the file. */
struct segment_facts {
	uint64_t file_id;          /* random */
	uint8_t boot_id[16];       /* of the recording host; zeros when unknown */
	uint32_t session;          /* rises by one with every start of the recorder in a directory */
	uint32_t number;           /* segment within the session, from 1 */
	uint64_t previous_file_id; /* 0 = first of its session */
	uint64_t first_record;     /* number of this file's first record in the session, from 0 */
	bool live;                 /* from a port: host times mean something */
	int64_t start_mono_us;     /* host CLOCK_MONOTONIC; 0 when not live */
	int64_t start_utc_us;      /* host clock, us since 1970; 0 when not live or unknown */
	const char *engine_text;   /* engine file, not terminated */
	size_t engine_len;
	char source[64]; /* "port", "stdin", ... and link kind; for people */
};

/* --- writer ------------------------------------------------------------ */
struct segment_writer; /* opaque; no heap after segment_writer_new */

struct segment_writer *segment_writer_new(void);
void segment_writer_free(struct segment_writer *w);

/* Starts a file: the next blocks taken are its facts. `facts->engine_text`
 * must outlive the file. */
void segment_writer_start(struct segment_writer *w, const struct segment_facts *facts);

/* Adds a record.  True: taken.  False: the open block is full; take blocks
 * first, then add again. */
bool segment_writer_add(struct segment_writer *w, const struct record *r);

/* Closes the open block (if it holds records) and hands out the next finished
 * block: length, or 0 when none is waiting.  Facts repeat by themselves. */
size_t segment_writer_take(struct segment_writer *w, int64_t mono_us, uint8_t block[SEGMENT_BLOCK_MAX]);

/* The closing block, with totals.  After it only segment_writer_start. */
size_t segment_writer_close(struct segment_writer *w, int64_t mono_us, uint8_t block[SEGMENT_BLOCK_MAX]);

/* The file could take only its first `blocks` blocks, with `records` records in them, and goes on
 * from there, with no more facts for a while; what the writer held beyond is forgotten. */
void segment_writer_cut(struct segment_writer *w, uint32_t blocks, uint64_t records);

/* Records in the open block, and in the file so far (open block included). */
size_t segment_writer_pending(const struct segment_writer *w);
uint64_t segment_writer_records(const struct segment_writer *w);

/* --- reader ------------------------------------------------------------ */
struct segment_damage {
	uint64_t offset, bytes;           /* range in the file */
	uint64_t records_lost;            /* by record numbers; 0 when not known */
	int64_t from_mono_us, to_mono_us; /* host time around it; 0 = unknown */
	const char *why;                  /* static text */
};

struct segment_totals {
	uint64_t blocks, records, bytes;
	uint64_t damaged_bytes, records_lost, damages;
	bool closed;    /* the closing block is there and agrees */
	bool truncated; /* ends without closing block */
};

struct segment_reader; /* opaque */

/* Opens a file.  NULL with fault when it cannot be read or holds no facts. */
struct segment_reader *segment_reader_open(const char *path, struct fault *fault);
/* The same over bytes in memory (borrowed). */
struct segment_reader *segment_reader_open_memory(const char *name, const uint8_t *bytes, size_t n,
                                                  struct fault *fault);
void segment_reader_free(struct segment_reader *s);

const struct segment_facts *segment_reader_facts(const struct segment_reader *s);

/* Next whole record: 1; 0 at the end; -1 with fault on a read error.
 * Damaged stretches are stepped over and reported through `on_damage`. */
int segment_reader_next(struct segment_reader *s, struct record *r, struct fault *fault);

/* Called for each damaged stretch as it is met; may be NULL. */
void segment_reader_on_damage(struct segment_reader *s, void (*fn)(void *ctx, const struct segment_damage *d),
                              void *ctx);

/* Host monotonic time of the block that the last record came from; 0 unknown. */
int64_t segment_reader_block_mono_us(const struct segment_reader *s);

/* Totals so far (complete after the end). */
const struct segment_totals *segment_reader_totals(const struct segment_reader *s);

#endif
