/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/solved_rig.h"

#include <check.h>
#include <stdlib.h>
#include <string.h>

struct solved *solved_new(const struct wheel_rig *r)
{
	struct solved *s = calloc(1, sizeof *s);
	ck_assert_ptr_nonnull(s);
	s->learner = crank_learner_new(&r->engine);
	s->bad = crank_learn(s->learner, &r->leg, &s->fault);
	if (s->bad == 0)
		s->bad = crank_learned(s->learner, &s->wheel, &s->fault);
	if (s->bad != 0)
		return s;
	s->solver = crank_solver_new(&r->engine, &s->wheel);
	s->bad = crank_solve(s->solver, &r->leg, &s->crank, &s->fault);
	s->totals = *crank_solver_totals(s->solver);
	return s;
}

void solved_free(struct solved *s, struct wheel_rig *r)
{
	crank_learner_free(s->learner);
	crank_solver_free(s->solver);
	free(s);
	free(r->leg.note);
	free(r->leg.command);
	wheel_rig_free(r);
}

bool solved_says(const struct solved *s, const char *words)
{
	for (unsigned i = 0; i < s->wheel.remarks; i++)
		if (strstr(s->wheel.remark[i], words) != NULL)
			return true;
	return false;
}

struct wheel_setup solved_clean(unsigned teeth, enum engine_edges edges, enum wheel_motion motion,
                                unsigned seed, double seconds)
{
	struct wheel_setup s = wheel_setup_plain(teeth, edges, motion, seed);
	s.missed = s.extra = s.index_missed = s.index_extra = 0;
	s.seconds = seconds;
	return s;
}

struct wheel_rig *solved_short_ride(enum wheel_motion motion, unsigned teeth)
{
	struct wheel_setup s = solved_clean(teeth, EDGES_BOTH, motion, 3, 24);
	return wheel_rig_new(&s);
}

struct crank_score solved_score(const struct wheel_setup *s)
{
	struct crank_score c = {0};
	crank_score_add(&c, s);
	crank_score_finish(&c);
	ck_assert_uint_eq(c.failed, 0);
	return c;
}
