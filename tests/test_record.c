/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "common/fault.h"
#include "common/record.h"

#include <check.h>
#include <stdlib.h>
#include <sysexits.h>

START_TEST(records_differ_when_any_field_differs)
{
	struct record a = record_make(RECORD_VALVE, 7, 3, 1), b = a;
	ck_assert(record_equal(&a, &b));
	b.intended_ddeg = 80;
	ck_assert(!record_equal(&a, &b));
	b = a;
	b.text = "x";
	b.text_len = 1;
	ck_assert(!record_equal(&a, &b));
}
END_TEST

START_TEST(every_kind_has_a_name)
{
	for (unsigned k = RECORD_TOOTH; k < RECORD_KIND_END; k++)
		ck_assert_str_ne(record_kind_name(k), "unknown");
	for (unsigned k = GAP_LINK_DOWN; k < GAP_END; k++)
		ck_assert_str_ne(record_gap_name(k), "unknown");
	ck_assert_str_eq(record_kind_name(RECORD_KIND_END), "unknown");
}
END_TEST

START_TEST(a_fault_carries_no_control_characters)
{
	struct fault f;
	ck_assert_int_eq(fault_set(&f, EX_DATAERR, "bad \x1b[31m%s", "a\nb"), -1);
	ck_assert_int_eq(f.exit_code, EX_DATAERR);
	ck_assert_str_eq(f.text, "bad ?[31ma?b");
}
END_TEST

int main(void)
{
	Suite *s = suite_create("record");
	TCase *t = tcase_create("record");
	tcase_add_test(t, records_differ_when_any_field_differs);
	tcase_add_test(t, every_kind_has_a_name);
	tcase_add_test(t, a_fault_carries_no_control_characters);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
