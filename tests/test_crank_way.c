/* SPDX-License-Identifier: GPL-3.0-or-later */
/* How far the crank went and which way: a stall, a dead pick-up, records lost on
 * the way, a crank that turns back. */
#include "analyse/believed.h"
#include "tests/solved_rig.h"

#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define TWO_PI 6.283185307179586477
#define DEG (TWO_PI / 360)

/* All that comes after tooth i comes so much later. */
static void pause_after(struct wheel_rig *r, size_t i, int64_t us)
{
	int64_t t = r->leg.tooth[i].t_us;
	for (size_t j = i + 1; j < r->leg.tooth_n; j++)
		r->leg.tooth[j].t_us += us;
	for (size_t j = 0; j < r->leg.index_n; j++)
		r->leg.index[j].t_us += r->leg.index[j].t_us > t ? us : 0;
	r->leg.to_us += us;
	r->leg.core_to_us += us;
}

/* Stands for some turns' time between two teeth, here as abruptly as can be. */
START_TEST(a_stall_makes_no_turns)
{
	static const int64_t stall_us[] = {900000, 2000000, 7000000};
	struct wheel_rig *r = solved_short_ride(WHEEL_CONSTANT, 36);
	size_t i = r->leg.tooth_n / 2;
	pause_after(r, i, stall_us[_i]);
	struct solved *k = solved_new(r);
	ck_assert_int_eq(k->bad, 0);
	double turns = (k->crank->point[k->crank->n - 1].theta_rad - k->crank->point[0].theta_rad) / TWO_PI;
	double true_turns = (r->theta[r->theta_n - 1] - r->theta[0]) / TWO_PI;
	ck_assert_double_eq_tol(turns, true_turns, 0.2);
	ck_assert_uint_eq(k->totals.teeth_missed, 0);
	ck_assert_uint_eq(k->totals.index_missed, 0);
	struct crank_state at;
	crank_at(k->crank, (double)(r->leg.tooth[i].t_us + stall_us[_i] / 2), NULL, &at);
	ck_assert_int_ne(at.flag, CRANK_GOOD);
	solved_free(k, r);
}
END_TEST

/* The pick-up fails for seven turns at speed; the index goes on. */
START_TEST(a_dead_pick_up_is_counted_across_by_the_index)
{
	struct wheel_rig *r = solved_short_ride(WHEEL_CONSTANT, 36);
	struct leg *l = &r->leg;
	size_t from = l->tooth_n / 2, n = (size_t)7 * 72 + 11;
	memmove(l->tooth + from, l->tooth + from + n, (l->tooth_n - from - n) * sizeof *l->tooth);
	l->tooth_n -= n;
	struct solved *k = solved_new(r);
	ck_assert_int_eq(k->bad, 0);
	double turns = (k->crank->point[k->crank->n - 1].theta_rad - k->crank->point[0].theta_rad) / TWO_PI;
	ck_assert_double_eq_tol(turns, (r->theta[r->theta_n - 1] - r->theta[0]) / TWO_PI, 0.2);
	ck_assert_uint_eq(k->totals.teeth_missed, n);
	solved_free(k, r);
}
END_TEST

static void lose_tooth(struct wheel_rig *r, size_t i, int noted)
{
	struct leg *l = &r->leg;
	int64_t t = l->tooth[i].t_us;
	memmove(l->tooth + i, l->tooth + i + 1, (l->tooth_n - i - 1) * sizeof *l->tooth);
	l->tooth_n--;
	if (noted == 0)
		return;
	l->note = realloc(l->note, (l->note_n + 1) * sizeof *l->note);
	l->note[l->note_n++] =
	    noted == 1 ? (struct ride_note){.t_us = t + 20000, .value = 1, .kind = RECORD_LOST}
	               : (struct ride_note){
	                     .t_us = t + 90000, .value = 9, .kind = RECORD_GAP, .reason = GAP_DAMAGED};
}

/* Twenty teeth not in the log: the pick-up's doing, or the link's. */
START_TEST(what_the_link_lost_is_nobodys_slip)
{
	struct wheel_rig *r = solved_short_ride(WHEEL_SWEEP, 36);
	for (size_t i = 400; i < 400 + 20 * 67; i += 67)
		lose_tooth(r, i, _i);
	struct solved *k = solved_new(r);
	ck_assert_int_eq(k->bad, 0);
	ck_assert_uint_eq(k->totals.teeth_missed, _i == 0 ? 20 : 0);
	ck_assert_uint_eq(k->totals.teeth_lost, _i == 0 ? 0 : 20);
	struct believed *b = believed_new(&r->engine, &k->wheel);
	size_t kept;
	uint64_t slips;
	ck_assert_int_eq(believed_replay(b, &r->leg, k->crank, &k->fault), 0);
	believed_slips(b, &kept, &slips);
	if (_i == 0)
		ck_assert_uint_ge(slips, 15);
	else
		ck_assert_uint_eq(slips, 0);
	believed_free(b);
	solved_free(k, r);
}
END_TEST

START_TEST(an_index_closing_lost_on_the_way_is_not_missed)
{
	struct wheel_rig *r = solved_short_ride(WHEEL_SWEEP, 36);
	struct leg *l = &r->leg;
	int64_t t = l->index[20].t_us;
	memmove(l->index + 20, l->index + 22, (l->index_n - 22) * sizeof *l->index);
	l->index_n -= 2;
	if (_i == 1) {
		l->note = calloc(1, sizeof *l->note);
		l->note[l->note_n++] = (struct ride_note){.t_us = t + 5000, .value = 2, .kind = RECORD_LOST};
	}
	struct solved *k = solved_new(r);
	ck_assert_int_eq(k->bad, 0);
	ck_assert_uint_eq(k->totals.index_missed, _i == 0 ? 1 : 0);
	solved_free(k, r);
}
END_TEST

/* Backward for a fifth of 45 s: none of it is taken for forward. */
static void check_backward_is_left_out(const struct wheel_setup *s)
{
	struct wheel_rig *r = wheel_rig_new(s);
	struct solved *k = solved_new(r);
	size_t wrong = 0;
	ck_assert_int_eq(k->bad, 0);
	for (size_t i = 0; i < k->crank->n; i++) {
		const struct crank_point *p = &k->crank->point[i];
		double off = remainder(p->theta_rad - wheel_rig_theta(r, (double)p->t_us), TWO_PI);
		wrong += p->flag == CRANK_GOOD && fabs(off) > 5 * DEG;
	}
	ck_assert_uint_eq(wrong, 0);
	ck_assert_double_gt(k->totals.way_unknown_s, 9);
	solved_free(k, r);
}

/* Equal teeth, equal gaps: nothing about the teeth tells which way they pass. */
START_TEST(a_crank_that_turns_back_unseen_is_left_out)
{
	struct wheel_setup s =
	    wheel_setup_plain(36, _i < 2 ? EDGES_BOTH : EDGES_RISING, WHEEL_BACK, (unsigned)_i + 1);
	s.missed = s.extra = s.index_missed = s.index_extra = 0;
	s.pitch_sd_deg = s.eccentric_deg = 0;
	s.duty = 0.5;
	s.seconds = 45;
	memset(s.ripple_deg, 0, sizeof s.ripple_deg);
	check_backward_is_left_out(&s);
}
END_TEST

/* One edge of each tooth, a twentieth of them missed, also about where it turns: a hole there, or a stretch
 * too short to be placed, hides the turning point. */
START_TEST(a_turning_point_in_a_hole_is_one)
{
	static const struct {
		unsigned teeth, seed;
	} CASE[] = {{16, 3}, {24, 3}, {36, 1}, {48, 3}};
	struct wheel_setup s = wheel_setup_plain(CASE[_i].teeth, EDGES_RISING, WHEEL_BACK, CASE[_i].seed);
	s.seconds = 45;
	check_backward_is_left_out(&s);
}
END_TEST

/* As many turns backward as forward, on a wheel of small errors: the longest run of all is
 * passed backward, and none the less it is the first that shows the wheel. */
START_TEST(as_many_turns_backward_as_forward_are_followed)
{
	struct wheel_setup s = solved_clean(36, EDGES_BOTH, WHEEL_TO_AND_FRO, (unsigned)_i + 1, 41);
	s.pitch_sd_deg = s.eccentric_deg = 0.1;
	struct wheel_rig *r = wheel_rig_new(&s);
	struct solved *k = solved_new(r);
	size_t wrong = 0, back = 0;
	ck_assert_int_eq(k->bad, 0);
	for (size_t i = 0; i + 1 < k->crank->n; i++) {
		const struct crank_point *p = &k->crank->point[i];
		double off = remainder(p->theta_rad - wheel_rig_theta(r, (double)p->t_us), TWO_PI);
		wrong += p->flag == CRANK_GOOD && fabs(off) > 2 * DEG;
		back += p->flag == CRANK_GOOD && p[1].theta_rad < p->theta_rad;
	}
	ck_assert_uint_eq(wrong, 0);
	ck_assert_double_gt((double)back, 0.4 * (double)k->crank->n);
	ck_assert(!solved_says(k, "changed on the way"));
	solved_free(k, r);
}
END_TEST

START_TEST(who_goes_forward_is_not_doubted)
{
	static const enum wheel_motion motion[] = {WHEEL_SWEEP, WHEEL_COAST, WHEEL_ROCKING_START,
	                                           WHEEL_STOP_AND_GO};
	struct wheel_setup s =
	    wheel_setup_plain(36, _i % 2 ? EDGES_BOTH : EDGES_RISING, motion[_i], (unsigned)_i + 1);
	s.dropouts = s.bursts = 3;
	s.seconds = 30;
	struct wheel_rig *r = wheel_rig_new(&s);
	struct solved *k = solved_new(r);
	ck_assert_int_eq(k->bad, 0);
	ck_assert_double_eq(k->totals.way_unknown_s, 0);
	solved_free(k, r);
}
END_TEST

/* A few teeth lost while the crank goes slowly for a while, as the ride has it, but evenly:
 * nothing turned back there. */
START_TEST(a_hole_at_an_even_low_speed_is_not_a_turning_point)
{
	struct wheel_setup s = solved_clean(24, EDGES_RISING, WHEEL_SWEEP, 1, 60);
	s.rpm = 45;
	struct wheel_rig *r = wheel_rig_new(&s);
	struct leg *l = &r->leg;
	const size_t n = 5 + (size_t)_i;
	size_t from = 0;
	while (l->tooth[from].t_us < 41000000) /* slow again after the first sweep up and down */
		from++;
	memmove(l->tooth + from, l->tooth + from + n, (l->tooth_n - from - n) * sizeof *l->tooth);
	l->tooth_n -= n;
	struct solved *k = solved_new(r);
	ck_assert_int_eq(k->bad, 0);
	ck_assert_double_lt(k->totals.flagged_s, 2);
	solved_free(k, r);
}
END_TEST

/* The torque's own ups and downs are great at a low speed, and a hole there seems to lie where
 * the crank had slowed down or sped up; but within three teeth it could not have turned. */
START_TEST(a_hole_too_short_to_turn_in_is_not_a_turning_point)
{
	struct wheel_setup s = solved_clean(36, EDGES_RISING, WHEEL_SWEEP, 1, 45);
	struct wheel_rig *r = wheel_rig_new(&s);
	struct leg *l = &r->leg;
	size_t from = 0;
	while (l->tooth[from].t_us < 31000000) /* slow again after the first sweep up and down */
		from++;
	from += (size_t)_i * 4;
	memmove(l->tooth + from, l->tooth + from + 3, (l->tooth_n - from - 3) * sizeof *l->tooth);
	l->tooth_n -= 3;
	struct solved *k = solved_new(r);
	ck_assert_int_eq(k->bad, 0);
	ck_assert_double_lt(k->totals.flagged_s, 0.5);
	solved_free(k, r);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("crank_way");
	TCase *c = tcase_create("crank_way");
	tcase_set_timeout(c, 60);
	tcase_add_loop_test(c, a_stall_makes_no_turns, 0, 3);
	tcase_add_test(c, a_dead_pick_up_is_counted_across_by_the_index);
	tcase_add_loop_test(c, what_the_link_lost_is_nobodys_slip, 0, 3);
	tcase_add_loop_test(c, an_index_closing_lost_on_the_way_is_not_missed, 0, 2);
	tcase_add_loop_test(c, a_crank_that_turns_back_unseen_is_left_out, 0, 4);
	tcase_add_loop_test(c, a_turning_point_in_a_hole_is_one, 0, 4);
	tcase_add_loop_test(c, a_hole_at_an_even_low_speed_is_not_a_turning_point, 0, 3);
	tcase_add_loop_test(c, a_hole_too_short_to_turn_in_is_not_a_turning_point, 4, 6);
	tcase_add_loop_test(c, as_many_turns_backward_as_forward_are_followed, 0, 3);
	tcase_add_loop_test(c, who_goes_forward_is_not_doubted, 0, 4);
	suite_add_tcase(s, c);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_ENV);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? 0 : 1;
}
