/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The supply's pressure without its sensor's noise, beside the same ride without noise. */
#include "analyse/valve_events_internal.h"
#include "tests/chamber_found.h"

#include <check.h>
#include <math.h>
#include <stdlib.h>

struct errors { /* rms, Pa */
	double told, short_mean, raw;
};

static double mean_around(const struct ride_series *s, size_t i)
{
	double sum = 0, n = 0;
	for (size_t j = i < 3 ? 0 : i - 3; j <= i + 3 && j < s->n; j++) {
		sum += (double)s->value[j];
		n++;
	}
	return sum / n;
}

static struct errors errors_of(const struct found *f, const struct rig *quiet)
{
	const struct ride_series *s = &f->rig->leg.sensor[0], *is = &quiet->leg.sensor[0];
	struct errors e = {0};
	ck_assert_uint_eq(s->n, is->n);
	for (size_t i = 0; i < s->n; i++) {
		double true_pa = (double)is->value[i];
		e.told += pow((double)f->v->supply_smooth[i] - true_pa, 2);
		e.short_mean += pow(mean_around(s, i) - true_pa, 2);
		e.raw += pow((double)s->value[i] - true_pa, 2);
	}
	double n = (double)s->n;
	return (struct errors){sqrt(e.told / n), sqrt(e.short_mean / n), sqrt(e.raw / n)};
}

/* The same random numbers are drawn for a ride whose noise is nought: all moves are the same. */
static struct errors compare(const struct rig_setup *s)
{
	struct rig_setup quiet = *s;
	struct found f;
	quiet.noise_of_scale = 0;
	quiet.bits = 0;
	struct rig *is = rig_run(&quiet);
	found_run(s, &f);
	struct errors e = errors_of(&f, is);
	found_done(&f);
	rig_free(is);
	return e;
}

/* _i: 0 one speed, 1 a sweep, 2 the tank empties meanwhile. */
START_TEST(what_turns_have_in_common_is_told_from_noise)
{
	struct rig_setup s = _i == 1 ? found_short_ride() : rig_healthy();
	if (_i != 1) {
		s.seconds = 40;
		s.rpm_from = s.rpm_to = 90;
	}
	s.supply_to_pa = _i == 2 ? 4e5 : 0;
	struct errors e = compare(&s);
	ck_assert_double_lt(fabs(e.raw / 5e3 - 1), 0.05);
	ck_assert_double_lt(e.told, 0.75 * e.short_mean);
}
END_TEST

/* Rare samples: a short mean holds one of them. */
START_TEST(rare_samples_gain_most)
{
	struct rig_setup s = rig_healthy();
	s.seconds = 40;
	s.sample_s = 5e-3;
	struct errors e = compare(&s);
	ck_assert_double_lt(e.told, 0.5 * e.raw);
}
END_TEST

/* One movement in ten is missed, the supply does not droop: a turn's own short mean tells. */
START_TEST(a_turn_unlike_the_others_has_its_own_mean)
{
	struct rig_setup s = rig_healthy();
	s.seconds = 40;
	s.missed_share = 0.1;
	s.droop_pa = 4e4; /* twice the usual */
	struct errors e = compare(&s);
	ck_assert_double_lt(e.told, e.short_mean);
}
END_TEST

int main(void)
{
	Suite *suite = suite_create("the supply's pressure");
	TCase *tc = tcase_create("the supply's pressure");
	tcase_set_timeout(tc, 120);
	tcase_add_loop_test(tc, what_turns_have_in_common_is_told_from_noise, 0, 3);
	tcase_add_test(tc, rare_samples_gain_most);
	tcase_add_test(tc, a_turn_unlike_the_others_has_its_own_mean);
	suite_add_tcase(suite, tc);
	SRunner *runner = srunner_create(suite);
	srunner_run_all(runner, CK_NORMAL);
	int failed = srunner_ntests_failed(runner);
	srunner_free(runner);
	return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
