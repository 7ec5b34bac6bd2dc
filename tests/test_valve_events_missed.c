/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/chamber_found.h"

#include <check.h>
#include <math.h>
#include <stdlib.h>

START_TEST(missed_movements_are_called_missed_and_none_is_invented)
{
	struct rig_setup s = found_short_ride();
	struct found f;
	s.missed_share = 0.06;
	s.seconds = 20;
	s.seed = 5;
	found_run(&s, &f);
	unsigned missed = 0, called = 0;
	for (size_t i = 0; i < f.n; i++) {
		const struct rig_event *truth = &f.rig->event[i];
		if (f.row[i].cls == EVENT_CLASS_MISSED)
			ck_assert(truth->missed);
		if (truth->missed)
			ck_assert(!found_counted(&f.row[i]));
		missed += truth->missed;
		called += f.row[i].cls == EVENT_CLASS_MISSED;
	}
	ck_assert_uint_ge(missed, 12);
	ck_assert_uint_eq(called, missed);
	for (size_t i = 0; i < f.n; i++) /* also behind a missed one, with air of another temperature */
		if (f.row[i].event == EVENT_ADMISSION && found_counted(&f.row[i]))
			ck_assert_double_lt(fabs(f.row[i].event_t_us - f.rig->event[i].t50_us), 500);
	found_done(&f);
}
END_TEST

START_TEST(a_sealed_engine_shows_no_events)
{
	struct rig_setup s = found_short_ride();
	struct found f;
	s.sealed = true;
	found_run(&s, &f);
	for (size_t i = 0; i < f.n; i++)
		ck_assert(!found_counted(&f.row[i]));
	for (size_t i = 0; i < f.summaries; i++)
		ck_assert_uint_eq(f.summary[i].count, 0);
	found_done(&f);
}
END_TEST

/* From 60 to 180 rpm the temperature of the sealed air goes with the speed, which looks much like a passage a
 * twenty-fifth as wide as suits the cylinder: no valve. */
START_TEST(a_passage_much_too_narrow_is_no_valve)
{
	struct rig_setup s = rig_healthy();
	struct found f;
	s.sealed = true;
	s.seconds = 30;
	s.seed = 8;
	found_run(&s, &f);
	for (size_t i = 0; i < f.n; i++)
		ck_assert(!found_counted(&f.row[i]));
	found_done(&f);
}
END_TEST

START_TEST(late_movements_are_found_and_named)
{
	struct rig_setup s = found_short_ride();
	struct found f;
	s.late_share = 0.15;
	s.late_s = 20e-3;
	found_run(&s, &f);
	unsigned late = 0, hit = 0;
	for (size_t i = 0; i < f.n; i++) {
		const struct rig_event *truth = &f.rig->event[i];
		if ((truth->t50_us - truth->command_us) < 33e3)
			continue;
		late++;
		hit += found_counted(&f.row[i]) && fabs(f.row[i].event_t_us - truth->t50_us) < 3e3;
	}
	ck_assert_uint_ge(late, 10);
	ck_assert_uint_ge(hit * 10, late * 9);
	ck_assert(found_says(&f, "hesitates"));
	found_done(&f);
}
END_TEST

START_TEST(a_large_leak_is_named)
{
	struct rig_setup s = rig_healthy();
	struct found f;
	s.seconds = 20;
	s.leak = 0.8e-8;
	found_run(&s, &f);
	ck_assert(found_says(&f, "leaks"));
	found_done(&f);
}
END_TEST

int main(void)
{
	Suite *suite = suite_create("valve events missed, late or none");
	TCase *tc = tcase_create("valve events missed, late or none");
	tcase_set_timeout(tc, 120);
	tcase_add_test(tc, missed_movements_are_called_missed_and_none_is_invented);
	tcase_add_test(tc, a_sealed_engine_shows_no_events);
	tcase_add_test(tc, a_passage_much_too_narrow_is_no_valve);
	tcase_add_test(tc, late_movements_are_found_and_named);
	tcase_add_test(tc, a_large_leak_is_named);
	suite_add_tcase(suite, tc);
	SRunner *runner = srunner_create(suite);
	srunner_run_all(runner, CK_NORMAL);
	int failed = srunner_ntests_failed(runner);
	srunner_free(runner);
	return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
