/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/chamber_found.h"

#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

struct score {
	unsigned n, inside;
	double sum, square;
};

static void score_rows(const struct found *f, struct score s[EVENT_KINDS])
{
	memset(s, 0, sizeof(*s) * EVENT_KINDS);
	for (size_t i = 0; i < f->n; i++) {
		if (!found_counted(&f->row[i]) || !f->rig->event[i].moved)
			continue;
		double off = (f->row[i].event_t_us - f->rig->event[i].t50_us) * 1e-6;
		struct score *k = &s[f->row[i].event];
		k->n++;
		k->sum += off;
		k->square += off * off;
		k->inside += fabs(off) < 2 * f->row[i].sd_s;
	}
}

/* Goals of the methods page, per event at 1 kHz, 10 bit, 0.5 % noise; release: the demo machine's large
 * chamber empties five times slower than the page's, and the goal for its scatter with it. */
static const double goal_sd_s[EVENT_KINDS] = {0.15e-3, 0.6e-3, 0.9e-3, 1e-3};
static const double goal_bias_s[EVENT_KINDS] = {0.25e-3, 0.3e-3, 0.2e-3, 1e-3};

static double bias_of(const struct score *s)
{
	return s->sum / s->n;
}

static double variance_of(const struct score *s)
{
	return s->square / s->n - bias_of(s) * bias_of(s);
}

/* Of the 25 releases of one ride the mean alone scatters by 0.1 ms: the goal is for the mean of a few rides,
 * and for each with what chance adds. */
#define RIDES 3

START_TEST(events_are_found_where_they_were)
{
	struct rig_setup s = found_short_ride();
	struct score score[RIDES][EVENT_KINDS];
	s.lag_s = _i * 1e-3;
	for (int i = 0; i < RIDES; i++) {
		struct found f;
		s.seed = 1 + (unsigned long)i;
		found_run(&s, &f);
		score_rows(&f, score[i]);
		ck_assert_ptr_null(valve_events_finding(f.v, 0));
		found_done(&f);
	}
	for (int k = 0; k < EVENT_KINDS; k++) {
		double bias = 0, variance = 0;
		for (int i = 0; i < RIDES; i++) {
			const struct score *one = &score[i][k];
			ck_assert_uint_ge(one->n, 24);
			ck_assert_uint_ge(one->inside * 100, one->n * 85);
			ck_assert_double_lt(fabs(bias_of(one)),
			                    goal_bias_s[k] + 2 * sqrt(variance_of(one) / one->n));
			bias += bias_of(one) / RIDES;
			variance += variance_of(one) / RIDES;
		}
		ck_assert_double_lt(fabs(bias), goal_bias_s[k]);
		ck_assert_double_lt(sqrt(variance), goal_sd_s[k]);
	}
}
END_TEST

START_TEST(overlapping_movements_are_told_apart)
{
	struct rig_setup s = found_short_ride();
	struct found f;
	struct score score[EVENT_KINDS];
	s.shuts_deg[1] = 352;
	s.opens_deg[0] = -6;
	s.delay_s[1][1] = 30e-3;
	found_run(&s, &f);
	score_rows(&f, score);
	for (int k = 0; k < EVENT_KINDS; k++)
		ck_assert_double_lt(fabs(score[k].sum / score[k].n), goal_bias_s[k]);
	ck_assert(found_says(&f, "stand open together"));
	found_done(&f);
}
END_TEST

START_TEST(movements_on_top_of_each_other_are_told_apart)
{
	struct rig_setup s = found_short_ride();
	struct found f;
	struct score score[EVENT_KINDS];
	rig_as_spool(&s);
	found_run(&s, &f);
	score_rows(&f, score);
	for (int k = 0; k < EVENT_KINDS; k++) {
		ck_assert_uint_ge(score[k].n, 24);
		ck_assert_double_lt(fabs(score[k].sum / score[k].n), goal_bias_s[k]);
		ck_assert_uint_ge(score[k].inside * 100, score[k].n * 85);
	}
	found_done(&f);
}
END_TEST

/* A sixtieth of the inlet's size, and ten times that: an end that leaks empties as one that is let out. */
START_TEST(a_leak_does_not_pass_for_a_movement)
{
	struct rig_setup s = found_short_ride();
	struct found f;
	struct score score[EVENT_KINDS];
	s.leak = _i == 0 ? 0.05e-8 : 0.5e-8;
	s.seconds = 20;
	found_run(&s, &f);
	score_rows(&f, score);
	for (int k = 0; k < EVENT_KINDS; k++)
		ck_assert_double_lt(fabs(score[k].sum / score[k].n), goal_bias_s[k] + _i * 0.1e-3);
	found_done(&f);
}
END_TEST

START_TEST(without_a_supply_sensor_it_still_works)
{
	struct rig_setup s = found_short_ride();
	struct found f;
	struct score score[EVENT_KINDS];
	s.supply_sensor = false;
	found_run(&s, &f);
	score_rows(&f, score);
	for (int k = 0; k < EVENT_KINDS; k++)
		ck_assert_double_lt(fabs(score[k].sum / score[k].n), 1.5e-3);
	found_done(&f);
}
END_TEST

int main(void)
{
	Suite *suite = suite_create("valve events against truth");
	TCase *tc = tcase_create("valve events against truth");
	tcase_set_timeout(tc, 120);
	tcase_add_loop_test(tc, events_are_found_where_they_were, 0, 3);
	tcase_add_test(tc, overlapping_movements_are_told_apart);
	tcase_add_test(tc, movements_on_top_of_each_other_are_told_apart);
	tcase_add_loop_test(tc, a_leak_does_not_pass_for_a_movement, 0, 2);
	tcase_add_test(tc, without_a_supply_sensor_it_still_works);
	suite_add_tcase(suite, tc);
	SRunner *runner = srunner_create(suite);
	srunner_run_all(runner, CK_NORMAL);
	int failed = srunner_ntests_failed(runner);
	srunner_free(runner);
	return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
