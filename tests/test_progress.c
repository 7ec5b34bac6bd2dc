/* SPDX-License-Identifier: GPL-3.0-or-later */
/* One line, only when it takes long, and none left behind. */
#include "analyse/progress.h"

#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static char *text;
static size_t length;

static struct progress watched(void)
{
	text = NULL;
	return (struct progress){.out = open_memstream(&text, &length), .start_s = 100, .percent = -1};
}

static void expect(struct progress *p, const char *said)
{
	fclose(p->out);
	ck_assert_str_eq(text, said);
	free(text);
}

START_TEST(short_work_says_nothing)
{
	struct progress p = watched();
	progress_at(&p, 100.5, 0.3);
	progress_at(&p, 101.9, 0.9);
	progress_end(&p);
	expect(&p, "");
}
END_TEST

START_TEST(long_work_says_how_far_it_is)
{
	struct progress p = watched();
	progress_at(&p, 102.1, NAN);
	progress_at(&p, 103, 0.251);
	progress_at(&p, 103.1, 0.259); /* the same per cent: not again */
	progress_at(&p, 104, 1.2);
	progress_end(&p);
	progress_end(&p);
	expect(&p, "\r\033[Kreading the ride\r\033[K25 % of the ride\r\033[K100 % of the ride\r\033[K");
}
END_TEST

START_TEST(nobody_watches_a_pipe)
{
	struct progress p = progress_start(); /* the test's own stderr may be anything */
	p.out = NULL;
	progress_at(&p, p.start_s + 9, 0.5);
	ck_assert_int_eq(p.percent, -1);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("progress");
	TCase *c = tcase_create("progress");
	tcase_add_test(c, short_work_says_nothing);
	tcase_add_test(c, long_work_says_how_far_it_is);
	tcase_add_test(c, nobody_watches_a_pipe);
	suite_add_tcase(s, c);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
