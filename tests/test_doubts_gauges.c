/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Gauges and clearances that are wrong: each is named, with its way. */
#include "tests/doubts_rig.h"

#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* Channel, speed, how far off in % of the range of 10 bar. */
static const struct {
	const char *rpm, *setting, *end, *way;
	double bar;
} ZEROS[] = {{"60", "zero.1=-3", "The cap end", "too low", 0.3},
             {"60", "zero.1=3", "The cap end", "too high", 0.3},
             {"60", "zero.2=1", "The rod end", "too high", 0.1},
             {"150", "zero.2=2", "The rod end", "too high", 0.2},
             {"150", "zero.1=-1.5", "The cap end", "too low", 0.15}};

START_TEST(a_gauge_whose_zero_is_off_is_named_with_its_way)
{
	char rpm[16];
	snprintf(rpm, sizeof rpm, "rpm=%s", ZEROS[_i].rpm);
	struct road *r =
	    doubts_ride(WORDS(STEADY, rpm, "--duration", _i < 3 ? "8" : "6", "--set", ZEROS[_i].setting));
	const char *line = doubts_line(r, "gauge reads about");
	ck_assert_ptr_nonnull(line);
	ck_assert_int_eq(strncmp(line, ZEROS[_i].end, 11), 0);
	ck_assert_ptr_nonnull(strstr(line, ZEROS[_i].way));
	double bar;
	ck_assert_int_eq(sscanf(strstr(line, "reads about"), "reads about %lf bar", &bar), 1);
	ck_assert_double_eq_tol(bar, ZEROS[_i].bar, 0.05);
	road_free(r);
}
END_TEST

START_TEST(a_gauge_whose_gain_is_off_is_named)
{
	struct road *r = doubts_ride(WORDS(STEADY, "rpm=90", "--duration", "4", "--set", "gain.2=15"));
	const char *line = doubts_line(r, "reads more than the supply");
	ck_assert_ptr_nonnull(line);
	ck_assert_int_eq(strncmp(line, "The rod end", 11), 0);
	road_free(r);
}
END_TEST

/* A ride of one engine, read with another's file; `line` the doubt that it must raise. */
static void check_clearance(const char *true_engine, const char *read_with, const char *which_way)
{
	char *lines = road_lines(true_engine,
	                         WORDS(STEADY, "rpm=150", "--set", "shuts.0=50", "--set", "lead_open.1=25",
	                               "--set", "opens.1=172", "--duration", "4"),
	                         NULL);
	struct road *r = road_bytes(read_with, LINK_LINES, (const uint8_t *)lines, strlen(lines));
	ck_assert_msg(r->status == 0, "%s", r->fault.text);
	const char *line = doubts_line(r, "expands with index");
	ck_assert_msg(line != NULL, "index %.2f", r->report->gas.n_polytropic[END_CAP]);
	ck_assert_int_eq(strncmp(line, "Shut in, the cap end", 20), 0);
	ck_assert_ptr_nonnull(strstr(line, which_way));
	free(lines);
	road_free(r);
}

START_TEST(a_clearance_that_cannot_be_is_named_with_its_way)
{
	char other[64];
	doubts_engine(other, "clearance cap   = 18 ml", "clearance cap   = 240 ml");
	check_clearance(DOUBTS_ENGINE, other, "is too large");
	check_clearance(other, DOUBTS_ENGINE, "is too small");
	unlink(other);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("doubts of gauges");
	TCase *c = tcase_create("doubts of gauges");
	tcase_set_timeout(c, 60);
	tcase_add_loop_test(c, a_gauge_whose_zero_is_off_is_named_with_its_way, 0,
	                    sizeof ZEROS / sizeof *ZEROS);
	tcase_add_test(c, a_gauge_whose_gain_is_off_is_named);
	tcase_add_test(c, a_clearance_that_cannot_be_is_named_with_its_way);
	suite_add_tcase(s, c);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
