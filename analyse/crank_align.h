/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Which slot of the wheel a run begins at: by the index switch (its closings
 * vote; the mode wins, so that missed, extra and late ones do not count), or,
 * where too few turns have an index, by the pattern of the wheel's own pitch
 * errors. */
#ifndef TRAMMEL_CRANK_ALIGN_H
#define TRAMMEL_CRANK_ALIGN_H

#include "analyse/crank_smooth.h"
#include "analyse/teeth.h"

enum align_by {
	ALIGN_NONE, /* not known */
	ALIGN_INDEX,
	ALIGN_PATTERN
};

struct align_fix {     /* of one run */
	int64_t shift; /* slot of the wheel = slot of the run + shift (mod slots) */
	enum align_by by;
	unsigned votes, agree;
};

struct align_index {                  /* the index switch on the wheel, and when it closed */
	double closes_rad, opens_rad; /* turning forward; NAN = not known */
	const int64_t *closing_us;
	size_t closings;
	double late_us; /* it closes so much after its place was passed */
};

/* Closings of the index switch, contact bounce left out.  t_us needs room for
 * leg->index_n.  Returns their number. */
size_t align_closings(const struct leg *leg, int64_t *t_us);
/* The same for its openings. */
size_t align_openings(const struct leg *leg, int64_t *t_us);
/* Does index edge i only bounce? */
bool align_is_bounce(const struct leg *leg, size_t i);

/* Angle on the wheel (slot of the wheel = slot of the run + shift) at a time
 * inside the run; NAN outside.  *hint: the mark at or before; speeds up rising queries. */
double align_phase_rad(const struct wheel *w, const struct tooth_mark *mark, size_t n, int64_t shift,
                       int64_t t_us, size_t *hint);

/* Splits runs where the index says, twice in a row, that the count is not what
 * it was: once after the last closing that agreed, once at the first that did
 * not.  False: no memory. */
bool align_split(struct teeth *t, const struct wheel *w, const struct align_index *index);

/* Fixes a run, passed forward (sense +1) or backward (-1: the switch then closes
 * where else it opens).  `noise` NULL: by index only. */
struct align_fix align_run(const struct wheel *w, const struct align_index *index,
                           const struct tooth_mark *mark, size_t n, int sense,
                           const struct smooth_noise *noise);

/* Does a run look like the wheel passed the other way round, clearly more than
 * the way it is?  Then slot of the wheel = *shift - slot of the run.  Only for
 * wheels of which both edges are seen. */
bool align_turned(const struct wheel *w, const struct smooth_noise *noise, const struct tooth_mark *mark,
                  size_t n, int64_t *shift);

/* Does a run whose marks carry the wheel's slots look like the wheel as it is
 * passed, clearly more than the other way round? */
bool align_way_known(const struct wheel *w, const struct smooth_noise *noise, const struct tooth_mark *mark,
                     size_t n);

#endif
