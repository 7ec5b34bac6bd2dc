/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/ride.h"
#include "analyse/spread.h"
#include "analyse/timeline.h"
#include "common/unit.h"
#include "tests/log_rig.h"

#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

static char *directory;

static void make_directory(void)
{
	directory = log_rig_directory();
}

static void remove_directory(void)
{
	log_rig_remove(directory);
}

/* Teeth every `step_us` from `from_us`, as 32-bit times. */
static void teeth(struct record *r, size_t n, int64_t from_us, int64_t step_us)
{
	for (size_t i = 0; i < n; i++)
		r[i] = record_make(RECORD_TOOTH, (uint32_t)(from_us + (int64_t)i * step_us), 0, 1);
}

static struct ride *open_ride(const char *run)
{
	struct fault f = {0};
	struct ride *r = ride_open(run, NULL, 60, &f);
	ck_assert_msg(r != NULL, "%s", f.text);
	return r;
}

/* Reads all legs; returns how many tooth edges lie in their cores. */
static size_t read_through(struct ride *r, unsigned *legs)
{
	const struct leg *leg;
	struct fault f = {0};
	size_t edges = 0;
	int got;
	*legs = 0;
	int64_t last = INT64_MIN;
	while ((got = ride_next_leg(r, &leg, &f)) > 0) {
		++*legs;
		for (size_t i = 0; i < leg->tooth_n; i++) {
			int64_t t = leg->tooth[i].t_us;
			if (t < leg->core_from_us || t >= leg->core_to_us)
				continue;
			ck_assert_int_gt(t, last); /* no edge twice, none out of order */
			last = t;
			edges++;
		}
	}
	ck_assert_msg(got == 0, "%s", f.text);
	return edges;
}

START_TEST(time_counts_on_through_the_counters_wrap)
{
	enum { N = 400 };
	struct record r[N];
	int64_t from = (int64_t)UINT32_MAX - 1000000;
	teeth(r, N, from, 10000);
	log_rig_write(directory, 1, 1, log_rig_engine, r, N);
	struct ride *ride = open_ride(directory);
	const struct leg *leg;
	struct fault f;
	ck_assert_int_eq(ride_next_leg(ride, &leg, &f), 1);
	ck_assert_uint_eq(leg->tooth_n, N);
	for (size_t i = 0; i < N; i++)
		ck_assert_int_eq(leg->tooth[i].t_us, from + (int64_t)i * 10000);
	ck_assert_int_eq(ride_next_leg(ride, &leg, &f), 0);
	ck_assert_uint_eq(ride_counts(ride)->wraps, 1);
	ck_assert_uint_eq(ride_counts(ride)->resets, 0);
	ride_close(ride);
}
END_TEST

START_TEST(a_reset_is_told_from_a_wrap_and_begins_an_epoch)
{
	enum { N = 400 };
	struct record r[N];
	teeth(r, N / 2, 50000000, 10000);
	teeth(r + N / 2, N / 2, 1234, 10000);
	log_rig_write(directory, 1, 1, log_rig_engine, r, N);
	struct ride *ride = open_ride(directory);
	const struct leg *leg;
	struct fault f;
	ck_assert_int_eq(ride_next_leg(ride, &leg, &f), 1);
	ck_assert_uint_eq(leg->tooth_n, N / 2);
	int64_t end = leg->to_us;
	ck_assert_int_eq(ride_next_leg(ride, &leg, &f), 1);
	ck_assert(!leg->continues);
	ck_assert_uint_eq(leg->epoch, 1);
	ck_assert_int_gt(leg->from_us, end);
	ck_assert_uint_eq((uint32_t)leg->from_us, 1234);
	ck_assert_uint_eq(ride_counts(ride)->resets, 1);
	ride_close(ride);
}
END_TEST

struct watched {
	unsigned seen, fails_at; /* legs, from 1; 0 = never */
	size_t teeth;
};

static int watch_leg(void *ctx, const struct leg *leg, struct fault *fault)
{
	struct watched *w = ctx;
	ck_assert_uint_eq(leg->number, w->seen);
	w->seen++;
	w->teeth += leg->tooth_n;
	return w->seen == w->fails_at ? fault_set(fault, EX_DATAERR, "leg %u", w->seen) : 0;
}

START_TEST(work_sees_each_leg_once_and_before_the_caller)
{
	enum { EPOCHS = 5, N = 100 };
	struct record r[EPOCHS * N];
	for (size_t i = 0; i < EPOCHS; i++)
		teeth(r + i * N, N, (int64_t)(EPOCHS - i) * 50000000, 10000);
	log_rig_write(directory, 1, 1, log_rig_engine, r, EPOCHS * N);
	struct ride *ride = open_ride(directory);
	struct watched w = {0};
	const struct leg *leg;
	struct fault f = {0};
	ride_each_leg(ride, watch_leg, &w);
	for (unsigned i = 0; i < EPOCHS; i++)
		ck_assert_int_eq(ride_next_leg(ride, &leg, &f), 1);
	ck_assert_int_eq(ride_next_leg(ride, &leg, &f), 0);
	ck_assert_uint_eq(w.seen, EPOCHS);
	ck_assert_uint_eq(w.teeth, EPOCHS * N);

	w = (struct watched){.fails_at = 3};
	ride_each_leg(ride, watch_leg, &w);
	ck_assert_int_eq(ride_next_leg(ride, &leg, &f), 1);
	ck_assert_int_eq(ride_next_leg(ride, &leg, &f), 1);
	ck_assert_int_eq(ride_next_leg(ride, &leg, &f), -1);
	ck_assert_int_eq(f.exit_code, EX_DATAERR);
	ck_assert_str_eq(f.text, "leg 3");

	ride_each_leg(ride, NULL, NULL);
	unsigned legs;
	ck_assert_uint_eq(read_through(ride, &legs), EPOCHS * N);
	ck_assert_uint_eq(w.seen, 3);
	ride_close(ride);
}
END_TEST

START_TEST(single_impossible_times_are_left_out)
{
	enum { N = 400 };
	struct record r[N];
	teeth(r, N, 5000000, 10000);
	r[100].t_us = 4000000000u;
	r[200].t_us = 17;
	r[300].t_us += 20000000;
	log_rig_write(directory, 1, 1, log_rig_engine, r, N);
	struct ride *ride = open_ride(directory);
	unsigned legs;
	ck_assert_uint_eq(read_through(ride, &legs), N - 3);
	ck_assert_uint_eq(legs, 1);
	ck_assert_uint_eq(ride_counts(ride)->outliers, 3);
	ck_assert_uint_eq(ride_counts(ride)->resets, 0);
	ride_close(ride);
}
END_TEST

START_TEST(rides_end_where_the_crank_rests)
{
	enum { N = 300 };
	struct record r[N];
	teeth(r, 100, 1000000, 10000);
	teeth(r + 100, 100, 101000000, 10000);
	teeth(r + 200, 100, 130000000, 10000);
	log_rig_write(directory, 1, 1, log_rig_engine, r, N);
	struct ride_listing *list = NULL;
	struct fault f;
	ck_assert_int_eq(ride_list(directory, 60, &list, &f), 2);
	ck_assert_uint_eq(list[0].teeth, 100);
	ck_assert_uint_eq(list[1].teeth, 200);
	free(list);
	char run[300];
	snprintf(run, sizeof run, "%s@1", directory);
	unsigned legs;
	struct ride *ride = open_ride(run);
	ck_assert_uint_eq(read_through(ride, &legs), 100);
	ride_rewind(ride); /* a second pass sees the same */
	ck_assert_uint_eq(read_through(ride, &legs), 100);
	ride_close(ride);
	ride = open_ride(directory);
	ck_assert_uint_eq(read_through(ride, &legs), 200);
	ck_assert_ptr_nonnull(strstr(ride_remark(ride, 0), "2 rides"));
	ride_close(ride);
	snprintf(run, sizeof run, "%s@3", directory);
	ck_assert_ptr_null(ride_open(run, NULL, 60, &f));
	ck_assert_int_eq(f.exit_code, EX_DATAERR);
}
END_TEST

START_TEST(a_long_ride_comes_in_legs_that_share_context)
{
	enum { N = 1200000, PART = 300000 };
	struct record *r = calloc(PART, sizeof *r);
	for (unsigned part = 0; part < N / PART; part++) {
		teeth(r, PART, 777 + (int64_t)part * PART * 1000, 1000);
		log_rig_write(directory, 1, part + 1, log_rig_engine, r, PART);
	}
	free(r);
	struct ride *ride = open_ride(directory);
	unsigned legs;
	ck_assert_uint_eq(read_through(ride, &legs), N);
	ck_assert_uint_ge(legs, 2);
	ck_assert_uint_eq(ride_counts(ride)->records, N);
	ck_assert_double_eq_tol(ride_counts(ride)->duration_s, (N - 1) * 1e-3, 1e-6);
	ride_close(ride);
}
END_TEST

/* Legs until the end; how often they began anew, and the teeth since. */
static size_t read_lessons(struct ride *r, unsigned *begun)
{
	const struct leg *leg;
	struct fault f = {0};
	size_t teeth_read = 0;
	int got;
	*begun = 0;
	while ((got = ride_next_leg(r, &leg, &f)) > 0) {
		if (leg->number == 0) {
			++*begun;
			teeth_read = 0;
		}
		teeth_read += leg->tooth_n;
	}
	ck_assert_msg(got == 0, "%s", f.text);
	return teeth_read;
}

/* More than a leg of teeth, and a newer ride a quarter of an hour later, if wanted. */
static void write_rides(bool newer)
{
	enum { OLDER = 510000, NEWER = 200, LATER_US = 900000000 };
	struct record *r = calloc(OLDER, sizeof *r);
	teeth(r, newer ? NEWER : OLDER, newer ? LATER_US : 1000, 1000);
	log_rig_write(directory, 1, newer ? 2 : 1, log_rig_engine, r, newer ? NEWER : OLDER);
	free(r);
}

START_TEST(a_newer_ride_takes_the_place_of_the_one_begun)
{
	struct fault f = {0};
	const struct leg *leg;
	unsigned begun;
	write_rides(false);
	struct ride *ride = ride_open_unlisted(directory, NULL, 60, &f);
	ck_assert_ptr_nonnull(ride);
	ck_assert_int_eq(ride_next_leg(ride, &leg, &f), 1);
	ck_assert_int_eq(ride_settle(ride, &f), 0); /* no other ride, but back at the first leg */
	ck_assert_int_eq(ride_next_leg(ride, &leg, &f), 1);
	ck_assert_uint_eq(leg->number, 0);
	ride_close(ride);

	write_rides(true);
	ride = ride_open_unlisted(directory, NULL, 60, &f);
	ck_assert_ptr_null(ride_remark(ride, 0));
	ck_assert_uint_eq(read_lessons(ride, &begun), 200);
	ck_assert_uint_eq(begun, 2);
	ck_assert_ptr_nonnull(strstr(ride_remark(ride, 0), "2 rides"));
	ck_assert_uint_eq(ride_counts(ride)->records, 200);
	ck_assert_int_eq(ride_settle(ride, &f), 0); /* known by now */
	ride_rewind(ride);
	ck_assert_uint_eq(read_lessons(ride, &begun), 200);
	ck_assert_uint_eq(begun, 1);
	ride_close(ride);

	ride = ride_open_unlisted(directory, NULL, 60, &f);
	ck_assert_int_eq(ride_next_leg(ride, &leg, &f), 1);
	ck_assert_int_eq(ride_settle(ride, &f), 1);
	ck_assert_uint_eq(read_lessons(ride, &begun), 200);
	ck_assert_uint_eq(begun, 1);
	ride_close(ride);
}
END_TEST

START_TEST(slightly_late_records_take_their_place)
{
	struct record r[6];
	teeth(r, 6, 1000, 1000);
	struct record swap = r[2];
	r[2] = r[3];
	r[3] = swap;
	log_rig_write(directory, 1, 1, log_rig_engine, r, 6);
	struct ride *ride = open_ride(directory);
	unsigned legs;
	ck_assert_uint_eq(read_through(ride, &legs), 6);
	ride_close(ride);
}
END_TEST

START_TEST(a_hello_does_not_stretch_the_ride)
{
	struct record r[5];
	r[0] = record_make(RECORD_HELLO, 0, 0, 1);
	teeth(r + 1, 3, 9000000, 1000);
	r[4] = record_make(RECORD_HELLO, 0, 0, 1);
	log_rig_write(directory, 1, 1, log_rig_engine, r, 5);
	struct ride *ride = open_ride(directory);
	const struct leg *leg;
	struct fault f;
	ck_assert_int_eq(ride_next_leg(ride, &leg, &f), 1);
	ck_assert_int_eq(leg->from_us, 9000000);
	ck_assert_int_eq(leg->to_us, 9002000);
	ck_assert_uint_eq(ride_counts(ride)->records, 5);
	ck_assert_uint_eq(ride_counts(ride)->outliers, 0);
	ck_assert_int_eq(ride_counts(ride)->first_t_us, 9000000);
	ck_assert_double_eq_tol(ride_counts(ride)->duration_s, 0.002, 1e-9);
	ride_close(ride);
}
END_TEST

START_TEST(commands_fall_back_on_the_engine_files_setting)
{
	struct record r[4];
	teeth(r, 2, 1000, 1000);
	r[2] = record_make(RECORD_VALVE, 4000, 0, 1);
	r[3] = record_make(RECORD_VALVE, 5000, 0, 0);
	r[3].intended_ddeg = 900;
	r[3].controller_ddeg = 905;
	log_rig_write(directory, 1, 1, log_rig_engine, r, 4);
	struct ride *ride = open_ride(directory);
	const struct leg *leg;
	struct fault f;
	ck_assert_int_eq(ride_next_leg(ride, &leg, &f), 1);
	ck_assert_uint_eq(leg->command_n, 2);
	ck_assert_double_eq_tol(unit_deg(leg->command[0].intended_rad), 8, 1e-9);
	ck_assert(isnan(leg->command[0].controller_rad));
	ck_assert_double_eq_tol(unit_deg(leg->command[1].intended_rad), 90, 1e-9);
	ck_assert_double_eq_tol(unit_deg(leg->command[1].controller_rad), 90.5, 1e-9);
	ride_close(ride);
}
END_TEST

START_TEST(what_is_not_there_is_named)
{
	struct fault f;
	ck_assert_ptr_null(ride_open("/nonexistent/rides", NULL, 60, &f));
	ck_assert_int_eq(f.exit_code, EX_NOINPUT);
	ck_assert_ptr_nonnull(strstr(f.text, "/nonexistent/rides"));
	ck_assert_ptr_null(ride_open(directory, NULL, 60, &f));
	ck_assert_int_eq(f.exit_code, EX_NOINPUT);
	ck_assert_ptr_nonnull(strstr(f.text, "trammeld"));
	log_rig_write(directory, 1, 1, log_rig_engine, NULL, 0);
	ck_assert_ptr_null(ride_open(directory, NULL, 60, &f));
	ck_assert_int_eq(f.exit_code, EX_DATAERR);
	struct ride *ride = ride_open_unlisted(directory, NULL, 60, &f);
	const struct leg *leg;
	f.exit_code = 0;
	ck_assert_int_eq(ride_next_leg(ride, &leg, &f), -1);
	ck_assert_int_eq(f.exit_code, EX_DATAERR);
	ride_close(ride);
}
END_TEST

START_TEST(a_series_is_interpolated_but_not_across_holes)
{
	int64_t t[] = {0, 1000, 50000};
	float v[] = {1.0f, 3.0f, 5.0f};
	struct ride_series s = {.n = 3, .t_us = t, .value = v};
	ck_assert_double_eq_tol(ride_series_at(&s, 250, 2000), 1.5, 1e-9);
	ck_assert_double_eq_tol(ride_series_at(&s, 1000, 2000), 3.0, 1e-9);
	ck_assert(isnan(ride_series_at(&s, 2000, 2000)));
	ck_assert(isnan(ride_series_at(&s, -1, 2000)));
	ck_assert(isnan(ride_series_at(&s, 50001, 2000)));
}
END_TEST

START_TEST(the_median_of_a_long_stream_stays_near)
{
	struct spread *s = calloc(1, sizeof *s);
	ck_assert(isnan(spread_median(s)));
	for (int i = 0; i < 1000000; i++)
		spread_add(s, (double)((i * 7919LL) % 1000003));
	ck_assert_double_eq_tol(spread_median(s), 500000, 5000);
	ck_assert_double_eq(spread_min(s), 0);
	ck_assert_double_gt(spread_max(s), 999000);
	free(s);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("ride");
	TCase *t = tcase_create("ride");
	tcase_add_checked_fixture(t, make_directory, remove_directory);
	tcase_set_timeout(t, 60);
	tcase_add_test(t, time_counts_on_through_the_counters_wrap);
	tcase_add_test(t, a_reset_is_told_from_a_wrap_and_begins_an_epoch);
	tcase_add_test(t, work_sees_each_leg_once_and_before_the_caller);
	tcase_add_test(t, single_impossible_times_are_left_out);
	tcase_add_test(t, rides_end_where_the_crank_rests);
	tcase_add_test(t, a_long_ride_comes_in_legs_that_share_context);
	tcase_add_test(t, a_newer_ride_takes_the_place_of_the_one_begun);
	tcase_add_test(t, slightly_late_records_take_their_place);
	tcase_add_test(t, a_hello_does_not_stretch_the_ride);
	tcase_add_test(t, commands_fall_back_on_the_engine_files_setting);
	tcase_add_test(t, what_is_not_there_is_named);
	tcase_add_test(t, a_series_is_interpolated_but_not_across_holes);
	tcase_add_test(t, the_median_of_a_long_stream_stays_near);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
