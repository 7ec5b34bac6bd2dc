/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The air of a turn in three ways: each holds the truth of a simulated ride, and
 * a tank that is not as large as the engine file says is found out. */
#include "analyse/air_ways.h"

#include "common/air.h"
#include "common/unit.h"
#include "tests/road_rig.h"

#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define ENGINE "sample-logs/number7.ini"
#define T_K 290.0
#define TANK_M3 0.05
#define SAMPLES 4000

/* A tank sensor's samples, 1 kHz, falling evenly in time. */
static struct air_known air_of_fall(double from_pa, double to_pa, double turns)
{
	static int64_t t_us[SAMPLES];
	static float value[SAMPLES];
	const struct engine e = {.air_k = T_K, .tank_m3 = TANK_M3, .sensor = {{.role = SENSOR_TANK}}};
	struct leg leg = {.core_from_us = 0, .core_to_us = SAMPLES * 1000};
	for (int i = 0; i < SAMPLES; i++) {
		t_us[i] = i * 1000;
		/* the first and the last block level, so that their means are known */
		double part = fmin(fmax((i - 600) / (SAMPLES - 1700.0), 0), 1);
		value[i] = (float)(from_pa + part * (to_pa - from_pa));
	}
	leg.sensor[0] = (struct ride_series){.n = SAMPLES, .t_us = t_us, .value = value};
	struct tank_watch w = {0};
	tank_watch_add(&w, &e, &leg);
	return tank_watch_air(&w, &e, turns);
}

START_TEST(a_tank_loses_what_the_gas_law_says)
{
	/* Ideal gas: m = p V / (R T).  Between no cooling and cooling as without heat. */
	struct air_known air = air_of_fall(11e5, 8e5, 40);
	double start_kg = 11e5 * TANK_M3 / (287.05 * T_K);
	double warm = start_kg * 3 / 11 / 40, cold = start_kg * (1 - pow(8.0 / 11, 1 / 1.4)) / 40;
	ck_assert_double_eq_tol(air.kg, (warm + cold) / 2, 1e-3 * warm);
	ck_assert_double_le(air.kg - air.half_width_kg, cold);
	ck_assert_double_ge(air.kg + air.half_width_kg, warm);
}
END_TEST

START_TEST(a_tank_that_tells_nothing_says_so)
{
	ck_assert(isnan(air_of_fall(11e5, 10.9e5, 40).kg)); /* hardly fell */
	ck_assert(isnan(air_of_fall(8e5, 11e5, 40).kg));    /* filled */
	ck_assert(isnan(air_of_fall(11e5, 8e5, 0).kg));     /* no turn */
}
END_TEST

static struct road *ride(const char *setting)
{
	const char *const words[] = {"--ride", "late",  "--duration", "8", "--seed",
	                             "5",      "--set", setting,      NULL};
	struct road *r = road_ride(ENGINE, LINK_FRAMES, words);
	ck_assert_msg(r->status == 0, "%s", r->fault.text);
	return r;
}

static bool warned(const struct road *r)
{
	for (size_t i = 0; i < r->report->warnings.n; i++)
		if (strstr(r->report->warnings.line[i], "The air of a turn does not agree") != NULL)
			return true;
	return false;
}

START_TEST(all_ways_hold_the_truth)
{
	struct road *r = ride("tank=14");
	double truth_kg = (r->truth[END_CAP].air_g + r->truth[END_ROD].air_g) * 1e-3;
	for (int w = 0; w < AIR_WAYS; w++) {
		const struct air_known *x = &r->report->air[w];
		ck_assert_msg(fabs(x->kg - truth_kg) <= x->half_width_kg, "%s: %.3f +/- %.3f g, truth %.3f g",
		              air_way_name((enum air_way)w), 1e3 * x->kg, 1e3 * x->half_width_kg,
		              1e3 * truth_kg);
	}
	ck_assert(!warned(r));
	/* The simulated strokes too take the air as cold as the emptied tank gives it. */
	const struct report *report = r->report;
	double warm_kg = 0;
	for (int end = 0; end < END_COUNT; end++) {
		ck_assert_double_lt(report->stroke[end].supply_k, report->engine.air_k - 1);
		warm_kg += report->gains[end].simulated_air_kg;
	}
	ck_assert_double_gt(report->air[AIR_BY_VALVES].kg, 1.003 * warm_kg);
	road_free(r);
}
END_TEST

START_TEST(a_smaller_tank_than_said_is_found_out)
{
	struct road *r = ride("tank_volume=25"); /* the engine file says 50 l */
	ck_assert(warned(r));
	char *text = road_report(r, 0);
	ck_assert_ptr_nonnull(strstr(text, "the tank's fall of"));
	free(text);
	road_free(r);
}
END_TEST

/* Where two ways disagree, the air of a turn reaches to the end of the farther one. */
START_TEST(the_interval_reaches_as_far_as_the_ways_do)
{
	struct air_known way[AIR_WAYS] = {{1.0, 0.08}, {1.1, 0.1}, {1.05, 0.05}};
	ck_assert_double_eq(air_ways_reach_kg(way), 0.08);
	way[AIR_BY_TANK] = (struct air_known){1.4, 0.1};
	ck_assert_double_eq_tol(air_ways_reach_kg(way), 0.5, 1e-12);
	way[AIR_BY_TANK] = way[AIR_BY_VALVES] = (struct air_known){NAN, NAN};
	ck_assert_double_eq(air_ways_reach_kg(way), 0.08);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("air_ways");
	TCase *c = tcase_create("air_ways");
	tcase_set_timeout(c, 60);
	tcase_add_test(c, a_tank_loses_what_the_gas_law_says);
	tcase_add_test(c, a_tank_that_tells_nothing_says_so);
	tcase_add_test(c, all_ways_hold_the_truth);
	tcase_add_test(c, a_smaller_tank_than_said_is_found_out);
	tcase_add_test(c, the_interval_reaches_as_far_as_the_ways_do);
	suite_add_tcase(s, c);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
