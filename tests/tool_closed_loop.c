/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The closed loop's table over thirty machines.  LOOP_MACHINES and LOOP_FIRST in the
 * environment choose fewer, or others. */
#include "common/unit.h"
#include "tests/closed_loop.h"

#include <check.h>
#include <stdio.h>
#include <stdlib.h>

struct tally {
	unsigned machines, useful, limits, within;
};

static void print_head(void)
{
	puts("   #  goal            rpm        bar  delay  useful %, of the stroke        rod force   work "
	     "J, a turn  "
	     "                 merit\n"
	     "                                       ms  found  1st   2nd   best  2nd/best  of limit   found "
	     " 1st    2nd  "
	     "  change   predicted          of best");
}

static void print_row(unsigned i, const struct loop_machine *m, const struct loop_result *r)
{
	const struct loop_ride *ride = r->ride;
	double force = r->peak_force_n[1] > r->peak_force_n[2] ? r->peak_force_n[1] : r->peak_force_n[2];
	printf("  %2u  %-14s %3.0f-%-3.0f  %4.2f  %5.1f  %5.1f %5.1f %5.1f %5.1f   %5.2f  %9.2f%c %7.1f "
	       "%6.1f %6.1f  "
	       "%+7.1f   %+6.1f (%+6.1f %+6.1f)%c  %5.2f\n",
	       i, plan_goal_name(m->aim.goal), m->rpm, m->rpm_to, m->supply_bar, m->delay_ms,
	       100 * ride[0].useful_fraction, 100 * ride[1].useful_fraction, 100 * ride[2].useful_fraction,
	       100 * r->best.useful_fraction, ride[2].useful_fraction / r->best.useful_fraction,
	       force / m->force_limit_n, r->limit_passed ? '!' : ' ', ride[0].work_j, ride[1].work_j,
	       ride[2].work_j, ride[1].work_j - ride[0].work_j, r->gain_j, r->gain_low_j, r->gain_high_j,
	       r->gain_within ? ' ' : '!', r->merit / loop_merit(m, r->best.work_j, r->best.air_kg));
	fflush(stdout);
}

static void count(struct tally *t, const struct loop_result *r)
{
	t->machines++;
	t->useful += r->ride[LOOP_ROUNDS].useful_fraction >= 0.85 * r->best.useful_fraction;
	t->limits += r->limit_passed;
	t->within += r->gain_within;
}

static unsigned from_environment(const char *name, unsigned fallback)
{
	const char *text = getenv(name);
	return text != NULL ? (unsigned)strtoul(text, NULL, 10) : fallback;
}

START_TEST(thirty_machines)
{
	unsigned n = from_environment("LOOP_MACHINES", 30), first = from_environment("LOOP_FIRST", 0);
	struct tally t = {0};
	print_head();
	for (unsigned i = first; i < first + n; i++) {
		struct loop_machine m;
		struct loop_result r;
		loop_draw(i, &m);
		loop_run(&m, &r);
		print_row(i, &m, &r);
		count(&t, &r);
	}
	printf("\nuseful angle at least 85 %% of the best's after two rounds: %u of %u\n"
	       "limits passed on planned rides: %u of %u machines\n"
	       "change of the work inside the interval predicted: %u of %u\n",
	       t.useful, t.machines, t.limits, t.machines, t.within, t.machines);
	ck_assert_uint_ge(t.useful * 30, t.machines * 28);
	ck_assert_uint_eq(t.limits, 0);
	ck_assert_uint_ge(t.within * 10, t.machines * 9);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("closed loop");
	TCase *c = tcase_create("closed loop");
	tcase_set_timeout(c, 0);
	tcase_add_test(c, thirty_machines);
	suite_add_tcase(s, c);
	SRunner *r = srunner_create(s);
	srunner_set_fork_status(r, CK_NOFORK);
	srunner_run_all(r, CK_ENV);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
