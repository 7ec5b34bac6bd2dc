/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What fixing one thing alone would gain: against a second ride of the simulated
 * engine, whose physics are not this model's, and against itself. */
#include "analyse/gains.h"

#include "common/unit.h"
#include "tests/road_rig.h"

#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define ENGINE "sample-logs/number7.ini"

/* A late ride held at exactly 150 rpm; `change` (NULL or one more setting) put in the engine itself. */
static struct road *ride_with(const char *change)
{
	const char *const words[] = {"--ride",     "late",
	                             "--duration", "4",
	                             "--seed",     "31",
	                             "--set",      "drive=1",
	                             "--set",      "rpm=150",
	                             "--set",      "interpolate=1",
	                             "--set",      change != NULL ? change : "interpolate=1",
	                             NULL};
	struct road *r = road_ride(ENGINE, LINK_FRAMES, words);
	ck_assert_msg(r->status == 0, "%s", r->fault.text);
	return r;
}

/* The simulated engine keeps its own energy balance with walls, line, regulator and leaks; its truth
 * says what the change really brought. */
START_TEST(a_change_brings_what_was_foretold)
{
	static const struct {
		enum gain_cause cause;
		const char *change;
	} CASE[] = {{GAIN_ADMISSION, "lead_open.0=23"},
	            {GAIN_CUT_OFF, "lead_shut.0=29"},
	            {GAIN_RELEASE, "lead_open.1=23"},
	            {GAIN_PASSAGES, "c=6"}};
	struct road *before = ride_with(NULL);
	const struct gains *g = &before->report->gains[END_CAP];
	const struct road_truth_mean *was = &before->truth[END_CAP];
	ck_assert_msg(g->known, "%s", g->why);
	for (size_t i = 0; i < sizeof CASE / sizeof *CASE; i++) {
		struct road *after = ride_with(CASE[i].change);
		const struct gain *x = &g->gain[CASE[i].cause];
		double work = after->truth[END_CAP].work_j - was->work_j;
		double air = after->truth[END_CAP].air_g - was->air_g;
		ck_assert_msg(fabs(work - x->work_j) < fmax(2.5, 0.06 * fabs(work)) &&
		                  fabs(air - 1e3 * x->air_kg) < 0.03,
		              "%s: foretold %+.2f J %+.3f g; was %+.2f J %+.3f g", gain_name(CASE[i].cause),
		              x->work_j, 1e3 * x->air_kg, work, air);
		/* Within what was said it may be off by, which is little enough to be of use. */
		ck_assert_msg(fabs(work - x->work_j) < x->work_error_j &&
		                  fabs(air - 1e3 * x->air_kg) < 1e3 * x->air_error_kg,
		              "%s: foretold %+.2f +/- %.2f J %+.3f +/- %.3f g; was %+.2f J %+.3f g",
		              gain_name(CASE[i].cause), x->work_j, x->work_error_j, 1e3 * x->air_kg,
		              1e3 * x->air_error_kg, work, air);
		double per_air =
		    after->truth[END_CAP].work_j / after->truth[END_CAP].air_g - was->work_j / was->air_g;
		ck_assert_msg(fabs(per_air - 1e-3 * x->j_per_kg) < 1e-3 * x->j_per_kg_error,
		              "%s: foretold %+.2f +/- %.2f J/g; was %+.2f", gain_name(CASE[i].cause),
		              1e-3 * x->j_per_kg, 1e-3 * x->j_per_kg_error, per_air);
		ck_assert_double_lt(x->work_error_j, 0.1 * g->measured_j);
		ck_assert_double_lt(x->air_error_kg, 0.1 * g->simulated_air_kg);
		road_free(after);
	}
	road_free(before);
}
END_TEST

static void check_shares_and_ranks(struct road *road)
{
	for (int end = 0; end < END_COUNT; end++) {
		const struct gains *g = &road->report->gains[end];
		ck_assert_msg(g->known, "%s", g->why);
		ck_assert_double_lt(fabs(g->simulated_j / g->measured_j - 1), 0.1);
		double work = 0, air = 0;
		for (int c = 0; c < GAIN_CAUSES; c++) {
			ck_assert(isfinite(g->gain[c].work_j));
			work += g->gain[c].share_j;
			air += g->gain[c].share_kg;
		}
		ck_assert_double_eq_tol(work, g->all_j, 1e-9 * g->measured_j);
		ck_assert_double_eq_tol(air, g->all_kg, 1e-12);
		for (int i = 1; i < GAIN_CAUSES; i++) {
			ck_assert_double_ge(g->gain[g->by_work[i - 1]].work_j, g->gain[g->by_work[i]].work_j);
			ck_assert_double_ge(g->gain[g->by_air[i - 1]].j_per_kg,
			                    g->gain[g->by_air[i]].j_per_kg);
		}
		/* Everything 30 deg late: what keeps the exhaust shut costs work, what holds the inlet
		 * open costs air. */
		ck_assert_double_gt(g->gain[GAIN_RELEASE].work_j, 1);
		ck_assert_double_gt(g->gain[GAIN_ADMISSION].work_j, 2);
		ck_assert_double_lt(g->gain[GAIN_CUT_OFF].air_kg, -2e-4);
	}
}

/* Nothing is said where model and measurement part. */
static void check_agreement(struct road *road)
{
	struct gains g[END_COUNT];
	struct report *r = road->report;
	double right = r->stroke[END_CAP].work_j;
	r->stroke[END_CAP].work_j = r->gains[END_CAP].simulated_j / 1.16;
	gains_reckon(r, g);
	ck_assert(!g[END_CAP].known);
	ck_assert_ptr_nonnull(strstr(g[END_CAP].why, "too far apart"));
	ck_assert(g[END_ROD].known);
	char *text = road_report(road, 0);
	ck_assert_ptr_nonnull(strstr(text, "What fixing one thing alone"));
	free(text);
	r->stroke[END_CAP].work_j = right;
	r->has_strokes[END_ROD] = false;
	gains_reckon(r, g);
	ck_assert(g[END_CAP].known && !g[END_ROD].known);
	r->has_strokes[END_ROD] = true;
}

static void check_on_time_gains_nothing(struct road *road)
{
	struct report *r = road->report;
	struct gains g[END_COUNT];
	for (size_t i = 0; i < r->event_n; i++)
		if (r->event[i].event == EVENT_RELEASE)
			r->event[i].intended_rad = r->event[i].actual_rad;
	gains_reckon(r, g);
	for (int end = 0; end < END_COUNT; end++) {
		ck_assert_double_eq_tol(g[end].gain[GAIN_RELEASE].work_j, 0, 1e-3);
		ck_assert_double_eq_tol(g[end].gain[GAIN_RELEASE].share_j, 0, 1e-3);
	}
}

START_TEST(shares_ranks_and_agreement)
{
	struct road *road = ride_with(NULL);
	check_shares_and_ranks(road);
	check_agreement(road);
	check_on_time_gains_nothing(road);
	road_free(road);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("gains");
	TCase *c = tcase_create("gains");
	tcase_set_timeout(c, 60);
	tcase_add_test(c, a_change_brings_what_was_foretold);
	tcase_add_test(c, shares_ranks_and_agreement);
	suite_add_tcase(s, c);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
