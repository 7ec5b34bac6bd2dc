/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Gap records: what is missing from the stream, with reason and amount.  Noise
 * comes in floods, so damage of one kind is added up and told before the next
 * good record, and from a live port ten times a second at most: the log grows
 * by a bounded rate whatever comes in, and no byte goes uncounted. */
#ifndef TRAMMEL_GAPS_H
#define TRAMMEL_GAPS_H

#include "common/record.h"

#include <stddef.h>

struct gaps {
	bool waiting; /* any held */
	int64_t held[GAP_END];
	const char *why[GAP_END]; /* static texts; NULL = none */
	int64_t next_us[GAP_END];
};

/* Adds to what is held for a reason. */
void gaps_add(struct gaps *g, enum record_gap reason, int64_t amount, const char *why);

/* The next gap record that may be told at `now_us`; false when there is none.
 * `force`: the pace does not matter (end of recording, not live). */
bool gaps_next(struct gaps *g, int64_t now_us, bool force, uint32_t t_us, struct record *out);

/* A gap record that is told at once. */
struct record gaps_record(enum record_gap reason, uint32_t t_us, int64_t amount, const char *why);

#endif
