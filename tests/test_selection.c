/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A part of a ride: the options, and that only what lies in it is counted. */
#include "analyse/analysis.h"
#include "common/unit.h"
#include "tests/road_rig.h"

#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define ENGINE "sample-logs/number7.ini"

/* --- options -------------------------------------------------------------- */

static int take(struct selection *s, int option, const char *text)
{
	return selection_take(s, "report", option, text);
}

START_TEST(ranges_are_read)
{
	struct selection s = selection_all();
	ck_assert(!selection_is_part(&s));
	ck_assert_int_eq(take(&s, SELECTION_SPEED, "100..150.5"), EX_OK);
	ck_assert_double_eq(s.speed_rpm.low, 100);
	ck_assert_double_eq(s.speed_rpm.high, 150.5);
	ck_assert_int_eq(take(&s, SELECTION_SUPPLY, "..4"), EX_OK);
	ck_assert(isinf(s.supply_bar_gauge.low));
	ck_assert_double_eq(s.supply_bar_gauge.high, 4);
	ck_assert_int_eq(take(&s, SELECTION_FROM, "2.5"), EX_OK);
	ck_assert_int_eq(take(&s, SELECTION_TO, "8"), EX_OK);
	ck_assert_int_eq(selection_check(&s, "report"), EX_OK);
	ck_assert(selection_is_part(&s));
	char words[SELECTION_WORDS_MAX];
	ck_assert_str_eq(selection_words(&s, words), "2.5 to 8 s, at 100 to 150.5 rpm, at up to 4 bar gauge");
}
END_TEST

START_TEST(bad_ranges_are_errors)
{
	static const char *const BAD[] = {"",        "..",   "5",      "a..b",   "9..3",   "3..3",
	                                  "1..2..3", "-1..", "nan..4", "1..inf", "1 .. 2x"};
	for (size_t i = 0; i < sizeof BAD / sizeof *BAD; i++) {
		struct selection s = selection_all();
		ck_assert_msg(take(&s, SELECTION_SPEED, BAD[i]) == EX_USAGE, "%s", BAD[i]);
		ck_assert(!selection_is_part(&s));
	}
	struct selection s = selection_all();
	ck_assert_int_eq(take(&s, SELECTION_FROM, "soon"), EX_USAGE);
	ck_assert_int_eq(take(&s, SELECTION_TO, "-3"), EX_USAGE);
	ck_assert_int_eq(take(&s, SELECTION_FROM, "8"), EX_OK);
	ck_assert_int_eq(take(&s, SELECTION_TO, "8"), EX_OK);
	ck_assert_int_eq(selection_check(&s, "report"), EX_USAGE);
}
END_TEST

START_TEST(what_is_not_known_lies_in_no_range)
{
	struct selection s = selection_all();
	ck_assert(selection_has(&s, 1, NAN, NAN));
	take(&s, SELECTION_SUPPLY, "3..5");
	ck_assert(selection_has(&s, 1, NAN, 4));
	ck_assert(!selection_has(&s, 1, 100, NAN));
	ck_assert(!selection_has(&s, 1, 100, 5.01));
}
END_TEST

/* --- a ride ---------------------------------------------------------------- */

struct kept { /* rows of a run */
	struct stroke stroke[400];
	size_t strokes, events;
	double start_us;
};

static int keep(void *ctx, const struct analysis_rows *rows, struct fault *fault)
{
	(void)fault;
	struct kept *k = ctx;
	k->start_us = rows->start_us;
	k->events += rows->event_n;
	for (size_t i = 0; i < rows->stroke_n && k->strokes < 400; i++)
		k->stroke[k->strokes++] = rows->stroke[i];
	return 0;
}

static struct road *the_ride(void)
{
	static const char *const words[] = {"--ride", "late", "--duration", "7", "--seed", "21", NULL};
	return road_ride(ENGINE, LINK_FRAMES, words);
}

static int run(struct road *road, const struct selection *s, struct kept *k, struct fault *f)
{
	const struct analysis_sink sink = {.ctx = k, .rows = keep, .selection = s};
	*k = (struct kept){0};
	return analysis_run(road->ride, &sink, road->report, f);
}

/* Mean work of the rows of an end in a range of speed. */
static double mean_work_j(const struct kept *k, int end, double low_rpm, double high_rpm, unsigned *n)
{
	double sum = 0;
	*n = 0;
	for (size_t i = 0; i < k->strokes; i++) {
		const struct stroke *row = &k->stroke[i];
		double rpm = unit_rpm(row->omega_rad_s);
		if (row->end != end || row->flag[0] != '\0' || rpm < low_rpm || rpm > high_rpm)
			continue;
		sum += row->work_j;
		++*n;
	}
	return sum / *n;
}

static unsigned commands(const struct report *r)
{
	unsigned n = 0;
	for (size_t i = 0; i < r->event_n; i++)
		n += r->event[i].commands;
	return n;
}

/* Two parts make the whole; each holds what lies in it. */
static void check_times(struct road *road, const struct kept *whole, unsigned all_commands)
{
	struct kept *part = malloc(sizeof *part);
	struct fault f = {0};
	size_t strokes = 0, events = 0;
	unsigned counted = 0;
	for (int second = 0; second < 2; second++) {
		struct selection s = selection_all();
		take(&s, second ? SELECTION_FROM : SELECTION_TO, "3.2");
		ck_assert_int_eq(run(road, &s, part, &f), 0);
		ck_assert_uint_gt(part->strokes, 5);
		for (size_t i = 0; i < part->strokes; i++) {
			double t_s = (part->stroke[i].t_start_us - part->start_us) * 1e-6;
			ck_assert(second ? t_s >= 3.2 : t_s < 3.2);
		}
		ck_assert_ptr_nonnull(
		    strstr(road->report->selected, second ? "3.2 s and more" : "up to 3.2 s"));
		strokes += part->strokes;
		events += part->events;
		counted += commands(road->report);
	}
	ck_assert_uint_eq(strokes, whole->strokes);
	ck_assert_uint_eq(events, whole->events);
	ck_assert_uint_eq(counted, all_commands);
	free(part);
}

/* The means are those of the strokes in the range, and only those. */
static void check_speed(struct road *road, const struct kept *whole)
{
	struct kept *part = malloc(sizeof *part);
	struct fault f = {0};
	struct selection s = selection_all();
	unsigned n;
	ck_assert_int_eq(take(&s, SELECTION_SPEED, "125..200"), EX_OK);
	ck_assert_int_eq(run(road, &s, part, &f), 0);
	for (int end = 0; end < END_COUNT; end++) {
		double want = mean_work_j(whole, end, 125, 200, &n);
		ck_assert_uint_gt(n, 1);
		ck_assert_uint_eq(road->report->stroke[end].count, n);
		ck_assert_double_eq_tol(road->report->stroke[end].work_j, want, 1e-9 * fabs(want));
		double all = mean_work_j(whole, end, 0, 1e9, &n);
		ck_assert_uint_gt(n, road->report->stroke[end].count);
		ck_assert_double_gt(fabs(all - want), 0.1);
	}
	for (size_t i = 0; i < road->report->event_n; i++) {
		double rpm = unit_rpm(road->report->event[i].speed_rad_s);
		ck_assert(isnan(rpm) || (rpm >= 125 && rpm <= 200));
	}
	free(part);
}

static void check_empty(struct road *road)
{
	struct kept *part = malloc(sizeof *part);
	static const struct {
		int option;
		const char *text;
	} EMPTY[] = {{SELECTION_FROM, "60"}, {SELECTION_SUPPLY, "..0.5"}};
	for (size_t i = 0; i < sizeof EMPTY / sizeof *EMPTY; i++) {
		struct selection s = selection_all();
		struct fault f = {0};
		ck_assert_int_eq(take(&s, EMPTY[i].option, EMPTY[i].text), EX_OK);
		ck_assert_int_eq(run(road, &s, part, &f), -1);
		ck_assert_int_eq(f.exit_code, EX_DATAERR);
		ck_assert_ptr_nonnull(strstr(f.text, "no stroke and no valve command"));
		ck_assert_ptr_nonnull(strstr(f.text, "rpm"));
	}
	free(part);
}

START_TEST(a_part_of_a_ride)
{
	struct road *road = the_ride();
	struct kept *whole = malloc(sizeof *whole);
	struct fault f = {0};
	ck_assert_int_eq(run(road, NULL, whole, &f), 0);
	ck_assert_str_eq(road->report->selected, "");
	unsigned all = commands(road->report);
	ck_assert_uint_gt(all, 50);
	check_times(road, whole, all);
	check_speed(road, whole);
	check_empty(road);
	free(whole);
	road_free(road);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("selection");
	TCase *options = tcase_create("options"), *ride = tcase_create("ride");
	tcase_add_test(options, ranges_are_read);
	tcase_add_test(options, bad_ranges_are_errors);
	tcase_add_test(options, what_is_not_known_lies_in_no_range);
	tcase_set_timeout(ride, 60);
	tcase_add_test(ride, a_part_of_a_ride);
	suite_add_tcase(s, options);
	suite_add_tcase(s, ride);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
