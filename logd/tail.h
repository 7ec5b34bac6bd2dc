/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Records that are not yet known to be on the disk.  After a failed write or
 * fsync the kernel may have thrown the data away, so the only safe copy is
 * this one; it is written again into a new segment.  Memory is reserved at the
 * start and touched only as far as it was ever filled. */
#ifndef TRAMMEL_TAIL_H
#define TRAMMEL_TAIL_H

#include "common/record.h"

#include <stddef.h>

struct tail; /* opaque */

/* Room for `records` records.  NULL when out of memory. */
struct tail *tail_new(size_t records);
void tail_free(struct tail *t);

/* Keeps a copy, text included.  False when full. */
bool tail_add(struct tail *t, const struct record *r);
/* Forgets the n oldest. */
void tail_drop(struct tail *t, size_t n);

size_t tail_count(const struct tail *t);
/* The i-th oldest; its text stays valid until it is dropped. */
const struct record *tail_at(const struct tail *t, size_t i);

#endif
