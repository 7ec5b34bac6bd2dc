/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The crank of odd wheels and odd rides: named, refused, or followed all the same. */
#include "analyse/teeth.h"
#include "tests/solved_rig.h"

#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define TWO_PI 6.283185307179586477
#define DEG (TWO_PI / 360)

START_TEST(outside_the_ride_says_so)
{
	struct wheel_setup s = solved_clean(24, EDGES_RISING, WHEEL_CONSTANT, 1, 40);
	struct wheel_rig *r = wheel_rig_new(&s);
	struct solved *k = solved_new(r);
	struct crank_state at;
	crank_at(k->crank, 0, NULL, &at);
	ck_assert_int_eq(at.flag, CRANK_OUTSIDE);
	crank_at(k->crank, 1e9, NULL, &at);
	ck_assert_int_eq(at.flag, CRANK_OUTSIDE);
	solved_free(k, r);
}
END_TEST

START_TEST(a_count_that_does_not_fit_the_index_is_named)
{
	struct wheel_setup s = solved_clean(40, EDGES_RISING, WHEEL_CONSTANT, 1, 40);
	struct wheel_rig *r = wheel_rig_new(&s);
	r->engine.tooth_count = 36;
	struct solved *k = solved_new(r);
	ck_assert_int_ne(k->bad, 0);
	ck_assert_int_eq(k->fault.exit_code, EX_DATAERR);
	ck_assert_ptr_nonnull(strstr(k->fault.text, "36 teeth"));
	ck_assert_ptr_nonnull(strstr(k->fault.text, "count = 40"));
	solved_free(k, r);
}
END_TEST

START_TEST(without_index_the_angle_is_relative_and_says_so)
{
	struct wheel_setup s = solved_clean(36, EDGES_RISING, WHEEL_SWEEP, 1, 40);
	s.index_deg = _i == 0 ? NAN : 14.5;
	struct wheel_rig *r = wheel_rig_new(&s);
	r->engine.index_rad = _i == 0 ? 14.5 * DEG : NAN;
	struct solved *k = solved_new(r);
	ck_assert_int_eq(k->bad, 0);
	ck_assert(!k->wheel.aligned);
	ck_assert(solved_says(k, "relative only"));
	double t0 = 3e6, t1 = 35e6;
	struct crank_state a, b;
	crank_at(k->crank, t0, NULL, &a);
	crank_at(k->crank, t1, NULL, &b);
	ck_assert_int_eq(a.flag, CRANK_NOT_ALIGNED);
	ck_assert_double_eq_tol(b.theta_rad - a.theta_rad, wheel_rig_theta(r, t1) - wheel_rig_theta(r, t0),
	                        0.005);
	solved_free(k, r);
}
END_TEST

START_TEST(an_index_every_second_turn_is_enough)
{
	struct wheel_setup s = solved_clean(36, EDGES_RISING, WHEEL_SWEEP, 1, 40);
	struct wheel_rig *r = wheel_rig_new(&s);
	size_t n = 0;
	for (size_t i = 0; i + 1 < r->leg.index_n; i += 4) {
		r->leg.index[n++] = r->leg.index[i];
		r->leg.index[n++] = r->leg.index[i + 1];
	}
	r->leg.index_n = n;
	struct solved *k = solved_new(r);
	ck_assert_int_eq(k->bad, 0);
	ck_assert(k->wheel.aligned);
	ck_assert(solved_says(k, "once in 2 turns"));
	struct crank_state at;
	crank_at(k->crank, 20e6, NULL, &at);
	ck_assert_double_eq_tol(remainder(at.theta_rad - wheel_rig_theta(r, 20e6), TWO_PI), 0, 0.1 * DEG);
	solved_free(k, r);
}
END_TEST

/* Half way through the ride one tooth is bent by 0.3 deg. */
START_TEST(a_tooth_bent_on_the_way_is_named)
{
	struct wheel_setup s = solved_clean(36, EDGES_RISING, WHEEL_SWEEP, 1, 40);
	struct wheel_rig *r = wheel_rig_new(&s);
	int64_t middle = (r->leg.from_us + r->leg.to_us) / 2;
	for (size_t i = 0; _i > 0 && i < r->leg.tooth_n; i++) {
		double t = (double)r->leg.tooth[i].t_us, theta = wheel_rig_theta(r, t);
		double omega = (wheel_rig_theta(r, t + 1000) - theta) / 1e-3;
		if (r->leg.tooth[i].t_us > middle && fabs(remainder(theta - 100 * DEG, TWO_PI)) < 2 * DEG)
			r->leg.tooth[i].t_us += (int64_t)(1e6 * 0.3 * DEG / omega);
	}
	struct solved *k = solved_new(r);
	ck_assert_int_eq(k->bad, 0);
	ck_assert(solved_says(k, "1 of its 36 edges moved, most of all the one at 100 deg") == (_i > 0));
	ck_assert(solved_says(k, "changed on the way") == (_i > 0));
	solved_free(k, r);
}
END_TEST

/* Marks of one slot of the wheel. */
static size_t marks_of(const struct teeth *t, const struct wheel *w, unsigned slot)
{
	size_t n = 0;
	for (size_t i = 0; i < t->n; i++)
		n += teeth_place(w, t->mark[i].slot) == slot;
	return n;
}

/* A slot that was learned from a few wrong edges lies elsewhere on the wheel than its edges
 * do.  As long as it is known to be in doubt they are taken for it all the same. */
START_TEST(edges_of_a_slot_in_doubt_are_taken_for_it)
{
	const unsigned wrong = 11;
	struct wheel_setup s = solved_clean(48, EDGES_BOTH, WHEEL_SWEEP, 1, 20);
	struct wheel_rig *r = wheel_rig_new(&s);
	struct solved *k = solved_new(r);
	struct teeth *t = teeth_new();
	ck_assert_int_eq(k->bad, 0);
	struct wheel w = k->wheel;
	ck_assert_double_le(w.stray_rad[wrong], 0.02 * DEG);
	w.angle_rad[wrong] += 1.5 * DEG;
	w.stray_rad[wrong] = _i == 0 ? 0.4 * DEG : 0;
	ck_assert_int_eq(teeth_associate(t, &w, r->engine.edges, &r->leg, &k->fault), 0);
	size_t taken = marks_of(t, &w, wrong), turns = marks_of(t, &w, wrong + 10);
	ck_assert_uint_ge(turns, 30);
	if (_i == 0)
		ck_assert_uint_ge(taken, turns - turns / 10);
	else
		ck_assert_uint_le(taken, turns / 10);
	teeth_free(t);
	solved_free(k, r);
}
END_TEST

/* A toothed wheel geared to the crank: so many of its teeth pass in a turn of the crank. */
START_TEST(a_geared_wheel_is_followed)
{
	static const struct {
		unsigned count;
		double ratio;
	} wheels[] = {{18, 2}, {72, 0.5}, {54, 0.666667}};
	struct wheel_setup s = solved_clean(36, EDGES_RISING, WHEEL_SWEEP, 1, 40);
	struct wheel_rig *r = wheel_rig_new(&s);
	r->engine.tooth_count = wheels[_i].count;
	r->engine.crank_ratio = wheels[_i].ratio;
	struct solved *k = solved_new(r);
	ck_assert_int_eq(k->bad, 0);
	ck_assert_uint_eq(k->wheel.teeth, 36);
	ck_assert(solved_says(k, "come by at other angles") == (_i > 0));
	struct crank_state at;
	crank_at(k->crank, 20e6, NULL, &at);
	ck_assert_double_eq_tol(remainder(at.theta_rad - wheel_rig_theta(r, 20e6), TWO_PI), 0, 0.1 * DEG);
	solved_free(k, r);
}
END_TEST

START_TEST(a_gearing_that_leaves_part_of_a_tooth_is_refused)
{
	struct wheel_setup s = solved_clean(36, EDGES_RISING, WHEEL_SWEEP, 1, 40);
	struct wheel_rig *r = wheel_rig_new(&s);
	r->engine.crank_ratio = 0.95;
	struct solved *k = solved_new(r);
	ck_assert_int_ne(k->bad, 0);
	ck_assert_int_eq(k->fault.exit_code, EX_CONFIG);
	ck_assert_ptr_nonnull(strstr(k->fault.text, "34.2 teeth"));
	solved_free(k, r);
}
END_TEST

START_TEST(a_tooth_left_out_on_purpose_is_named)
{
	struct wheel_setup s = solved_clean(36, EDGES_RISING, WHEEL_SWEEP, 1, 40);
	s.tooth_gone = 7;
	struct crank_score c = solved_score(&s);
	ck_assert_uint_eq(c.slips, 0);
	ck_assert_double_le(c.rms_deg, 0.05);
	struct wheel_rig *r = wheel_rig_new(&s);
	struct solved *k = solved_new(r);
	ck_assert_int_eq(k->bad, 0);
	ck_assert(solved_says(k, "one of the 36 teeth, at 70 deg, never shows"));
	solved_free(k, r);
}
END_TEST

START_TEST(no_teeth_is_a_clear_fault)
{
	struct wheel_setup s = solved_clean(36, EDGES_RISING, WHEEL_CONSTANT, 1, 40);
	struct wheel_rig *r = wheel_rig_new(&s);
	r->leg.tooth_n = 0;
	struct solved *k = solved_new(r);
	ck_assert_int_ne(k->bad, 0);
	ck_assert_ptr_nonnull(strstr(k->fault.text, "no tooth edges"));
	solved_free(k, r);
	r = wheel_rig_new(&s);
	r->engine.tooth_count = 0;
	k = solved_new(r);
	ck_assert_int_ne(k->bad, 0);
	ck_assert_int_eq(k->fault.exit_code, EX_CONFIG);
	solved_free(k, r);
}
END_TEST

START_TEST(a_ride_of_one_turn_gives_an_angle)
{
	struct wheel_setup s = solved_clean(36, EDGES_BOTH, WHEEL_CONSTANT, 1, 40);
	s.seconds = 0.7;
	struct wheel_rig *r = wheel_rig_new(&s);
	struct solved *k = solved_new(r);
	ck_assert_int_eq(k->bad, 0);
	ck_assert_uint_ge(k->crank->n, 70);
	solved_free(k, r);
}
END_TEST

START_TEST(falling_edges_of_a_sender_that_sends_both_levels)
{
	struct wheel_setup s = solved_clean(36, EDGES_FALLING, WHEEL_SWEEP, 1, 40);
	s.all_levels = true;
	struct crank_score c = solved_score(&s);
	ck_assert_double_le(c.rms_deg, 0.05);
	ck_assert_uint_eq(c.slips, 0);
	ck_assert_double_eq_tol(c.missed_off, 0, 0.5);
	ck_assert_double_eq_tol(c.extra_off, 0, 0.5);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("crank_odd");
	TCase *t = tcase_create("crank_odd");
	tcase_set_timeout(t, 120);
	tcase_add_test(t, outside_the_ride_says_so);
	tcase_add_test(t, a_count_that_does_not_fit_the_index_is_named);
	tcase_add_loop_test(t, without_index_the_angle_is_relative_and_says_so, 0, 2);
	tcase_add_test(t, an_index_every_second_turn_is_enough);
	tcase_add_loop_test(t, a_tooth_bent_on_the_way_is_named, 0, 2);
	tcase_add_loop_test(t, edges_of_a_slot_in_doubt_are_taken_for_it, 0, 2);
	tcase_add_loop_test(t, a_geared_wheel_is_followed, 0, 3);
	tcase_add_test(t, a_gearing_that_leaves_part_of_a_tooth_is_refused);
	tcase_add_test(t, a_tooth_left_out_on_purpose_is_named);
	tcase_add_test(t, no_teeth_is_a_clear_fault);
	tcase_add_test(t, a_ride_of_one_turn_gives_an_angle);
	tcase_add_test(t, falling_edges_of_a_sender_that_sends_both_levels);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
