/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The ride at a glance: which turns count. */
#include "analyse/overview.h"

#include <check.h>
#include <math.h>
#include <stdlib.h>

#define TWO_PI 6.283185307179586477
#define STEPS 72 /* a turn of a second */

struct stretch {
	double turns; /* < 0: backward */
	uint8_t flag;
};

static void add(struct crank_point *p, size_t *n, const struct stretch *s)
{
	size_t steps = (size_t)(fabs(s->turns) * STEPS + 0.5);
	for (size_t i = 0; i < steps; i++, ++*n) {
		double way = s->turns < 0 ? -1 : 1;
		p[*n].flag = s->flag;
		p[*n].omega_rad_s = way * TWO_PI;
		p[*n + 1] = (struct crank_point){.t_us = p[*n].t_us + 1000000 / STEPS,
		                                 .theta_rad = p[*n].theta_rad + way * TWO_PI / STEPS};
	}
}

START_TEST(turns_in_doubt_and_turns_backward_are_told_apart)
{
	static const struct stretch stretch[] = {
	    {3, CRANK_GOOD},      {2, CRANK_COUNT_UNSURE}, {1, CRANK_DIRECTION_UNKNOWN},
	    {0.5, CRANK_DROPOUT}, {-1.5, CRANK_GOOD},      {2, CRANK_NOT_ALIGNED}};
	static struct crank_point p[20 * STEPS];
	static struct report out;
	size_t n = 0;
	for (size_t i = 0; i < sizeof stretch / sizeof *stretch; i++)
		add(p, &n, &stretch[i]);
	struct engine e = {.tooth_count = STEPS};
	struct leg leg = {.to_us = p[n].t_us, .core_to_us = p[n].t_us + 1};
	struct crank c = {.point = p, .n = n + 1};
	struct overview *o = overview_new(&e, 0, p[n].t_us);
	overview_add(o, &leg, &c);
	overview_finish(o, &out);
	overview_free(o);
	ck_assert_double_eq_tol(out.revolutions, 7, 1e-9);
	ck_assert_double_eq_tol(out.unsure_revolutions, 3, 1e-9);
	ck_assert_double_eq_tol(out.backward_revolutions, 1.5, 1e-9);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("overview");
	TCase *t = tcase_create("overview");
	tcase_add_test(t, turns_in_doubt_and_turns_backward_are_told_apart);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_ENV);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
