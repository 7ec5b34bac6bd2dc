/* SPDX-License-Identifier: GPL-3.0-or-later */
/* For the tests of link and segment: seeded records, captured results, whole
 * segment files in memory, and the examples out of the two documents. */
#ifndef TRAMMEL_FORMAT_RIG_H
#define TRAMMEL_FORMAT_RIG_H

#include "common/link.h"
#include "common/segment.h"

/* xorshift64*: the same numbers everywhere.  The state must not be 0. */
uint64_t rig_random(uint64_t *state);
uint64_t rig_below(uint64_t *state, uint64_t limit);

/* TRAMMEL_FULL=1 in the environment: the long form of the damage tests. */
bool rig_full(void);

/* Any record with extreme values more often than chance; `for_link`: one that
 * a link can carry.  Texts are constants. */
struct record rig_record(uint64_t *state, bool for_link);

/* Fills `r` with a plain ride: 4 channels at 1 kHz, 100 us apart, 10 bits with
 * noise of 5 counts; tooth edges of both levels at 150/s; index; valves. */
void rig_ride(uint64_t *state, struct record *r, size_t n);

/* What a sink was given; texts are copied. */
#define RIG_CAPTURE_MAX 4096
struct rig_capture {
	struct record record[RIG_CAPTURE_MAX];
	char text[RIG_CAPTURE_MAX][RECORD_TEXT_MAX];
	size_t n;
	struct link_damage damage; /* the last */
	size_t damages;
	uint64_t damaged_bytes, frames_lost;
};
struct link_sink rig_sink(struct rig_capture *c);
/* A record of a document's table: "kind time channel value angle angle text". */
void rig_capture_words(struct rig_capture *c, const char *line);
/* The place of the first difference, or -1. */
int rig_differs(const struct rig_capture *a, const struct rig_capture *b);

/* A segment file in memory. */
struct rig_block {
	size_t at, len;
	uint64_t first_record;
	size_t records; /* 0: not a block of records */
};
struct rig_file {
	uint8_t *bytes;
	size_t len;
	struct rig_block *block;
	size_t blocks;
};
/* `flush_every` records a block at most (0: full blocks); closed. */
struct rig_file rig_file_make(const struct segment_facts *facts, const struct record *r, size_t n,
                              size_t flush_every);
void rig_file_free(struct rig_file *f);

/* The file's content as a string; aborts the test when it cannot be read. */
char *rig_slurp(const char *path);
/* Copies the next fenced block that opens with ```<name> after *at into `out`
 * (terminated), the rest of its first line into `arg`; moves *at behind it.
 * False when there is none before the next fence named `until` (may be NULL). */
bool rig_fence(const char **at, const char *name, char *arg, size_t arg_size, char *out, size_t out_size);
/* Two-digit hexadecimal bytes; returns their number. */
size_t rig_hex(const char *text, uint8_t *bytes, size_t size);

#endif
