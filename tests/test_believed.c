/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a plain count makes of known faults: each slip dated, sized, named. */
#include "analyse/believed.h"
#include "tests/wheel_rig.h"

#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define TWO_PI 6.283185307179586477
#define DEG (TWO_PI / 360)
#define PITCH_DEG 10.0

static struct wheel wheel;

struct played {
	struct crank_learner *learner;
	struct crank_solver *solver;
	struct believed *believed;
	const struct crank *crank;
	const struct slip *slip;
	size_t kept;
	uint64_t total;
};

static struct wheel_rig *ride(void)
{
	/* 36 teeth, rising edges, 100 rpm without ripple; the index closes between two teeth */
	struct wheel_setup s = wheel_setup_plain(36, EDGES_RISING, WHEEL_CONSTANT, 2);
	memset(s.ripple_deg, 0, sizeof s.ripple_deg);
	s.missed = s.extra = s.index_missed = s.index_extra = 0;
	s.pitch_sd_deg = s.eccentric_deg = 0;
	s.seconds = 30;
	s.index_deg = 14.5;
	return wheel_rig_new(&s);
}

static struct played play(struct wheel_rig *r)
{
	struct played p = {.learner = crank_learner_new(&r->engine)};
	struct fault fault;
	ck_assert_int_eq(crank_learn(p.learner, &r->leg, &fault), 0);
	ck_assert_int_eq(crank_learned(p.learner, &wheel, &fault), 0);
	p.solver = crank_solver_new(&r->engine, &wheel);
	ck_assert_int_eq(crank_solve(p.solver, &r->leg, &p.crank, &fault), 0);
	p.believed = believed_new(&r->engine, &wheel);
	ck_assert_int_eq(believed_replay(p.believed, &r->leg, p.crank, &fault), 0);
	p.slip = believed_slips(p.believed, &p.kept, &p.total);
	return p;
}

static void drop(struct played *p, struct wheel_rig *r)
{
	believed_free(p->believed);
	crank_solver_free(p->solver);
	crank_learner_free(p->learner);
	wheel_rig_free(r);
}

static void remove_tooth(struct wheel_rig *r, size_t i)
{
	struct leg *l = &r->leg;
	memmove(l->tooth + i, l->tooth + i + 1, (l->tooth_n - i - 1) * sizeof *l->tooth);
	l->tooth_n--;
}

/* An edge part of the way from tooth i to the next. */
static void insert_tooth(struct wheel_rig *r, size_t i, double part)
{
	struct leg *l = &r->leg;
	l->tooth = realloc(l->tooth, (l->tooth_n + 1) * sizeof *l->tooth);
	memmove(l->tooth + i + 1, l->tooth + i, (l->tooth_n - i) * sizeof *l->tooth);
	l->tooth_n++;
	int64_t step = l->tooth[i + 2].t_us - l->tooth[i].t_us;
	l->tooth[i + 1] = l->tooth[i];
	l->tooth[i + 1].t_us += (int64_t)(part * (double)step);
}

static size_t tooth_after(const struct wheel_rig *r, int64_t t_us)
{
	size_t i = 0;
	while (r->leg.tooth[i].t_us < t_us)
		i++;
	return i;
}

/* A tooth well after an index closing, so that the count stays out for a while. */
static size_t early_in_turn(const struct wheel_rig *r, size_t turn)
{
	return tooth_after(r, r->leg.index[2 * turn].t_us) + 5;
}

START_TEST(a_clean_ride_has_no_slips)
{
	struct wheel_rig *r = ride();
	struct played p = play(r);
	ck_assert_uint_eq(p.total, 0);
	for (double t = 5e6; t < 25e6; t += 1e6 / 3) {
		double off = remainder(believed_rad_at(p.believed, t) - wheel_rig_theta(r, t), TWO_PI);
		ck_assert_double_eq_tol(off, 0, 0.3 * DEG);
	}
	drop(&p, r);
}
END_TEST

START_TEST(nothing_is_believed_before_the_first_index)
{
	struct wheel_rig *r = ride();
	struct played p = play(r);
	ck_assert(isnan(believed_rad_at(p.believed, (double)r->leg.index[0].t_us - 10000)));
	ck_assert(!isnan(believed_rad_at(p.believed, (double)r->leg.index[0].t_us + 10000)));
	drop(&p, r);
}
END_TEST

START_TEST(a_missed_tooth_is_one_slip_until_the_index)
{
	struct wheel_rig *r = ride();
	size_t i = early_in_turn(r, 10);
	int64_t t = r->leg.tooth[i].t_us;
	remove_tooth(r, i);
	struct played p = play(r);
	ck_assert_uint_eq(p.total, 1);
	ck_assert_int_eq(p.slip[0].edges, -1);
	ck_assert_int_eq(p.slip[0].cause, SLIP_MISSED);
	ck_assert_int_ge(p.slip[0].t_us, t);
	ck_assert_int_le(p.slip[0].t_us, t + 20000);
	double after = (double)t + 60000, healed = (double)r->leg.index[22].t_us + 60000;
	double off = remainder(believed_rad_at(p.believed, after) - wheel_rig_theta(r, after), TWO_PI);
	ck_assert_double_eq_tol(off, -PITCH_DEG * DEG, 0.3 * DEG);
	off = remainder(believed_rad_at(p.believed, healed) - wheel_rig_theta(r, healed), TWO_PI);
	ck_assert_double_eq_tol(off, 0, 0.3 * DEG);
	drop(&p, r);
}
END_TEST

START_TEST(an_extra_pulse_puts_the_count_ahead)
{
	struct wheel_rig *r = ride();
	insert_tooth(r, early_in_turn(r, 12), 0.4);
	struct played p = play(r);
	ck_assert_uint_eq(p.total, 1);
	ck_assert_int_eq(p.slip[0].edges, 1);
	ck_assert_int_eq(p.slip[0].cause, SLIP_EXTRA);
	drop(&p, r);
}
END_TEST

START_TEST(a_burst_is_one_slip)
{
	struct wheel_rig *r = ride();
	size_t i = early_in_turn(r, 14);
	for (int k = 0; k < 6; k++)
		insert_tooth(r, i, 0.9 - 0.14 * k);
	struct played p = play(r);
	ck_assert_uint_eq(p.total, 1);
	ck_assert_int_eq(p.slip[0].edges, 6);
	ck_assert_int_eq(p.slip[0].cause, SLIP_BURST);
	drop(&p, r);
}
END_TEST

START_TEST(always_the_same_tooth_is_named)
{
	struct wheel_rig *r = ride();
	for (size_t turn = 40; turn > 30; turn--)
		remove_tooth(r, early_in_turn(r, turn));
	struct played p = play(r);
	ck_assert_uint_eq(p.total, 10);
	ck_assert_int_eq(p.slip[9].cause, SLIP_SAME_TOOTH);
	drop(&p, r);
}
END_TEST

START_TEST(index_faults_are_told_apart)
{
	struct wheel_rig *r = ride();
	struct ride_edge *index = r->leg.index;
	index[20].t_us += 25000;                  /* late by more than a tooth (16.7 ms) */
	index[40].t_us -= 25000;                  /* early */
	index[61].t_us = index[60].t_us + 100000; /* opens late: no matter */
	index[80].t_us += 250000;                 /* half a turn off: another closing altogether */
	index[81].t_us += 250000;
	struct played p = play(r);
	ck_assert_uint_eq(p.total, 3);
	ck_assert_int_eq(p.slip[0].cause, SLIP_INDEX_LATE);
	ck_assert_int_lt(p.slip[0].edges, 0);
	ck_assert_int_eq(p.slip[1].cause, SLIP_INDEX_EARLY);
	ck_assert_int_gt(p.slip[1].edges, 0);
	ck_assert_int_eq(p.slip[2].cause, SLIP_INDEX_EXTRA);
	drop(&p, r);
}
END_TEST

START_TEST(a_missed_index_alone_is_no_slip)
{
	struct wheel_rig *r = ride();
	memmove(r->leg.index + 20, r->leg.index + 22, (r->leg.index_n - 22) * sizeof *r->leg.index);
	r->leg.index_n -= 2;
	struct played p = play(r);
	ck_assert_uint_eq(p.total, 0);
	ck_assert_uint_eq(crank_solver_totals(p.solver)->index_missed, 1);
	drop(&p, r);
}
END_TEST

START_TEST(every_cause_has_a_name)
{
	for (int c = 0; c < SLIP_CAUSE_END; c++)
		ck_assert_str_ne(slip_cause_name((enum slip_cause)c), "unknown");
}
END_TEST

int main(void)
{
	Suite *s = suite_create("believed");
	TCase *t = tcase_create("believed");
	tcase_set_timeout(t, 60);
	tcase_add_test(t, a_clean_ride_has_no_slips);
	tcase_add_test(t, nothing_is_believed_before_the_first_index);
	tcase_add_test(t, a_missed_tooth_is_one_slip_until_the_index);
	tcase_add_test(t, an_extra_pulse_puts_the_count_ahead);
	tcase_add_test(t, a_burst_is_one_slip);
	tcase_add_test(t, always_the_same_tooth_is_named);
	tcase_add_test(t, index_faults_are_told_apart);
	tcase_add_test(t, a_missed_index_alone_is_no_slip);
	tcase_add_test(t, every_cause_has_a_name);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
