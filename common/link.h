/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the two links (text lines, binary frames) share: bytes in, records
 * and damage out.  A decoder never blocks, never allocates after creation,
 * takes bytes in pieces of any size, and finds its feet again after damage. */
#ifndef TRAMMEL_LINK_H
#define TRAMMEL_LINK_H

#include "common/record.h"

#include <stddef.h>

enum link_kind { LINK_FRAMES, LINK_LINES };

/* A stretch of bytes that gave no record. */
struct link_damage {
	uint64_t offset; /* of the first byte, from the start of the stream */
	uint64_t line;   /* text link: line number from 1; frames: 0 */
	size_t bytes;
	const char *why; /* static text: "checksum does not match", ... */
};

/* Where results go.  Callbacks run inside link_decode. */
struct link_sink {
	void *ctx;
	/* A hello has no time: its t_us is 0 and must not be unwrapped. */
	void (*record)(void *ctx, const struct record *r);
	void (*damage)(void *ctx, const struct link_damage *d);
	void (*frames_lost)(void *ctx, unsigned frames); /* sequence jump; frames only */
};

struct link_counts {
	uint64_t bytes, units; /* units: whole lines or frames that were good */
	uint64_t records;
	uint64_t damaged_bytes, damaged_units;
	uint64_t frames_lost;
};

struct link_decoder; /* opaque */

/* NULL when out of memory. */
struct link_decoder *link_decoder_new(enum link_kind kind);
void link_decoder_free(struct link_decoder *d);

/* Feeds n bytes. */
void link_decode(struct link_decoder *d, const uint8_t *bytes, size_t n, const struct link_sink *sink);

/* End of stream: reports an unfinished line or frame (a last line without
 * newline is taken when it is valid). */
void link_decode_end(struct link_decoder *d, const struct link_sink *sink);

/* Forget half a unit (after a reconnect). */
void link_decoder_reset(struct link_decoder *d);

const struct link_counts *link_decoder_counts(const struct link_decoder *d);

/* Encoding, used by rehearse, tests and tools (the controller has its own
 * sender in firmware/).  Appends to a caller's buffer. */
struct link_encoder; /* opaque */
struct link_encoder *link_encoder_new(enum link_kind kind);
void link_encoder_free(struct link_encoder *e);

/* Adds one record; complete lines or frames appear in `out` (at most
 * LINK_ENCODE_MAX bytes); returns their number of bytes, maybe 0.  What the
 * link cannot carry (host-side kinds, a hello with a time, a level other than
 * 0|1, text with control characters; see LINK.md) is refused with 0. */
#define LINK_ENCODE_MAX 1024
size_t link_encode(struct link_encoder *e, const struct record *r, uint8_t out[LINK_ENCODE_MAX]);
/* Flushes an unfinished frame. */
size_t link_encode_end(struct link_encoder *e, uint8_t out[LINK_ENCODE_MAX]);

#endif
