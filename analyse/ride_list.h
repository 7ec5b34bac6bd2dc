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

/* Reads the timeline through.  Number of rides (0: empty log), or -1 with
 * fault; *spans is malloc'd. */
int ride_spans(struct timeline *timeline, double rest_s, struct ride_span **spans, struct fault *fault);

#endif
