/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The rides of a log as stretches of its timeline. */
#ifndef TRAMMEL_RIDE_LIST_H
#define TRAMMEL_RIDE_LIST_H

#include "analyse/timeline.h"

struct ride_span {
	uint64_t begin, end; /* ordinals of the timeline, end not included */
	bool timed;          /* the next two were taken from records with a time */
	int64_t first_us, last_us;
	uint64_t records /* of the link */, teeth, commands, samples;
};

struct ride_lister; /* opaque */

/* A ride ends where the crank rests for rest_s.  NULL: out of memory. */
struct ride_lister *ride_lister_new(double rest_s);
void ride_lister_free(struct ride_lister *l);
/* Back to before the first record. */
void ride_lister_clear(struct ride_lister *l);
/* The next record of the timeline.  0; -1: out of memory. */
int ride_lister_add(struct ride_lister *l, const struct timeline_record *t);
/* The rides up to here, the last one still open; borrowed until the next record.  *n = 0: no record yet. */
const struct ride_span *ride_lister_spans(const struct ride_lister *l, size_t *n);

#endif
