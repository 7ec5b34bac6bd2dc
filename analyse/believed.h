/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the controller believed: a plain count of the teeth with a reset at the
 * index, replayed beside the true angle; dates each slip and names the likely
 * cause. */
#ifndef TRAMMEL_BELIEVED_H
#define TRAMMEL_BELIEVED_H

#include "analyse/crank.h"

enum slip_cause {
	SLIP_MISSED,      /* a missed tooth */
	SLIP_MISSED_FAST, /* missed teeth at high speed */
	SLIP_SAME_TOOTH,  /* always the same tooth */
	SLIP_EXTRA,       /* an extra pulse */
	SLIP_BURST,       /* burst: light or electrical noise */
	SLIP_INDEX_EARLY,
	SLIP_INDEX_LATE,
	SLIP_INDEX_EXTRA,
	SLIP_INDEX_MISSED,
	SLIP_REVERSAL, /* counted on while the crank turned backward */
	SLIP_CAUSE_END
};
const char *slip_cause_name(enum slip_cause c);

struct slip {
	int64_t t_us;
	double theta_rad;
	int edges; /* > 0: the controller counted too many */
	enum slip_cause cause;
};

struct believed; /* opaque: carries the count from leg to leg */
struct believed *believed_new(const struct engine *e, const struct wheel *w);
void believed_free(struct believed *b);

/* Replays the leg's core.  Slips found are appended and counted. */
int believed_replay(struct believed *b, const struct leg *leg, const struct crank *crank,
                    struct fault *fault);

/* Slips so far; at most a few thousand are kept, *total counts all. */
const struct slip *believed_slips(const struct believed *b, size_t *kept, uint64_t *total);

/* The angle the replayed count believes at time t of the leg last replayed
 * (last counted edge plus true advance since), rad in [0, 2 pi); NAN when the
 * count has not met an index yet. */
double believed_rad_at(const struct believed *b, double t_us);

#endif
