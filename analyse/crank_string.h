/* SPDX-License-Identifier: GPL-3.0-or-later */
/* From the edges of a leg to runs with a place on the wheel. */
#ifndef TRAMMEL_CRANK_STRING_H
#define TRAMMEL_CRANK_STRING_H

#include "analyse/crank_align.h"

/* Strings the edges into runs; again, with what has been learned from it, where
 * a run was started from the wrong slot, was passed backward, or may reach over
 * a turning point.  `noise` NULL: the wheel's pattern is not known yet.  0, or
 * -1 with fault (memory). */
int string_leg(struct teeth *t, const struct wheel *w, const struct smooth_noise *noise,
               const struct align_index *index, enum engine_edges edges, const struct leg *leg,
               struct fault *fault);

/* Where a run lies on the wheel. */
struct align_fix string_fix(const struct teeth *t, size_t run, const struct wheel *w,
                            const struct smooth_noise *noise, const struct align_index *index);

#endif
