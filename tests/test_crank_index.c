/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the index switch tells of a ride, and where it must not be believed: a
 * late switch, a wheel that turns faster than the crank, a wrong count, a stall,
 * a crank that turns back, records lost on the way. */
#include "analyse/believed.h"
#include "tests/wheel_rig.h"

#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define TWO_PI 6.283185307179586477
#define DEG (TWO_PI / 360)

static struct wheel wheel;

struct solved {
	struct crank_learner *learner;
	struct crank_solver *solver;
	const struct crank *crank;
	struct crank_totals totals;
	struct fault fault;
	int bad;
};

static struct solved solve(const struct wheel_rig *r)
{
	struct solved s = {.learner = crank_learner_new(&r->engine)};
	s.bad = crank_learn(s.learner, &r->leg, &s.fault);
	if (s.bad == 0)
		s.bad = crank_learned(s.learner, &wheel, &s.fault);
	if (s.bad != 0)
		return s;
	s.solver = crank_solver_new(&r->engine, &wheel);
	s.bad = crank_solve(s.solver, &r->leg, &s.crank, &s.fault);
	s.totals = *crank_solver_totals(s.solver);
	return s;
}

static void drop(struct solved *s, struct wheel_rig *r)
{
	crank_learner_free(s->learner);
	crank_solver_free(s->solver);
	free(r->leg.note);
	free(r->leg.command);
	wheel_rig_free(r);
}

static bool has_remark(const char *part)
{
	for (unsigned i = 0; i < wheel.remarks; i++)
		if (strstr(wheel.remark[i], part) != NULL)
			return true;
	return false;
}

static struct wheel_rig *clean(enum wheel_motion motion, unsigned teeth)
{
	struct wheel_setup s = wheel_setup_plain(teeth, EDGES_BOTH, motion, 3);
	s.missed = s.extra = s.index_missed = s.index_extra = 0;
	s.seconds = 24;
	return wheel_rig_new(&s);
}

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
		struct wheel_rig *r = clean(WHEEL_SWEEP, teeth[_i]);
		delay_index(r, late * 3000);
		struct solved k = solve(r);
		size_t outside;
		ck_assert_int_eq(k.bad, 0);
		double worst = worst_deg(&k, r, 3, &outside);
		without = late == 0 ? worst : without;
		outside_without = late == 0 ? outside : outside_without;
		ck_assert_double_le(worst, without + 0.05);
		ck_assert(has_remark("ms late (+/-") == (late == 1));
		ck_assert_double_eq_tol(wheel.index_late_s, 3e-3 * late, 1e-4);
		ck_assert_uint_le(outside, outside_without + k.crank->n / 50);
		ck_assert_uint_eq(k.totals.index_missed + k.totals.index_extra, 0);
		drop(&k, r);
	}
}
END_TEST

START_TEST(at_one_speed_a_late_index_is_not_told_and_that_is_said)
{
	struct wheel_rig *r = clean(WHEEL_CONSTANT, 36);
	struct solved k = solve(r);
	ck_assert_int_eq(k.bad, 0);
	ck_assert(has_remark("late index switch cannot be told"));
	ck_assert_double_eq(wheel.index_late_s, 0);
	drop(&k, r);
}
END_TEST

/* Teeth that are late make the index look early: nothing is taken out, it is said. */
START_TEST(late_teeth_are_named_and_left)
{
	struct wheel_rig *r = clean(WHEEL_SWEEP, 36);
	delay_index(r, -2000);
	struct solved k = solve(r);
	ck_assert_int_eq(k.bad, 0);
	ck_assert(has_remark("later than the index switch"));
	ck_assert_double_eq(wheel.index_late_s, 0);
	drop(&k, r);
}
END_TEST

/* Only every `each`-th closing: the index on a crank that turns so much slower than the wheel. */
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
	struct wheel_rig *r = clean(WHEEL_SWEEP, 24);
	thin_index(r, ratio);
	r->engine.crank_ratio = ratio;
	struct solved k = solve(r);
	ck_assert_int_eq(k.bad, 0);
	ck_assert(wheel.aligned);
	ck_assert_uint_eq(wheel.teeth, 24 * ratio);
	ck_assert(!has_remark("once in"));
	ck_assert_uint_eq(k.totals.index_missed + k.totals.teeth_missed, 0);
	double t0 = (double)r->leg.index[4].t_us;
	struct crank_state at;
	for (double t = 5e6; t < 22e6; t += 0.37e6) {
		crank_at(k.crank, t, NULL, &at);
		ck_assert_int_eq(at.flag, CRANK_GOOD);
		double turned = (wheel_rig_theta(r, t) - wheel_rig_theta(r, t0)) / ratio;
		double off = remainder(at.theta_rad - r->engine.index_rad - turned, TWO_PI);
		ck_assert_double_eq_tol(off, 0, 0.5 * DEG);
		ck_assert_double_lt(fabs(off), 4 * at.sd_rad);
	}
	drop(&k, r);
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
	struct wheel_rig *r = clean(WHEEL_CONSTANT, 24);
	r->engine.tooth_count = unfit[_i].teeth;
	r->engine.crank_ratio = unfit[_i].ratio;
	struct solved k = solve(r);
	ck_assert_int_ne(k.bad, 0);
	ck_assert_int_eq(k.fault.exit_code, EX_CONFIG);
	ck_assert_ptr_nonnull(strstr(k.fault.text, unfit[_i].said));
	drop(&k, r);
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
	struct wheel_rig *r = clean(WHEEL_SWEEP, 36);
	command_each_turn(r);
	r->engine.tooth_count = 18;
	struct solved k = solve(r);
	ck_assert_int_ne(k.bad, 0);
	ck_assert_int_eq(k.fault.exit_code, EX_DATAERR);
	ck_assert_ptr_nonnull(strstr(k.fault.text, "count = 36"));
	drop(&k, r);
}
END_TEST

START_TEST(an_index_that_misses_every_other_turn_is_not_a_wrong_count)
{
	struct wheel_rig *r = clean(WHEEL_SWEEP, 36);
	command_each_turn(r);
	thin_index(r, 2);
	struct solved k = solve(r);
	ck_assert_int_eq(k.bad, 0);
	ck_assert(wheel.aligned);
	ck_assert(has_remark("once in 2 turns"));
	drop(&k, r);
}
END_TEST

START_TEST(no_tooth_is_missed_where_all_are_in_doubt)
{
	struct wheel_setup s = wheel_setup_plain(36, EDGES_BOTH, WHEEL_CONSTANT, 1);
	s.missed = s.extra = s.index_missed = s.index_extra = 0;
	s.seconds = 1.3;
	struct wheel_rig *r = wheel_rig_new(&s);
	struct solved k = solve(r);
	ck_assert_int_eq(k.bad, 0);
	ck_assert(!has_remark("never show"));
	drop(&k, r);
}
END_TEST

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
	struct wheel_rig *r = clean(WHEEL_CONSTANT, 36);
	size_t i = r->leg.tooth_n / 2;
	pause_after(r, i, stall_us[_i]);
	struct solved k = solve(r);
	ck_assert_int_eq(k.bad, 0);
	double turns = (k.crank->point[k.crank->n - 1].theta_rad - k.crank->point[0].theta_rad) / TWO_PI;
	double true_turns = (r->theta[r->theta_n - 1] - r->theta[0]) / TWO_PI;
	ck_assert_double_eq_tol(turns, true_turns, 0.2);
	ck_assert_uint_eq(k.totals.teeth_missed, 0);
	ck_assert_uint_eq(k.totals.index_missed, 0);
	struct crank_state at;
	crank_at(k.crank, (double)(r->leg.tooth[i].t_us + stall_us[_i] / 2), NULL, &at);
	ck_assert_int_ne(at.flag, CRANK_GOOD);
	drop(&k, r);
}
END_TEST

/* The pick-up fails for seven turns at speed; the index goes on. */
START_TEST(a_dead_pick_up_is_counted_across_by_the_index)
{
	struct wheel_rig *r = clean(WHEEL_CONSTANT, 36);
	struct leg *l = &r->leg;
	size_t from = l->tooth_n / 2, n = (size_t)7 * 72 + 11;
	memmove(l->tooth + from, l->tooth + from + n, (l->tooth_n - from - n) * sizeof *l->tooth);
	l->tooth_n -= n;
	struct solved k = solve(r);
	ck_assert_int_eq(k.bad, 0);
	double turns = (k.crank->point[k.crank->n - 1].theta_rad - k.crank->point[0].theta_rad) / TWO_PI;
	ck_assert_double_eq_tol(turns, (r->theta[r->theta_n - 1] - r->theta[0]) / TWO_PI, 0.2);
	ck_assert_uint_eq(k.totals.teeth_missed, n);
	drop(&k, r);
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
	struct wheel_rig *r = clean(WHEEL_SWEEP, 36);
	for (size_t i = 400; i < 400 + 20 * 67; i += 67)
		lose_tooth(r, i, _i);
	struct solved k = solve(r);
	ck_assert_int_eq(k.bad, 0);
	ck_assert_uint_eq(k.totals.teeth_missed, _i == 0 ? 20 : 0);
	ck_assert_uint_eq(k.totals.teeth_lost, _i == 0 ? 0 : 20);
	struct believed *b = believed_new(&r->engine, &wheel);
	size_t kept;
	uint64_t slips;
	ck_assert_int_eq(believed_replay(b, &r->leg, k.crank, &k.fault), 0);
	believed_slips(b, &kept, &slips);
	if (_i == 0)
		ck_assert_uint_ge(slips, 15);
	else
		ck_assert_uint_eq(slips, 0);
	believed_free(b);
	drop(&k, r);
}
END_TEST

START_TEST(an_index_closing_lost_on_the_way_is_not_missed)
{
	struct wheel_rig *r = clean(WHEEL_SWEEP, 36);
	struct leg *l = &r->leg;
	int64_t t = l->index[20].t_us;
	memmove(l->index + 20, l->index + 22, (l->index_n - 22) * sizeof *l->index);
	l->index_n -= 2;
	if (_i == 1) {
		l->note = calloc(1, sizeof *l->note);
		l->note[l->note_n++] = (struct ride_note){.t_us = t + 5000, .value = 2, .kind = RECORD_LOST};
	}
	struct solved k = solve(r);
	ck_assert_int_eq(k.bad, 0);
	ck_assert_uint_eq(k.totals.index_missed, _i == 0 ? 1 : 0);
	drop(&k, r);
}
END_TEST

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
	struct wheel_rig *r = wheel_rig_new(&s);
	struct solved k = solve(r);
	size_t outside, wrong = 0;
	ck_assert_int_eq(k.bad, 0);
	worst_deg(&k, r, 0, &outside);
	for (size_t i = 0; i < k.crank->n; i++) {
		const struct crank_point *p = &k.crank->point[i];
		double off = remainder(p->theta_rad - wheel_rig_theta(r, (double)p->t_us), TWO_PI);
		wrong += p->flag == CRANK_GOOD && fabs(off) > 5 * DEG;
	}
	ck_assert_uint_eq(wrong, 0);
	ck_assert_double_gt(k.totals.way_unknown_s, 9); /* backward for a fifth of 45 s */
	drop(&k, r);
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
	struct solved k = solve(r);
	ck_assert_int_eq(k.bad, 0);
	ck_assert_double_eq(k.totals.way_unknown_s, 0);
	drop(&k, r);
}
END_TEST

static void add_tests(TCase *c)
{
	tcase_set_timeout(c, 60);
	tcase_add_loop_test(c, a_late_index_is_put_right, 0, 2);
	tcase_add_test(c, at_one_speed_a_late_index_is_not_told_and_that_is_said);
	tcase_add_test(c, late_teeth_are_named_and_left);
	tcase_add_loop_test(c, a_wheel_faster_than_the_crank_is_followed, 2, 5);
	tcase_add_loop_test(c, a_wheel_that_cannot_be_followed_is_refused, 0, sizeof unfit / sizeof *unfit);
	tcase_add_test(c, half_the_count_is_refused_where_valves_show_the_turn);
	tcase_add_test(c, an_index_that_misses_every_other_turn_is_not_a_wrong_count);
	tcase_add_test(c, no_tooth_is_missed_where_all_are_in_doubt);
	tcase_add_loop_test(c, a_stall_makes_no_turns, 0, 3);
	tcase_add_test(c, a_dead_pick_up_is_counted_across_by_the_index);
	tcase_add_loop_test(c, what_the_link_lost_is_nobodys_slip, 0, 3);
	tcase_add_loop_test(c, an_index_closing_lost_on_the_way_is_not_missed, 0, 2);
	tcase_add_loop_test(c, a_crank_that_turns_back_unseen_is_left_out, 0, 4);
	tcase_add_loop_test(c, who_goes_forward_is_not_doubted, 0, 4);
}

int main(void)
{
	Suite *s = suite_create("crank_index");
	TCase *c = tcase_create("crank_index");
	add_tests(c);
	suite_add_tcase(s, c);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_ENV);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? 0 : 1;
}
