/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a recorder would hear of a board: its bytes, decoded and kept. */
#ifndef TRAMMEL_AVR_HEARD_H
#define TRAMMEL_AVR_HEARD_H

#include "common/link.h"

#include <stdio.h>

struct heard {
	struct link_decoder *decoder;
	struct record *record; /* texts owned */
	size_t n, room;
	uint64_t kinds[RECORD_KIND_END], lost; /* lost: sum of what was reported */
	uint64_t damages, frames_lost, bytes;
};

struct heard heard_make(enum link_kind link);
void heard_free(struct heard *h);
void heard_byte(struct heard *h, uint8_t byte);

/* All that a file holds, from its beginning. */
void heard_file(struct heard *h, FILE *f);

/* The first mark that begins like this, at or behind record `from`; NULL. */
const struct record *heard_mark(const struct heard *h, size_t from, const char *begins);

#endif
