/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/valve_events_expansion.h"

#include <check.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdlib.h>

#define STRETCHES 80

struct made {          /* a ride's expansions */
	double index;  /* of the air alone */
	double heat;   /* the slower, the nearer to 1: index less for each second */
	double loss;   /* share of the air a second */
	double volume; /* the index as found, over the true one */
	double lag_s;  /* of the sensor, more than assumed */
	double fast_s, slow_s;
	double noise;
};

static const struct made sound = {
    .index = 1.39, .heat = 0.1, .volume = 1, .fast_s = 0.2, .slow_s = 0.5, .noise = 0.02};

static void make(const struct made *m, gsl_rng *rng, struct expansion *x)
{
	*x = (struct expansion){0};
	for (int i = 0; i < STRETCHES; i++) {
		double slow_s = m->fast_s + (m->slow_s - m->fast_s) * gsl_rng_uniform(rng);
		double per_lag = -0.8 / slow_s;
		double index = (m->index - m->heat * slow_s) * m->volume + m->loss * slow_s +
		               per_lag * m->lag_s + gsl_ran_gaussian(rng, m->noise);
		const struct expansion_stretch s = {.turn = i,
		                                    .index = (float)index,
		                                    .slow_s = (float)slow_s,
		                                    .per_lag = (float)per_lag,
		                                    .per_pa = 3e-6f,
		                                    .volume_m3 = 1e-4f};
		expansion_add(x, &s);
	}
}

static struct expansion_verdict verdict_on(const struct made *m, unsigned long seed)
{
	static struct expansion x;
	struct expansion_verdict v;
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_taus2);
	gsl_rng_set(rng, seed);
	make(m, rng, &x);
	gsl_rng_free(rng);
	ck_assert_int_eq(expansion_judge(&x, 0.3e-3, &v), 0);
	return v;
}

/* At the very edge of the possible, a lag off by its doubt, and outliers beside: nothing is said. */
START_TEST(a_sound_end_is_not_blamed)
{
	unsigned blamed = 0, inside = 0, sets = 200;
	for (unsigned seed = 1; seed <= sets; seed++) {
		struct made m = sound;
		m.heat = seed % 2 ? 0 : 0.7; /* no heat at all, or kept warm when slow */
		m.index = seed % 2 ? 1.4 : 1.36;
		m.lag_s = seed % 3 ? 0.3e-3 : -0.3e-3;
		struct expansion_verdict v = verdict_on(&m, seed);
		double truth = m.index - m.heat * 0.35;
		blamed += v.fault != EXPANSION_SOUND;
		inside += fabs(v.index - truth) < 1.96 * v.sd;
	}
	ck_assert_uint_eq(blamed, 0);
	ck_assert_uint_ge(inside * 100, sets * 95);
}
END_TEST

START_TEST(air_that_goes_or_comes_is_told_from_a_wrong_volume)
{
	struct made leaks = sound, gains = sound, large = sound, small = sound;
	leaks.loss = 0.8;
	gains.loss = -1.5;
	large.volume = 1.15;
	large.heat = 0;
	small.volume = 0.6;
	struct expansion_verdict v = verdict_on(&leaks, 1);
	ck_assert_int_eq(v.fault, EXPANSION_LOSES);
	ck_assert(v.high);
	ck_assert_double_gt(v.least_per_s, 0.3);
	ck_assert_double_lt(v.least_per_s, 0.8);
	v = verdict_on(&gains, 2);
	ck_assert_int_eq(v.fault, EXPANSION_GAINS);
	ck_assert(!v.high);
	ck_assert_double_gt(v.least_per_s, 0.3);
	ck_assert_double_lt(v.least_per_s, 1.5);
	v = verdict_on(&large, 3); /* a leak and heat at once would look the same */
	ck_assert_int_eq(v.fault, EXPANSION_EITHER);
	ck_assert(v.high);
	v = verdict_on(&small, 4);
	ck_assert_int_eq(v.fault, EXPANSION_VOLUME);
	ck_assert(!v.high && isnan(v.least_per_s));
}
END_TEST

/* Mean index 1.05: an inlet that leaks shows on the slow turns, where walls alone cannot make it so. */
START_TEST(a_small_inlet_leak_shows_on_the_slow_turns)
{
	struct made m = sound;
	m.loss = -0.9;
	m.fast_s = 0.1;
	m.slow_s = 0.65;
	struct expansion_verdict v = verdict_on(&m, 5);
	ck_assert_double_gt(v.index, 0.97);
	ck_assert_int_eq(v.fault, EXPANSION_GAINS);
}
END_TEST

START_TEST(one_speed_does_not_tell_a_leak_from_a_wrong_volume)
{
	struct made m = sound;
	m.fast_s = 0.30;
	m.slow_s = 0.31;
	m.loss = 1.0;
	struct expansion_verdict v = verdict_on(&m, 6);
	ck_assert_int_eq(v.fault, EXPANSION_EITHER);
	ck_assert(v.high);
	ck_assert_double_gt(v.least_per_s, 0.1);
}
END_TEST

/* What a lag of several times its doubt does grows with the speed; no leak and no volume does that. */
START_TEST(a_lag_that_is_longer_than_thought_is_no_leak)
{
	struct made m = sound;
	m.lag_s = -40e-3;
	m.heat = 0.1;
	struct expansion_verdict v = verdict_on(&m, 7);
	ck_assert_double_gt(v.index, 1.45);
	ck_assert_int_ne(v.fault, EXPANSION_LOSES);
}
END_TEST

START_TEST(few_stretches_say_nothing_and_many_are_thinned)
{
	static struct expansion x;
	struct expansion_verdict v;
	struct expansion_stretch s = {.index = 3, .slow_s = 0.3f};
	for (s.turn = 0; s.turn < 4; s.turn++)
		expansion_add(&x, &s);
	ck_assert_int_eq(expansion_judge(&x, 0, &v), 0);
	ck_assert(isnan(v.index) && isnan(expansion_index(&x)) && v.fault == EXPANSION_SOUND);
	for (; s.turn < 10 * EXPANSION_KEPT; s.turn++)
		expansion_add(&x, &s);
	ck_assert_uint_le(x.n, EXPANSION_KEPT);
	ck_assert_uint_ge(x.n, EXPANSION_KEPT / 2);
	for (size_t i = 0; i < x.n; i++)
		ck_assert_int_eq(x.kept[i].turn, (int64_t)(i * x.stride));
	ck_assert_double_eq(expansion_index(&x), 3);
}
END_TEST

int main(void)
{
	Suite *suite = suite_create("expansion");
	TCase *tc = tcase_create("expansion");
	tcase_set_timeout(tc, 120);
	tcase_add_test(tc, a_sound_end_is_not_blamed);
	tcase_add_test(tc, air_that_goes_or_comes_is_told_from_a_wrong_volume);
	tcase_add_test(tc, a_small_inlet_leak_shows_on_the_slow_turns);
	tcase_add_test(tc, one_speed_does_not_tell_a_leak_from_a_wrong_volume);
	tcase_add_test(tc, a_lag_that_is_longer_than_thought_is_no_leak);
	tcase_add_test(tc, few_stretches_say_nothing_and_many_are_thinned);
	suite_add_tcase(suite, tc);
	SRunner *runner = srunner_create(suite);
	srunner_run_all(runner, CK_NORMAL);
	int failed = srunner_ntests_failed(runner);
	srunner_free(runner);
	return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
