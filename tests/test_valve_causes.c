/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a valve's delay depends on: pressure, battery and a coil that warms up, told apart or left untold. */
#include "analyse/valve_events_causes.h"
#include "tests/road_rig.h"

#include <check.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Closed forms: on for one time constant 1 - 1/e, then off for one (1 - 1/e)/e. */
START_TEST(a_coil_warms_and_cools)
{
	struct coil_warmth c = {0, NAN, false};
	coil_switch(&c, 1e6, true);
	ck_assert_double_eq(c.warmth, 0);
	coil_switch(&c, 1e6 + 1e6 * COIL_WARMS_S, false);
	ck_assert_double_eq_tol(c.warmth, 0.632121, 1e-6);
	coil_switch(&c, 1e6 + 2e6 * COIL_WARMS_S, true);
	ck_assert_double_eq_tol(c.warmth, 0.232544, 1e-6);
}
END_TEST

#define EVENTS 400
#define PER_WARMTH 10e-3 /* s */
#define PER_BAR (-1e-3)
#define BAR 1e5

/* A coil on a quarter of the time for 400 s; a supply that swings, a battery that follows the warmth as far
 * as `tied` says. */
static struct valve_event_summary summary_of(gsl_rng *rng, double tied)
{
	struct valve_tally t = {0};
	struct valve_event_summary out;
	for (int i = 0; i < EVENTS; i++) {
		double warmth = 0.25 * (1 - exp(-i / (double)COIL_WARMS_S)), own = gsl_rng_uniform(rng);
		struct valve_event e = {.cls = EVENT_CLASS_A,
		                        .revolution = i,
		                        .omega_rad_s = 8 + gsl_rng_uniform(rng),
		                        .supply_pa = (5 + sin(i * 0.1)) * BAR,
		                        .battery_v = 13 - tied * warmth * 8 - (1 - tied) * own,
		                        .coil_warmth = warmth};
		e.delay_s = 20e-3 + PER_WARMTH * warmth + PER_BAR * (e.supply_pa / BAR - 5) +
		            gsl_ran_gaussian(rng, 0.4e-3);
		ck_assert_int_eq(valve_tally_add(&t, &e), 0);
	}
	memset(&out, 0, sizeof out);
	ck_assert_int_eq(valve_causes(&t.group[0], 0, &out), 0);
	valve_tally_free(&t);
	return out;
}

static bool holds(const struct valve_event_cause *c, double x)
{
	return c->per_ci95[0] < x && x < c->per_ci95[1];
}

START_TEST(warmth_and_pressure_are_told_apart)
{
	enum { SETS = 60 };
	unsigned warmth = 0, supply = 0, battery = 0;
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_taus2);
	char words[200];
	for (int i = 0; i < SETS; i++) {
		struct valve_event_summary s = summary_of(rng, 0.1);
		ck_assert_double_eq_tol(s.cause[CAUSE_WARMTH].per, PER_WARMTH, 6e-3);
		warmth += holds(&s.cause[CAUSE_WARMTH], PER_WARMTH);
		supply += holds(&s.cause[CAUSE_SUPPLY], PER_BAR / BAR);
		battery += holds(&s.cause[CAUSE_BATTERY], 0);
		ck_assert_ptr_nonnull(strstr(valve_causes_words(&s, words, sizeof words), "warmed up"));
		ck_assert_ptr_nonnull(strstr(words, "bar of supply"));
	}
	ck_assert_uint_ge(warmth * 100, SETS * 88);
	ck_assert_uint_ge(supply * 100, SETS * 88);
	ck_assert_uint_ge(battery * 100, SETS * 88);
	gsl_rng_free(rng);
}
END_TEST

/* The battery runs down as the coil warms up: one of the two, nobody knows which. */
START_TEST(what_went_with_the_battery_is_not_called_warmth)
{
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_taus2);
	struct valve_event_summary s = summary_of(rng, 1);
	char words[200];
	ck_assert(isnan(s.cause[CAUSE_WARMTH].per));
	ck_assert_double_lt(s.cause[CAUSE_WARMTH].alike, -0.9);
	ck_assert_double_lt(s.cause[CAUSE_BATTERY].per_ci95[1], 0);
	ck_assert_ptr_nonnull(strstr(valve_causes_words(&s, words, sizeof words),
	                             "warmed up meanwhile, which may be the cause"));
	gsl_rng_free(rng);
}
END_TEST

/* Of the cap exhaust's opening: by how much the delay really grew, and what the report says of it. */
static const struct valve_event_summary *release(const struct road *r)
{
	for (size_t i = 0; i < r->report->event_n; i++)
		if (r->report->event[i].end == END_CAP && r->report->event[i].event == EVENT_RELEASE)
			return &r->report->event[i];
	return NULL;
}

/* _i: 0 coils that their warmth leaves alone, 1 such as it slows by 50 ms; the exhausts' are on nearly half
 * of the time, for 100 s. */
START_TEST(a_rehearsed_coil_warms_up)
{
	const char *slows = _i ? "warm_delay=50" : "warm_delay=0";
	const char *const words[] = {"--ride", "late",    "--duration", "100",      "--set", "drive=1",
	                             "--set",  "rpm=75",  "--set",      "rate=400", "--set", "rpm_to=80",
	                             "--set",  "sweep=7", "--set",      slows,      NULL};
	struct road *r = road_ride("sample-logs/number7.ini", LINK_FRAMES, words);
	ck_assert_int_eq(r->status, 0);
	const struct valve_event_summary *s = release(r);
	ck_assert_ptr_nonnull(s);
	const struct valve_event_cause *c = &s->cause[CAUSE_WARMTH];
	ck_assert_double_gt(c->high - c->low, 0.05);
	ck_assert(holds(c, _i * 50e-3));
	ck_assert_int_eq(strstr(s->words, "as its coil warmed up") != NULL, _i);
	road_free(r);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("causes of a delay");
	TCase *c = tcase_create("causes of a delay");
	tcase_set_timeout(c, 120);
	tcase_add_test(c, a_coil_warms_and_cools);
	tcase_add_test(c, warmth_and_pressure_are_told_apart);
	tcase_add_test(c, what_went_with_the_battery_is_not_called_warmth);
	tcase_add_loop_test(c, a_rehearsed_coil_warms_up, 0, 2);
	suite_add_tcase(s, c);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_ENV);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
