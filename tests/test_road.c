/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The whole road of a ride: what the report says beside what really happened.
 * The truth comes from the simulated engine, whose physics (energy balance)
 * are not the analysis's (polytropic). */
#include "tests/road_rig.h"

#include "common/unit.h"

#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define DEMO "sample-logs/number7.ini"
#define WORDS(...) ((const char *const[]){__VA_ARGS__, NULL})

static void expect_analysed(const struct road *r)
{
	ck_assert_msg(r->status == 0, "%s", r->fault.text);
}

/* rms of the angle error over edges not flagged, deg; *worst the largest. */
static double angle_rms(const struct road *r, double *worst, size_t *flagged)
{
	double sum = 0;
	size_t n = 0;
	*worst = 0;
	*flagged = 0;
	for (size_t i = 0; i < r->edges; i++) {
		const struct road_edge *e = &r->edge[i];
		double error = remainder(e->theta_deg - e->true_deg, 360);
		*flagged += e->flagged;
		if (e->flagged)
			continue;
		sum += error * error;
		*worst = fmax(*worst, fabs(error));
		n++;
	}
	ck_assert_uint_gt(n, 1000);
	return sqrt(sum / (double)n);
}

/* Mean delay and event angle against truth over the events found. */
static void expect_means(const struct road *r, unsigned end, unsigned kind, double tol_ms, double tol_deg)
{
	double ms = 0, deg = 0;
	unsigned n = 0;
	for (size_t i = 0; i < r->events; i++) {
		const struct road_event *e = &r->event[i];
		if (e->end != end || e->event != kind || e->flagged || isnan(e->delay_ms) ||
		    isnan(e->true_delay_ms))
			continue;
		ms += e->delay_ms - e->true_delay_ms;
		deg += remainder(e->event_deg - e->true_event_deg, 360);
		n++;
	}
	ck_assert_uint_ge(n, 20);
	ck_assert_msg(fabs(ms / n) <= tol_ms, "end %u %s: mean delay off by %.2f ms", end,
	              valve_event_name((enum valve_event_kind)kind), ms / n);
	ck_assert_msg(fabs(deg / n) <= tol_deg, "end %u %s: mean angle off by %.2f deg", end,
	              valve_event_name((enum valve_event_kind)kind), deg / n);
}

START_TEST(the_late_ride_is_read_as_it_was)
{
	struct road *r =
	    road_ride(DEMO, LINK_FRAMES, WORDS("--ride", "late", "--duration", "25", "--seed", "11"));
	expect_analysed(r);
	for (int end = 0; end < END_COUNT; end++) {
		const struct valve_event_summary *admission =
		    road_row(r, (enum engine_end)end, EVENT_ADMISSION);
		const struct valve_event_summary *release = road_row(r, (enum engine_end)end, EVENT_RELEASE);
		ck_assert(admission != NULL && release != NULL);
		ck_assert_str_eq(admission->verdict, "late");
		ck_assert_str_eq(release->verdict, "late");
		expect_means(r, (unsigned)end, EVENT_ADMISSION, 2, 1.5);
		expect_means(r, (unsigned)end, EVENT_RELEASE, 2, 1.5);
		expect_means(r, (unsigned)end, EVENT_CUT_OFF, 2, 1.5);
		const struct stroke_summary *s = &r->report->stroke[end];
		ck_assert_uint_ge(s->count, 20);
		ck_assert_double_eq_tol(unit_deg(s->useful_rad), r->truth[end].useful_deg, 3);
		ck_assert_double_eq_tol(s->work_j / r->truth[end].work_j, 1, 0.02);
	}
	road_free(r);
}
END_TEST

START_TEST(early_events_are_named_early)
{
	struct road *r =
	    road_ride(DEMO, LINK_FRAMES,
	              WORDS("--ride", "tuned", "--duration", "25", "--lead-ms", "45", "--seed", "3"));
	expect_analysed(r);
	for (int end = 0; end < END_COUNT; end++)
		ck_assert_str_eq(road_row(r, (enum engine_end)end, EVENT_ADMISSION)->verdict, "early");
	road_free(r);
}
END_TEST

START_TEST(error_is_count_plus_firing_plus_delay_on_every_event)
{
	struct road *r =
	    road_ride(DEMO, LINK_FRAMES, WORDS("--ride", "sensor", "--duration", "25", "--seed", "5"));
	expect_analysed(r);
	unsigned n = 0;
	for (size_t i = 0; i < r->events; i++) {
		if (isnan(r->event[i].closure_deg))
			continue;
		ck_assert_double_eq_tol(r->event[i].closure_deg, 0, 1e-9);
		n++;
	}
	ck_assert_uint_ge(n, 100);
	road_free(r);
}
END_TEST

START_TEST(missed_and_false_teeth_do_not_move_the_angle)
{
	struct road *r = road_ride(DEMO, LINK_FRAMES,
	                           WORDS("--ride", "late", "--duration", "40", "--seed", "21", "--set",
	                                 "miss=0.02", "--set", "extra=0.01", "--set", "index_miss=0.03"));
	expect_analysed(r);
	double worst;
	size_t flagged;
	double rms = angle_rms(r, &worst, &flagged);
	ck_assert_msg(rms <= 0.5, "rms %.3f deg", rms);
	ck_assert_msg(worst <= 3, "an edge not flagged is off by %.2f deg: a slip", worst);
	ck_assert_uint_lt(flagged * 20, r->edges);
	ck_assert_uint_gt(r->report->crank.teeth_missed, 0);
	ck_assert_uint_gt(r->report->crank.teeth_extra, 0);
	ck_assert_uint_gt(r->report->controller_slips, 0);
	road_free(r);
}
END_TEST

START_TEST(a_healthy_ride_has_no_slips)
{
	struct road *r =
	    road_ride(DEMO, LINK_FRAMES, WORDS("--ride", "tuned", "--duration", "25", "--seed", "2"));
	expect_analysed(r);
	ck_assert_uint_eq(r->report->controller_slips, 0);
	ck_assert_uint_eq(r->report->crank.teeth_missed, 0);
	ck_assert_uint_eq(r->report->crank.teeth_extra, 0);
	ck_assert_uint_eq(r->report->crank.index_missed, 0);
	road_free(r);
}
END_TEST

START_TEST(both_links_give_the_same_report_byte_for_byte)
{
	char *text[2], *json[2];
	for (int link = 0; link < 2; link++) {
		struct road *r = road_ride(DEMO, (enum link_kind)link,
		                           WORDS("--ride", "late", "--duration", "20", "--seed", "4"));
		expect_analysed(r);
		snprintf(r->report->file, sizeof r->report->file,
		         "ride"); /* the directory's name is random */
		text[link] = road_report(r, 0);
		json[link] = road_report(r, 1);
		road_free(r);
	}
	ck_assert_str_eq(text[0], text[1]);
	ck_assert_str_eq(json[0], json[1]);
	for (int link = 0; link < 2; link++) {
		free(text[link]);
		free(json[link]);
	}
}
END_TEST

/* A machine unlike the demo's: a crosshead with offset, 48 teeth of which both
 * edges count, other bore and delays. */
START_TEST(another_machine_is_read_as_well)
{
	char path[] = "/tmp/trammel-engine-XXXXXX";
	int fd = mkstemp(path);
	FILE *f = fdopen(fd, "w");
	fputs(
	    "[engine]\nname = Pump house\nmechanism = crosshead\nrod length = 240 mm\noffset = 4 mm\n"
	    "crank radius = 40 mm\nbore = 50 mm\nrod = 16 mm\nclearance cap = 12 ml\nclearance rod = 13 ml\n"
	    "ambient = 0.98 bar\nair temperature = 9 degC\n"
	    "[teeth]\ncount = 48\nedges = both\nindex angle = 201 deg\n"
	    "[valve 3]\nrole = cap inlet\nopens = 5 deg\nshuts = 110 deg\n"
	    "[valve 1]\nrole = cap exhaust\nopens = 165 deg\nshuts = 345 deg\n"
	    "[valve 0]\nrole = rod inlet\nopens = 185 deg\nshuts = 290 deg\n"
	    "[valve 2]\nrole = rod exhaust\nopens = 345 deg\nshuts = 165 deg\n"
	    "[sensor 2]\nrole = supply\nlow = 50 counts, 0 bar gauge\nhigh = 1000 counts, 12 bar gauge\n"
	    "[sensor 0]\nrole = cap\nlow = 50 counts, 0 bar gauge\nhigh = 1000 counts, 12 bar gauge\n"
	    "[sensor 1]\nrole = rod\nlow = 50 counts, 0 bar gauge\nhigh = 1000 counts, 12 bar gauge\n",
	    f);
	fclose(f);
	struct road *r =
	    road_ride(path, LINK_LINES,
	              WORDS("--ride", "constant", "--duration", "25", "--set", "rpm=110", "--set",
	                    "open_delay=17", "--set", "shut_delay=9", "--set", "count_edges=2"));
	remove(path);
	expect_analysed(r);
	double worst;
	size_t flagged;
	ck_assert_double_le(angle_rms(r, &worst, &flagged), 0.5);
	for (unsigned end = 0; end < END_COUNT; end++) {
		expect_means(r, end, EVENT_ADMISSION, 2, 1.5);
		expect_means(r, end, EVENT_RELEASE, 2, 1.5);
		ck_assert_double_eq_tol(r->report->stroke[end].work_j / r->truth[end].work_j, 1, 0.02);
		ck_assert_double_eq_tol(unit_deg(r->report->stroke[end].useful_rad), r->truth[end].useful_deg,
		                        3);
	}
	road_free(r);
}
END_TEST

static void expect_words(const struct report_lines *l, const char *words)
{
	for (size_t i = 0; i < l->n; i++)
		if (strstr(l->line[i], words) != NULL)
			return;
	ck_abort_msg("the report does not say \"%s\"", words);
}

/* Text lines of the late ride: made once, before the cases go their ways. */
static char *late_lines;

static void make_late_lines(void)
{
	late_lines = road_lines(DEMO, WORDS("--ride", "late", "--duration", "12"), NULL);
}

static void free_late_lines(void)
{
	free(late_lines);
}

/* The late ride without one kind of record. */
static struct road *ride_without(const char *kind)
{
	char *lines = road_lines_without(late_lines, kind);
	struct road *r = road_bytes(DEMO, LINK_LINES, (const uint8_t *)lines, strlen(lines));
	free(lines);
	return r;
}

START_TEST(without_an_index_the_angle_has_no_zero_and_the_report_says_so)
{
	struct road *r = ride_without("index");
	expect_analysed(r);
	ck_assert(!r->report->wheel.aligned);
	ck_assert_double_gt(r->report->revolutions, 10);
	expect_words(&r->report->warnings, "no zero");
	for (size_t i = 0; i < r->report->event_n; i++)
		ck_assert(isnan(r->report->event[i].error_rad));
	road_free(r);
}
END_TEST

START_TEST(without_pressures_count_and_firing_are_still_told)
{
	struct road *r = ride_without("sample");
	expect_analysed(r);
	expect_words(&r->report->warnings, "No stroke of the cap end");
	const struct valve_event_summary *a = road_row(r, END_CAP, EVENT_ADMISSION);
	ck_assert_ptr_nonnull(a);
	ck_assert_uint_eq(a->count, 0);
	ck_assert(isnan(a->delay_s) && isnan(a->actual_rad));
	ck_assert_str_eq(a->verdict, "not known");
	ck_assert(!isnan(a->firing_error_rad) && !isnan(a->commanded_rad));
	char *json = road_report(r, 1);
	ck_assert_ptr_nonnull(strstr(json, "\"delay_ms\": null"));
	ck_assert_ptr_null(strstr(json, "nan"));
	free(json);
	road_free(r);
}
END_TEST

START_TEST(without_commands_nothing_is_said_of_valves)
{
	struct road *r = ride_without("valve");
	expect_analysed(r);
	ck_assert_uint_eq(r->report->event_n, 0);
	expect_words(&r->report->warnings, "no valve commands");
	ck_assert_uint_gt(r->report->stroke[END_CAP].count, 5);
	road_free(r);
}
END_TEST

START_TEST(without_teeth_the_report_still_comes)
{
	struct road *r = ride_without("tooth");
	expect_analysed(r);
	ck_assert(!r->report->has_crank);
	expect_words(&r->report->warnings, "too few tooth edges");
	char *text = road_report(r, 0);
	ck_assert_ptr_nonnull(strstr(text, "bar gauge")); /* the supply was measured */
	ck_assert_ptr_null(strstr(text, "nan"));
	free(text);
	road_free(r);
}
END_TEST

START_TEST(an_engine_file_of_another_machine_is_named)
{
	char *lines = road_lines(DEMO, WORDS("--ride", "constant", "--duration", "12"), NULL);
	struct road *r =
	    road_bytes("tests/data/wrong_teeth.ini", LINK_LINES, (const uint8_t *)lines, strlen(lines));
	free(lines);
	ck_assert_int_eq(r->status, -1);
	ck_assert_ptr_nonnull(strstr(r->fault.text, "36"));
	ck_assert_ptr_nonnull(strstr(r->fault.text, "40"));
	ck_assert_int_ne(r->fault.exit_code, 0);
	road_free(r);
}
END_TEST

START_TEST(damaged_lines_are_counted_and_the_rest_is_used)
{
	char *lines = strdup(late_lines);
	size_t n = strlen(lines);
	for (size_t i = 5000; i < n; i += 9973)
		lines[i] = '~';
	struct road *r = road_bytes(DEMO, LINK_LINES, (const uint8_t *)lines, n);
	free(lines);
	expect_analysed(r);
	ck_assert_uint_gt(r->report->counts.damaged_bytes, 500);
	ck_assert_uint_ge(r->report->stroke[END_CAP].count, 10);
	road_free(r);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("road");
	TCase *t = tcase_create("road");
	tcase_set_timeout(t, 120);
	tcase_add_unchecked_fixture(t, make_late_lines, free_late_lines);
	tcase_add_test(t, the_late_ride_is_read_as_it_was);
	tcase_add_test(t, early_events_are_named_early);
	tcase_add_test(t, error_is_count_plus_firing_plus_delay_on_every_event);
	tcase_add_test(t, missed_and_false_teeth_do_not_move_the_angle);
	tcase_add_test(t, a_healthy_ride_has_no_slips);
	tcase_add_test(t, both_links_give_the_same_report_byte_for_byte);
	tcase_add_test(t, another_machine_is_read_as_well);
	tcase_add_test(t, without_an_index_the_angle_has_no_zero_and_the_report_says_so);
	tcase_add_test(t, without_pressures_count_and_firing_are_still_told);
	tcase_add_test(t, without_commands_nothing_is_said_of_valves);
	tcase_add_test(t, without_teeth_the_report_still_comes);
	tcase_add_test(t, an_engine_file_of_another_machine_is_named);
	tcase_add_test(t, damaged_lines_are_counted_and_the_rest_is_used);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
