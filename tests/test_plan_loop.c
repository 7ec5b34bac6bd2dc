/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The closed loop on two short machines; `make closed-loop` runs thirty whole ones. */
#include "tests/closed_loop.h"

#include <check.h>
#include <stdlib.h>

#define SECONDS 8

static void shorten(struct loop_machine *m)
{
	m->settings.duration = SECONDS;
	m->settings.sweep = SECONDS / 2.0;
}

/* Numbers 0 and 6 are after economy: the planned machine does more with its air. */
START_TEST(two_rounds_make_it_better)
{
	struct loop_machine m;
	struct loop_result r;
	loop_draw(_i == 0 ? 0 : 6, &m);
	shorten(&m);
	loop_rounds(&m, &r);
	ck_assert(!r.limit_passed);
	ck_assert(r.gain_within);
	ck_assert_uint_eq(r.refused, 0);
	double found = loop_merit(&m, r.ride[0].work_j, r.ride[0].air_kg);
	ck_assert_double_gt(loop_merit(&m, r.ride[1].work_j, r.ride[1].air_kg), 1.2 * found);
	ck_assert_double_gt(r.merit, 1.2 * found);
	/* The second round has little left to mend. */
	ck_assert_double_eq_tol(r.ride[2].work_j, r.ride[1].work_j, 0.1 * r.ride[1].work_j);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("plan_loop");
	TCase *t = tcase_create("short");
	tcase_set_timeout(t, 120);
	tcase_add_loop_test(t, two_rounds_make_it_better, 0, 2);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_ENV);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
