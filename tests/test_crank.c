/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The crank against rides whose truth is known (tests/wheel_rig.h). */
#include "tests/solved_rig.h"

#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define TWO_PI 6.283185307179586477
#define DEG (TWO_PI / 360)

/* The goals of the angle, on a short form of the accuracy table (make accuracy). */
START_TEST(a_swept_ride_with_faults_is_followed)
{
	static const unsigned teeth[] = {24, 36, 48};
	struct wheel_setup s =
	    wheel_setup_plain(teeth[_i], _i == 1 ? EDGES_BOTH : EDGES_RISING, WHEEL_SWEEP, 3);
	s.seconds = 50;
	struct crank_score c = solved_score(&s);
	ck_assert_double_le(c.rms_deg, 0.05);
	ck_assert_double_le(c.p999_deg, 0.15);
	ck_assert_uint_eq(c.slips, 0);
	ck_assert_double_le(c.flagged_part, 0.01);
	ck_assert_double_ge(c.within_2sd, 0.8);
	ck_assert_double_le(fabs(c.offset_deg), 0.05);
	ck_assert_double_le(fabs(c.missed_off), 12);
	ck_assert_double_le(fabs(c.extra_off), 12);
}
END_TEST

START_TEST(one_speed_without_gauges_does_not_tell_low_orders)
{
	struct wheel_setup s = solved_clean(36, EDGES_BOTH, WHEEL_CONSTANT, 1, 40);
	struct wheel_rig *r = wheel_rig_new(&s);
	struct solved *k = solved_new(r);
	ck_assert_int_eq(k->bad, 0);
	ck_assert(!k->wheel.low_orders_known);
	ck_assert_uint_eq(k->wheel.low_order_limit, 5);
	ck_assert(solved_says(k, "cannot be told"));
	/* ... and claims no more than it knows: the less the farther from the index */
	for (size_t i = 0; i < k->crank->n; i += 50) {
		const struct crank_point *p = &k->crank->point[i];
		double from = fabs(remainder(p->theta_rad - r->engine.index_rad, TWO_PI));
		ck_assert_double_gt(p->sd_rad, (from > 40 * DEG ? 0.2 : 0.3 * from / TWO_PI) * DEG);
	}
	solved_free(k, r);
}
END_TEST

static double rms_pitch_deg(const struct solved *k)
{
	double sum = 0;
	for (unsigned i = 0; i < k->wheel.teeth; i++)
		sum += k->wheel.pitch_error_rad[i] * k->wheel.pitch_error_rad[i] / k->wheel.teeth;
	return sqrt(sum) / DEG;
}

/* The two look alike at one speed; over a span of speeds neither may be taken for the other. */
START_TEST(strong_ripple_is_not_taken_for_a_bad_wheel)
{
	struct wheel_setup s = solved_clean(36, EDGES_RISING, WHEEL_SWEEP, 1, 40);
	s.pitch_sd_deg = s.eccentric_deg = 0;
	s.ripple_deg[1] = s.ripple_deg[2] = 1.5;
	struct wheel_rig *r = wheel_rig_new(&s);
	struct solved *k = solved_new(r);
	ck_assert_int_eq(k->bad, 0);
	ck_assert(k->wheel.low_orders_known);
	ck_assert(solved_says(k, "torque shape assumed"));
	ck_assert_double_le(rms_pitch_deg(k), 0.05);
	solved_free(k, r);
}
END_TEST

START_TEST(a_bad_wheel_is_not_taken_for_ripple)
{
	struct wheel_setup s = solved_clean(36, EDGES_RISING, WHEEL_SWEEP, 1, 40);
	memset(s.ripple_deg, 0, sizeof s.ripple_deg);
	s.eccentric_deg = 0.8;
	struct wheel_rig *r = wheel_rig_new(&s);
	struct solved *k = solved_new(r);
	ck_assert_int_eq(k->bad, 0);
	double truth = 0, mean = 0;
	for (unsigned i = 0; i < 36; i++)
		mean += r->error_rad[2 * i] / 36;
	for (unsigned i = 0; i < 36; i++)
		truth += pow(r->error_rad[2 * i] - mean, 2) / 36;
	ck_assert_double_eq_tol(rms_pitch_deg(k), sqrt(truth) / DEG, 0.05);
	solved_free(k, r);
}
END_TEST

/* Its events are looked for while the next leg is solved. */
START_TEST(a_leg_stays_as_it_was_while_the_next_is_solved)
{
	struct wheel_rig *r = solved_short_ride(WHEEL_SWEEP, 36);
	struct solved *k = solved_new(r);
	ck_assert_int_eq(k->bad, 0);
	const struct crank before = *k->crank, *next;
	size_t size = before.n * sizeof *before.point;
	struct crank_point *copy = malloc(size);
	memcpy(copy, before.point, size);
	struct leg half = r->leg;
	half.tooth_n /= 2;
	half.core_to_us = half.to_us = half.tooth[half.tooth_n - 1].t_us + 1;
	ck_assert_int_eq(crank_solve(k->solver, &half, &next, &k->fault), 0);
	ck_assert_ptr_ne(next, k->crank);
	ck_assert_uint_lt(next->n, before.n);
	ck_assert_uint_eq(k->crank->n, before.n);
	ck_assert_ptr_eq(k->crank->point, before.point);
	ck_assert_mem_eq(k->crank->point, copy, size);
	free(copy);
	solved_free(k, r);
}
END_TEST

START_TEST(time_at_is_the_inverse_of_angle_at)
{
	struct wheel_setup s = solved_clean(24, EDGES_BOTH, WHEEL_SWEEP, 1, 40);
	struct wheel_rig *r = wheel_rig_new(&s);
	struct solved *k = solved_new(r);
	ck_assert_int_eq(k->bad, 0);
	size_t hint = 0, asked = 0;
	for (double t = 2e6; t < 40e6; t += 333333) {
		struct crank_state at;
		double back;
		crank_at(k->crank, t, &hint, &at);
		ck_assert_int_eq(at.flag, CRANK_GOOD);
		ck_assert(crank_time_at(k->crank, at.theta_rad, t - 50000, &back));
		ck_assert_double_eq_tol(back, t, 1.0);
		asked++;
	}
	double t;
	ck_assert(!crank_time_at(k->crank, 1e6, 2e6, &t));
	ck_assert_uint_gt(asked, 100);
	solved_free(k, r);
}
END_TEST

START_TEST(dropouts_are_flagged_and_counted_across)
{
	struct wheel_setup s = solved_clean(24, EDGES_BOTH, WHEEL_SWEEP, 1, 40);
	s.dropouts = 4;
	struct wheel_rig *r = wheel_rig_new(&s);
	struct solved *k = solved_new(r);
	ck_assert_int_eq(k->bad, 0);
	for (size_t i = 0; i < r->gap_n; i++) {
		struct crank_state at;
		crank_at(k->crank, 0.5 * (r->gap_s[i][0] + r->gap_s[i][1]), NULL, &at);
		ck_assert_int_eq(at.flag, CRANK_DROPOUT);
	}
	const struct crank_point *last = &k->crank->point[k->crank->n - 1];
	double truth =
	    wheel_rig_theta(r, (double)last->t_us) - wheel_rig_theta(r, (double)k->crank->point[0].t_us);
	double found = last->theta_rad - k->crank->point[0].theta_rad;
	ck_assert_double_eq_tol(found, truth, 0.01);
	solved_free(k, r);
	struct crank_score c = solved_score(&s);
	ck_assert_uint_eq(c.slips, 0);
}
END_TEST

START_TEST(bursts_and_bounces_do_not_slip_unseen)
{
	struct wheel_setup s = solved_clean(24, EDGES_BOTH, WHEEL_SWEEP, 1, 40);
	s.bursts = 10;
	s.bounce = 0.05;
	s.index_bounce = 0.3;
	s.index_late = 0.05;
	struct crank_score c = solved_score(&s);
	ck_assert_uint_eq(c.slips, 0);
	ck_assert_double_le(c.rms_deg, 0.05);
	ck_assert_double_le(c.flagged_part, 0.03);
}
END_TEST

START_TEST(a_rocking_start_is_flagged_not_guessed)
{
	static const unsigned teeth[] = {16, 48};
	struct wheel_setup s = wheel_setup_plain(teeth[_i], EDGES_BOTH, WHEEL_ROCKING_START, 1);
	s.seconds = 15;
	struct crank_score c = solved_score(&s);
	ck_assert_uint_eq(c.slips, 0);
}
END_TEST

/* Of a single edge the teeth passed on the swing back come just as they would if the crank
 * had gathered speed forward: none of them is claimed. */
START_TEST(a_swing_back_that_looks_like_a_start_is_flagged)
{
	static const unsigned seed[] = {297, 300};
	struct wheel_setup s = wheel_setup_plain(36, EDGES_RISING, WHEEL_ROCKING_START, seed[_i]);
	s.seconds = 15;
	struct crank_score c = solved_score(&s);
	ck_assert_uint_eq(c.slips, 0);
	ck_assert_double_le(c.flagged_part, 0.1);
}
END_TEST

/* The wheel's own pattern tells which way it turns. */
START_TEST(a_crank_that_turns_back_is_followed_back)
{
	struct wheel_setup s = solved_clean(36, EDGES_BOTH, WHEEL_BACK, 1, 40);
	s.seconds = 30;
	struct wheel_rig *r = wheel_rig_new(&s);
	struct solved *k = solved_new(r);
	ck_assert_int_eq(k->bad, 0);
	size_t back = 0;
	double off = NAN;
	for (double t = 1.2e6; t < 30.8e6; t += 10000) {
		struct crank_state at;
		crank_at(k->crank, t, NULL, &at);
		if (at.flag != CRANK_GOOD)
			continue;
		double miss = at.theta_rad - wheel_rig_theta(r, t);
		if (isnan(off))
			off = TWO_PI * rint(miss / TWO_PI);
		/* through the turning points too the count of turns is kept */
		ck_assert_double_eq_tol(miss, off, 1.0 * DEG);
		back += at.omega_rad_s < -3;
	}
	ck_assert_uint_gt(back, 450);
	ck_assert_double_lt(crank_solver_totals(k->solver)->flagged_s, 1.5);
	solved_free(k, r);
}
END_TEST

START_TEST(a_second_channel_tells_the_way_at_a_rocking_start)
{
	struct wheel_setup s = solved_clean(48, EDGES_BOTH, WHEEL_ROCKING_START, 1, 40);
	s.seconds = 15;
	s.quadrature = true;
	struct wheel_rig *r = wheel_rig_new(&s);
	struct solved *k = solved_new(r);
	ck_assert_int_eq(k->bad, 0);
	size_t good = 0, asked = 0;
	for (double t = 2.1e6; t < 15e6; t += 10000) {
		struct crank_state at;
		crank_at(k->crank, t, NULL, &at);
		asked++;
		if (at.flag != CRANK_GOOD)
			continue;
		good++;
		ck_assert_double_eq_tol(remainder(at.theta_rad - wheel_rig_theta(r, t), TWO_PI), 0,
		                        1.0 * DEG);
	}
	ck_assert_double_ge((double)good / (double)asked, 0.9);
	solved_free(k, r);
}
END_TEST

/* A row of teeth is lost and the count goes on one short inside the same run. */
START_TEST(a_count_beyond_a_hole_is_not_taken_on_trust)
{
	struct wheel_setup s = wheel_setup_plain(36, EDGES_RISING, WHEEL_SWEEP, 41);
	struct crank_score c = {0};
	crank_score_add(&c, &s);
	crank_score_finish(&c);
	ck_assert_uint_eq(c.slips, 0);
	ck_assert_double_le(c.flagged_part, 0.02);
}
END_TEST

/* A long ride comes in legs that overlap; the count goes on through them. */
static struct leg part_of(const struct leg *whole, int64_t from_us, int64_t to_us, unsigned number)
{
	const int64_t context_us = 3000000;
	struct leg l = *whole;
	l.number = number;
	l.continues = number > 0;
	l.core_from_us = from_us;
	l.core_to_us = to_us;
	while (l.tooth_n > 0 && l.tooth->t_us < from_us - context_us) {
		l.tooth++;
		l.tooth_n--;
	}
	while (l.tooth_n > 0 && l.tooth[l.tooth_n - 1].t_us > to_us + context_us)
		l.tooth_n--;
	while (l.index_n > 0 && l.index->t_us < from_us - context_us) {
		l.index++;
		l.index_n--;
	}
	while (l.index_n > 0 && l.index[l.index_n - 1].t_us > to_us + context_us)
		l.index_n--;
	l.from_us = l.tooth->t_us;
	l.to_us = l.tooth[l.tooth_n - 1].t_us;
	return l;
}

START_TEST(legs_count_on)
{
	struct wheel_setup s = wheel_setup_plain(36, EDGES_RISING, WHEEL_SWEEP, 5);
	struct wheel_rig *r = wheel_rig_new(&s);
	struct crank_learner *l = crank_learner_new(&r->engine);
	struct fault fault;
	struct leg leg[4];
	for (unsigned i = 0; i < 4; i++) {
		leg[i] =
		    part_of(&r->leg, 1000000 + 30000000 * (int64_t)i, 31000000 + 30000000 * (int64_t)i, i);
		ck_assert_int_eq(crank_learn(l, &leg[i], &fault), 0);
	}
	static struct wheel wheel; /* large */
	ck_assert_int_eq(crank_learned(l, &wheel, &fault), 0);
	struct crank_solver *solver = crank_solver_new(&r->engine, &wheel);
	double turns_off = NAN;
	for (unsigned i = 0; i < 4; i++) {
		const struct crank *c;
		ck_assert_int_eq(crank_solve(solver, &leg[i], &c, &fault), 0);
		for (double t = (double)leg[i].core_from_us + 1e5; t < (double)leg[i].core_to_us - 1e5;
		     t += 77777) {
			struct crank_state at;
			crank_at(c, t, NULL, &at);
			double off = at.theta_rad - wheel_rig_theta(r, t);
			if (isnan(turns_off))
				turns_off = TWO_PI * rint(off / TWO_PI);
			ck_assert(at.flag != CRANK_GOOD || fabs(off - turns_off) < 0.2 * DEG);
		}
	}
	const struct crank_totals *t = crank_solver_totals(solver);
	ck_assert_uint_eq(t->teeth_seen, r->leg.tooth_n);
	ck_assert_double_eq_tol((double)t->teeth_missed, (double)r->missed, 10);
	ck_assert_uint_eq(t->index_missed, r->index_missed);
	/* an extra closing may fall where a true one is due */
	ck_assert_double_eq_tol((double)t->index_extra, (double)r->index_extra, 2);
	crank_solver_free(solver);
	crank_learner_free(l);
	wheel_rig_free(r);
}
END_TEST

START_TEST(the_wheel_is_described)
{
	struct wheel_setup s = solved_clean(36, EDGES_BOTH, WHEEL_SWEEP, 1, 40);
	struct wheel_rig *r = wheel_rig_new(&s);
	struct solved *k = solved_new(r);
	ck_assert_int_eq(k->bad, 0);
	ck_assert_uint_eq(k->wheel.slots, 72);
	double mean = 0, behind = 0.45 * TWO_PI / 36;
	for (unsigned i = 0; i < 36; i++)
		behind += (r->error_rad[2 * i + 1] - r->error_rad[2 * i]) / 36;
	ck_assert_double_eq_tol(k->wheel.edge_offset_rad, behind, 0.02 * DEG);
	for (unsigned i = 0; i < 36; i++)
		mean += k->wheel.pitch_error_rad[i] / 36;
	ck_assert_double_eq_tol(mean, 0, 1e-12);
	for (unsigned i = 1; i < 72; i++)
		ck_assert_double_gt(k->wheel.angle_rad[i], k->wheel.angle_rad[i - 1]);
	ck_assert_double_ge(k->wheel.angle_rad[0], 0);
	ck_assert_double_lt(k->wheel.angle_rad[71], TWO_PI);
	/* each slot's angle is a true edge's */
	for (unsigned i = 0; i < 72; i++) {
		double nearest = INFINITY;
		for (unsigned j = 0; j < 72; j++) {
			double edge = TWO_PI * (j / 2 + (j % 2 ? 0.45 : 0)) / 36 + r->error_rad[j];
			nearest = fmin(nearest, fabs(remainder(k->wheel.angle_rad[i] - edge, TWO_PI)));
		}
		ck_assert_double_le(nearest, 0.06 * DEG);
	}
	solved_free(k, r);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("crank");
	TCase *t = tcase_create("crank");
	tcase_set_timeout(t, 120);
	tcase_add_loop_test(t, a_swept_ride_with_faults_is_followed, 0, 3);
	tcase_add_test(t, one_speed_without_gauges_does_not_tell_low_orders);
	tcase_add_test(t, strong_ripple_is_not_taken_for_a_bad_wheel);
	tcase_add_test(t, a_bad_wheel_is_not_taken_for_ripple);
	tcase_add_test(t, a_leg_stays_as_it_was_while_the_next_is_solved);
	tcase_add_test(t, time_at_is_the_inverse_of_angle_at);
	tcase_add_test(t, dropouts_are_flagged_and_counted_across);
	tcase_add_test(t, bursts_and_bounces_do_not_slip_unseen);
	tcase_add_loop_test(t, a_rocking_start_is_flagged_not_guessed, 0, 2);
	tcase_add_loop_test(t, a_swing_back_that_looks_like_a_start_is_flagged, 0, 2);
	tcase_add_test(t, a_crank_that_turns_back_is_followed_back);
	tcase_add_test(t, a_second_channel_tells_the_way_at_a_rocking_start);
	tcase_add_test(t, a_count_beyond_a_hole_is_not_taken_on_trust);
	tcase_add_test(t, legs_count_on);
	tcase_add_test(t, the_wheel_is_described);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
