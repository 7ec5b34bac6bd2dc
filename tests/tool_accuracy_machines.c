/* SPDX-License-Identifier: GPL-3.0-or-later */
/* How well the crank of machines drawn at random is found, with gauges in the
 * chambers and without: a table over loads.  Arguments: first seed, how many. */
#include "common/unit.h"
#include "tests/crank_machine.h"
#include "tests/crank_score.h"

#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

static unsigned first = 1, seeds = 5;

static double theta(const void *ctx, double t_us)
{
	return machine_theta(ctx, t_us);
}

static void add(struct crank_score *c, const struct machine_ride *m, const struct engine *e)
{
	struct crank_ride ride = {e, &m->leg, theta, m, m->index_off_rad};
	struct crank_totals totals;
	crank_score_ride(c, &ride, &totals);
}

static void print(const char *load, const char *gauges, struct crank_score *c)
{
	crank_score_finish(c);
	printf("%-10s %-7s %8.4f %8.4f %8.4f %9zu %9.3f %4u of %u\n", load, gauges, c->rms_deg, c->p999_deg,
	       c->within_2sd, c->slips, 100 * c->flagged_part, c->refused, c->rides);
	fflush(stdout);
}

START_TEST(table)
{
	printf("%-10s %-7s %8s %8s %8s %9s %9s %9s\n", "load", "gauges", "rms", "p99.9", "within", "slips",
	       "flagged", "refused");
	printf("%-10s %-7s %8s %8s %8s %9s %9s\n", "", "", "deg", "deg", "2 sd", "unflagged", "%");
	for (enum machine_load load = 0; load < MACHINE_LOADS; load++) {
		struct crank_score with = {0}, without = {0};
		for (unsigned seed = first; seed < first + seeds; seed++) {
			struct machine_ride *m = machine_ride_new(load, seed);
			struct engine bare = m->engine;
			machine_without_gauges(&bare);
			add(&with, m, &m->engine);
			add(&without, m, &bare);
			machine_ride_free(m);
		}
		print(machine_load_name(load), "both", &with);
		print(machine_load_name(load), "none", &without);
	}
}
END_TEST

/* A chain that gives by 0.3 deg under the greatest torque, or not at all: the same rides with
 * the term for it and without. */
static void chain(double wind_deg)
{
	struct crank_score with = {0}, without = {0};
	double z2 = 0, worst = 0;
	unsigned told = 0;
	for (unsigned seed = first; seed < first + seeds; seed++) {
		struct machine_ride *m = machine_ride_chain(wind_deg, 90, seed);
		struct engine rigid = m->engine;
		struct wheel wheel;
		rigid.wind_up = false;
		add(&with, m, &m->engine);
		add(&without, m, &rigid);
		machine_ride_wheel(m, &wheel);
		double z =
		    (wheel.wind_rad_nm * 1800 / UNIT_PI - wind_deg) / (wheel.wind_sd_rad_nm * 1800 / UNIT_PI);
		told += wheel.wind_rad_nm != 0;
		z2 += z * z;
		worst = fmax(worst, fabs(z));
		machine_ride_free(m);
	}
	print("chain", "with", &with);
	print("chain", "without", &without);
	printf("  wind-up of %.3f deg at 10 N m: told in %u, z rms %.2f, worst %.2f\n", wind_deg, told,
	       sqrt(z2 / seeds), worst);
}

START_TEST(chains)
{
	chain(0.035);
	chain(0);
}
END_TEST

int main(int argc, char **argv)
{
	first = argc > 1 ? (unsigned)strtoul(argv[1], NULL, 10) : first;
	seeds = argc > 2 ? (unsigned)strtoul(argv[2], NULL, 10) : seeds;
	Suite *s = suite_create("machines");
	TCase *t = tcase_create("table");
	tcase_set_timeout(t, 0);
	tcase_add_test(t, table);
	tcase_add_test(t, chains);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_set_fork_status(r, CK_NOFORK);
	srunner_run_all(r, CK_ENV);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
