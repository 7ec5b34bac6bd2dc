/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/crank_string.h"

#include <sysexits.h>

#define ROUNDS 3 /* what one round finds may show more in the next */

struct align_fix string_fix(const struct teeth *t, size_t run, const struct wheel *w,
                            const struct smooth_noise *noise, const struct align_index *index)
{
	const struct tooth_run *r = &t->run[run];
	return align_run(w, index, t->mark + r->first, r->n, r->sense, noise);
}

static int string_once(struct teeth *t, const struct wheel *w, const struct align_index *index,
                       enum engine_edges edges, const struct leg *leg, struct fault *fault)
{
	if (teeth_associate(t, w, edges, leg, fault) != 0)
		return -1;
	if (!align_split(t, w, index))
		return fault_set(fault, EX_OSERR, "out of memory for runs of teeth");
	return 0;
}

/* Do both runs lie on the wheel as if the count went on from one to the other? */
static bool counts_on(const struct wheel *w, const struct align_fix *a, const struct align_fix *b)
{
	return a->by != ALIGN_NONE && b->by != ALIGN_NONE && (a->shift - b->shift) % (int64_t)w->slots == 0;
}

/* Notes what a round has shown.  True when that changes anything. */
static bool learn_runs(struct teeth *t, const struct wheel *w, const struct smooth_noise *noise,
                       const struct align_index *index)
{
	bool again = false;
	struct align_fix before = {0, ALIGN_NONE, 0, 0};
	size_t barriers = t->barrier_n;
	t->hint_n = 0;
	for (size_t r = 0; r < t->run_n; r++) {
		const struct tooth_run *run = &t->run[r];
		struct align_fix f = string_fix(t, r, w, noise, index);
		int64_t shift;
		if (noise != NULL && align_turned(w, noise, t->mark + run->first, run->n, &shift))
			again |= teeth_turn(t, r, shift);
		else if (f.by != ALIGN_NONE)
			again |= teeth_know(t, w, r, f.shift);
		if (run->join == TOOTH_JOIN_SLOW && run->anchor_us == INT64_MIN && !counts_on(w, &before, &f))
			teeth_part(t, r);
		before = f;
	}
	return again || t->barrier_n > barriers;
}

int string_leg(struct teeth *t, const struct wheel *w, const struct smooth_noise *noise,
               const struct align_index *index, enum engine_edges edges, const struct leg *leg,
               struct fault *fault)
{
	teeth_forget(t);
	if (string_once(t, w, index, edges, leg, fault) != 0)
		return -1;
	for (unsigned round = 1; noise != NULL && round < ROUNDS; round++)
		if (learn_runs(t, w, noise, index) && string_once(t, w, index, edges, leg, fault) != 0)
			return -1;
	return 0;
}
