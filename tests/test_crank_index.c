/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the index switch tells of a ride, and where it must not be believed: a
 * late switch, a wheel that turns faster than the crank, a wrong count. */
#include "tests/solved_rig.h"

#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define TWO_PI 6.283185307179586477
#define DEG (TWO_PI / 360)

static void delay_index(struct wheel_rig *r, int64_t us)
{
	for (size_t i = 0; i < r->leg.index_n; i++)
		r->leg.index[i].t_us += us;
}

/* Largest error of the angle where it is not flagged; whole turns do not count. */
static double worst_deg(const struct solved *s, const struct wheel_rig *r, double within_sd, size_t *out)
{
	double worst = 0;
	*out = 0;
	for (size_t i = 0; i < s->crank->n; i++) {
		const struct crank_point *p = &s->crank->point[i];
		double off = remainder(p->theta_rad - wheel_rig_theta(r, (double)p->t_us), TWO_PI);
		if (p->flag != CRANK_GOOD || isnan(off))
			continue;
		worst = fmax(worst, fabs(off) / DEG);
		*out += fabs(off) > within_sd * (double)p->sd_rad;
	}
	return worst;
}

/* A late switch is found from the speeds of the ride and taken out; 0 and 3 ms,
 * the latter more than half a tooth at the highest speed of the wheel of 72. */
START_TEST(a_late_index_is_put_right)
{
	static const unsigned teeth[] = {24, 72};
	size_t outside_without = 0;
	double without = NAN; /* what is in doubt for other reasons */
	for (int late = 0; late < 2; late++) {
		struct wheel_rig *r = solved_short_ride(WHEEL_SWEEP, teeth[_i]);
		delay_index(r, late * 3000);
		struct solved *k = solved_new(r);
		size_t outside;
		ck_assert_int_eq(k->bad, 0);
		double worst = worst_deg(k, r, 3, &outside);
		without = late == 0 ? worst : without;
		outside_without = late == 0 ? outside : outside_without;
		ck_assert_double_le(worst, without + 0.05);
		ck_assert(solved_says(k, "ms late (+/-") == (late == 1));
		ck_assert_double_eq_tol(k->wheel.index_late_s, 3e-3 * late, 1e-4);
		ck_assert_uint_le(outside, outside_without + k->crank->n / 50);
		ck_assert_uint_eq(k->totals.index_missed + k->totals.index_extra, 0);
		solved_free(k, r);
	}
}
END_TEST

START_TEST(at_one_speed_a_late_index_is_not_told_and_that_is_said)
{
	struct wheel_rig *r = solved_short_ride(WHEEL_CONSTANT, 36);
	struct solved *k = solved_new(r);
	ck_assert_int_eq(k->bad, 0);
	ck_assert(solved_says(k, "late index switch cannot be told"));
	ck_assert_double_eq(k->wheel.index_late_s, 0);
	solved_free(k, r);
}
END_TEST

/* Teeth that are late make the index look early: nothing is taken out, it is said. */
START_TEST(late_teeth_are_named_and_left)
{
	struct wheel_rig *r = solved_short_ride(WHEEL_SWEEP, 36);
	delay_index(r, -2000);
	struct solved *k = solved_new(r);
	ck_assert_int_eq(k->bad, 0);
	ck_assert(solved_says(k, "later than the index switch"));
	ck_assert_double_eq(k->wheel.index_late_s, 0);
	solved_free(k, r);
}
END_TEST

/* Only every `each`-th closing: the index on a crank that turns so much slower than the k->wheel. */
static void thin_index(struct wheel_rig *r, size_t each)
{
	size_t n = 0;
	for (size_t i = 0; i + 1 < r->leg.index_n; i += 2 * each) {
		r->leg.index[n++] = r->leg.index[i];
		r->leg.index[n++] = r->leg.index[i + 1];
	}
	r->leg.index_n = n;
}

START_TEST(a_wheel_faster_than_the_crank_is_followed)
{
	unsigned ratio = (unsigned)_i;
	struct wheel_rig *r = solved_short_ride(WHEEL_SWEEP, 24);
	thin_index(r, ratio);
	r->engine.crank_ratio = ratio;
	struct solved *k = solved_new(r);
	ck_assert_int_eq(k->bad, 0);
	ck_assert(k->wheel.aligned);
	ck_assert_uint_eq(k->wheel.teeth, 24 * ratio);
	ck_assert(!solved_says(k, "once in"));
	ck_assert_uint_eq(k->totals.index_missed + k->totals.teeth_missed, 0);
	double t0 = (double)r->leg.index[4].t_us;
	struct crank_state at;
	for (double t = 5e6; t < 22e6; t += 0.37e6) {
		crank_at(k->crank, t, NULL, &at);
		ck_assert_int_eq(at.flag, CRANK_GOOD);
		double turned = (wheel_rig_theta(r, t) - wheel_rig_theta(r, t0)) / ratio;
		double off = remainder(at.theta_rad - r->engine.index_rad - turned, TWO_PI);
		ck_assert_double_eq_tol(off, 0, 0.5 * DEG);
		ck_assert_double_lt(fabs(off), 4 * at.sd_rad);
	}
	solved_free(k, r);
}
END_TEST

static const struct {
	unsigned teeth;
	double ratio;
	const char *said;
} unfit[] = {
    {24, 0.97, "pass in a turn"},
    {257, 1, "up to 512 edges"},
    {129, 2, "up to 512 edges"},
    {10000, 1000, "up to 512 edges"},
};

START_TEST(a_wheel_that_cannot_be_followed_is_refused)
{
	struct wheel_rig *r = solved_short_ride(WHEEL_CONSTANT, 24);
	r->engine.tooth_count = unfit[_i].teeth;
	r->engine.crank_ratio = unfit[_i].ratio;
	struct solved *k = solved_new(r);
	ck_assert_int_ne(k->bad, 0);
	ck_assert_int_eq(k->fault.exit_code, EX_CONFIG);
	ck_assert_ptr_nonnull(strstr(k->fault.text, unfit[_i].said));
	solved_free(k, r);
}
END_TEST

/* A valve switched on once in a true turn. */
static void command_each_turn(struct wheel_rig *r)
{
	r->leg.command = calloc(r->leg.index_n, sizeof *r->leg.command);
	for (size_t i = 0; i < r->leg.index_n; i++)
		r->leg.command[r->leg.command_n++] = (struct ride_command){
		    .t_us = r->leg.index[i].t_us + 50000, .valve = 2, .on = r->leg.index[i].level != 0};
}

START_TEST(half_the_count_is_refused_where_valves_show_the_turn)
{
	struct wheel_rig *r = solved_short_ride(WHEEL_SWEEP, 36);
	command_each_turn(r);
	r->engine.tooth_count = 18;
	struct solved *k = solved_new(r);
	ck_assert_int_ne(k->bad, 0);
	ck_assert_int_eq(k->fault.exit_code, EX_DATAERR);
	ck_assert_ptr_nonnull(strstr(k->fault.text, "count = 36"));
	solved_free(k, r);
}
END_TEST

START_TEST(an_index_that_misses_every_other_turn_is_not_a_wrong_count)
{
	struct wheel_rig *r = solved_short_ride(WHEEL_SWEEP, 36);
	command_each_turn(r);
	thin_index(r, 2);
	struct solved *k = solved_new(r);
	ck_assert_int_eq(k->bad, 0);
	ck_assert(k->wheel.aligned);
	ck_assert(solved_says(k, "once in 2 turns"));
	solved_free(k, r);
}
END_TEST

START_TEST(no_tooth_is_missed_where_all_are_in_doubt)
{
	struct wheel_setup s = solved_clean(36, EDGES_BOTH, WHEEL_CONSTANT, 1, 1.3);
	struct wheel_rig *r = wheel_rig_new(&s);
	struct solved *k = solved_new(r);
	ck_assert_int_eq(k->bad, 0);
	ck_assert(!solved_says(k, "never show"));
	solved_free(k, r);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("crank_index");
	TCase *c = tcase_create("crank_index");
	tcase_set_timeout(c, 60);
	tcase_add_loop_test(c, a_late_index_is_put_right, 0, 2);
	tcase_add_test(c, at_one_speed_a_late_index_is_not_told_and_that_is_said);
	tcase_add_test(c, late_teeth_are_named_and_left);
	tcase_add_loop_test(c, a_wheel_faster_than_the_crank_is_followed, 2, 5);
	tcase_add_loop_test(c, a_wheel_that_cannot_be_followed_is_refused, 0, sizeof unfit / sizeof *unfit);
	tcase_add_test(c, half_the_count_is_refused_where_valves_show_the_turn);
	tcase_add_test(c, an_index_that_misses_every_other_turn_is_not_a_wrong_count);
	tcase_add_test(c, no_tooth_is_missed_where_all_are_in_doubt);
	suite_add_tcase(s, c);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_ENV);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? 0 : 1;
}
