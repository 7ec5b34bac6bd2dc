/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A wheel rig's ride, learned and solved, for the suites of the crank. */
#ifndef TRAMMEL_SOLVED_RIG_H
#define TRAMMEL_SOLVED_RIG_H

#include "analyse/crank.h"
#include "tests/crank_score.h"
#include "tests/wheel_rig.h"

struct solved {
	struct crank_learner *learner;
	struct crank_solver *solver;
	const struct crank *crank;
	struct crank_totals totals;
	struct wheel wheel;
	struct fault fault;
	int bad;
};

/* Learns and solves the ride (one leg).  Release with solved_free. */
struct solved *solved_new(const struct wheel_rig *r);
/* Frees the rig too, with notes and commands a test has given its leg. */
void solved_free(struct solved *s, struct wheel_rig *r);
/* Is there a remark of the wheel that holds these words? */
bool solved_says(const struct solved *s, const char *words);

/* A plain wheel without missed, extra or false events. */
struct wheel_setup solved_clean(unsigned teeth, enum engine_edges edges, enum wheel_motion motion,
                                unsigned seed, double seconds);
/* The ride of such a wheel, both edges, 24 s. */
struct wheel_rig *solved_short_ride(enum wheel_motion motion, unsigned teeth);

/* How well the angle of one ride is found (it must be solved). */
struct crank_score solved_score(const struct wheel_setup *s);

#endif
