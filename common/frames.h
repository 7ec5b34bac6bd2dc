/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The binary link: stuffed, checked frames of packed records (LINK.md, part
 * 2).  Used through link.h. */
#ifndef TRAMMEL_FRAMES_H
#define TRAMMEL_FRAMES_H

#include "common/cobs.h"
#include "common/link_unit.h"

#define FRAMES_RAW_MAX 254 /* a frame before stuffing: one code byte does */
#define FRAMES_HEAD 5      /* sequence number, base time */
#define FRAMES_CHECK 2     /* CRC-16 */
#define FRAMES_WIRE_MAX COBS_MAX(FRAMES_RAW_MAX)

struct frames {
	uint8_t wire[FRAMES_WIRE_MAX]; /* unfinished frame as received */
	size_t len;                    /* its bytes, also those not kept */
	uint64_t offset;               /* of its first byte in the stream */
	bool have_sequence;
	uint8_t next_sequence;
};

void frames_init(struct frames *f);
void frames_decode(struct frames *f, const uint8_t *bytes, size_t n, const struct link_out *out);
void frames_decode_end(struct frames *f, const struct link_out *out);
void frames_reset(struct frames *f);

/* A frame being filled. */
struct frames_encoder {
	uint8_t raw[FRAMES_RAW_MAX];
	size_t len;     /* 0: no frame begun */
	bool have_base; /* the base time is set */
	uint32_t last_t_us;
	uint8_t sequence;
};

void frames_encoder_init(struct frames_encoder *e);
/* A record that link_can_carry; returns the bytes of a finished frame, maybe 0. */
size_t frames_encode(struct frames_encoder *e, const struct record *r, uint8_t out[LINK_ENCODE_MAX]);
size_t frames_encode_end(struct frames_encoder *e, uint8_t out[LINK_ENCODE_MAX]);

#endif
