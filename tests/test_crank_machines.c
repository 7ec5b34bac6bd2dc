/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The crank of rehearsed machines: what is claimed holds, whatever drives and brakes it. */
#include "tests/crank_machine.h"
#include "tests/crank_score.h"

#include <check.h>
#include <stdlib.h>

static double theta(const void *ctx, double t_us)
{
	return machine_theta(ctx, t_us);
}

static struct crank_score score(enum machine_load load, unsigned seed, bool gauges)
{
	struct machine_ride *m = machine_ride_new(load, seed);
	struct crank_score c = {0};
	struct crank_totals totals;
	if (!gauges)
		machine_without_gauges(&m->engine);
	struct crank_ride ride = {&m->engine, &m->leg, theta, m, m->index_off_rad};
	ck_assert(crank_score_ride(&c, &ride, &totals));
	crank_score_finish(&c);
	machine_ride_free(m);
	return c;
}

/* A brake that holds the speed answers to every stroke: taken for a free
 * flywheel it looks like an eccentric wheel. */
START_TEST(a_stiff_brake_is_not_taken_for_a_bad_wheel)
{
	struct crank_score c = score(MACHINE_STIFF, 7, true);
	ck_assert_uint_eq(c.refused, 0);
	ck_assert_double_le(c.rms_deg, 0.05);
	ck_assert_double_ge(c.within_2sd, 0.9);
}
END_TEST

/* Valves answer late, so that their torque changes with the speed: without
 * gauges a vehicle's ride does not tell it from the wheel, and must not claim to. */
START_TEST(a_torque_that_moves_with_the_speed_is_not_trusted)
{
	struct crank_score c = score(MACHINE_VEHICLE, 4, false);
	ck_assert_double_ge(c.within_2sd, 0.9);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("crank of machines");
	TCase *t = tcase_create("machines");
	tcase_set_timeout(t, 120);
	tcase_add_test(t, a_stiff_brake_is_not_taken_for_a_bad_wheel);
	tcase_add_test(t, a_torque_that_moves_with_the_speed_is_not_trusted);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
