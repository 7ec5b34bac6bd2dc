/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The text link: one record a line (LINK.md, part 1).  Used through link.h. */
#ifndef TRAMMEL_LINES_H
#define TRAMMEL_LINES_H

#include "common/link_unit.h"

#include <csv.h>

#define LINES_MAX 256 /* longest line, line end not counted */

struct lines {
	char line[LINES_MAX];
	size_t len;      /* bytes of the unfinished line, also those not kept */
	uint64_t offset; /* of its first byte in the stream */
	uint64_t number; /* of lines ended so far */
	struct csv_parser csv;
};

/* 0, or -1 when out of memory. */
int lines_init(struct lines *l);
void lines_free(struct lines *l);
void lines_decode(struct lines *l, const uint8_t *bytes, size_t n, const struct link_out *out);
void lines_decode_end(struct lines *l, const struct link_out *out);
void lines_reset(struct lines *l);

/* One record as a line with checksum and line end, for a record that
 * link_can_carry; returns its length. */
size_t lines_encode(const struct record *r, uint8_t out[LINK_ENCODE_MAX]);

#endif
