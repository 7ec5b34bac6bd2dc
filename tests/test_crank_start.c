/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Standing starts on fine teeth: rocked to and fro first, by people who get the machine going. */
#include "tests/solved_rig.h"

#include <check.h>
#include <stdlib.h>

/* The crank passes so many teeth while it turns back that no step is far slower than those
 * about it; where it stands at first, edges of noise pass for the teeth before; and an extra
 * edge in place of a missed one makes a few teeth look like others of the wheel. */
START_TEST(a_turning_point_on_fine_teeth_is_not_counted_through)
{
	static const unsigned seed[] = {48, 168, 196};
	struct wheel_setup s = wheel_setup_plain(120, EDGES_BOTH, WHEEL_ROCKING_START, seed[_i]);
	s.seconds = 20;
	struct crank_score c = solved_score(&s);
	ck_assert_uint_eq(c.slips, 0);
	ck_assert_double_lt(c.flagged_part, 0.1);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("crank at the start");
	TCase *t = tcase_create("start");
	tcase_set_timeout(t, 120);
	tcase_add_loop_test(t, a_turning_point_on_fine_teeth_is_not_counted_through, 0, 3);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
