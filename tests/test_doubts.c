/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Rides and engine files with something wrong: each is named, and a healthy one
 * raises no doubt. */
#include "analyse/doubts.h"
#include "tests/doubts_rig.h"
#include "tests/report_rig.h"

#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static const char *const DOUBT[] = {"too few for means", "Slow (", "gauge reads about",
                                    "reads more than the supply", "expands with index"};
enum { FEW, SLOW, ZERO, GAIN, CLEARANCE, DOUBTS };

/* Which of the doubts are raised, a bit each. */
static unsigned raised(const struct road *r)
{
	unsigned bits = 0;
	for (unsigned d = 0; d < DOUBTS; d++)
		bits |= doubts_line(r, DOUBT[d]) != NULL ? 1u << d : 0;
	return bits;
}

START_TEST(a_healthy_ride_raises_no_doubt)
{
	struct road *r = doubts_ride(WORDS(STEADY, "rpm=200", "--duration", "6"));
	ck_assert_uint_eq(raised(r), 0);
	ck_assert_ptr_nonnull(doubts_line(r, "harm hearing")); /* released at 2 bar gauge */
	ck_assert_ptr_null(r->report->held_back);
	road_free(r);
}
END_TEST

START_TEST(a_short_ride_is_called_short)
{
	struct road *r = doubts_ride(WORDS(STEADY, "rpm=150", "--duration", "2"));
	ck_assert_uint_eq(raised(r), 1u << FEW);
	road_free(r);
}
END_TEST

START_TEST(a_slow_ride_is_called_slow)
{
	struct road *r = doubts_ride(WORDS(STEADY, "rpm=24", "--duration", "7"));
	ck_assert(raised(r) & 1u << SLOW);
	road_free(r);
}
END_TEST

/* A few per cent show in the diagram before they show in the work. */
START_TEST(a_chamber_above_its_supply_is_named)
{
	for (int percent = 1; percent <= 4; percent += 3) {
		struct road r = {.report = report_rig_full()};
		struct stroke_diagram *d = &r.report->diagram[END_CAP];
		double ambient = r.report->engine.ambient_pa;
		for (int b = 0; b < STROKE_BINS; b++) {
			d->supply_pa[b] = 6e5;
			d->measured_pa[b] = ambient + (6e5 - ambient) * (1 + 0.01 * percent);
		}
		doubts_say(r.report);
		const char *line = doubts_line(&r, "reads more than the supply");
		ck_assert_int_eq(line != NULL, percent == 4);
		if (line != NULL)
			ck_assert_ptr_nonnull(strstr(line, "The cap end reads more than the supply while its "
			                                   "inlet is open (by up to 4 % of it; "));
		free(r.report);
	}
}
END_TEST

/* Nobody can set valves by angles that are half a turn off. */
START_TEST(an_index_half_a_turn_off_is_named_and_nothing_is_advised_of_the_valves)
{
	char other[64], *page = NULL;
	size_t n;
	doubts_engine(other, "index angle = 14.5 deg", "index angle = 194.5 deg");
	char *lines = road_lines(DOUBTS_ENGINE, WORDS(STEADY, "rpm=150", "--duration", "10"), NULL);
	struct road *r = road_bytes(other, LINK_LINES, (const uint8_t *)lines, strlen(lines));
	ck_assert_msg(r->status == 0, "%s", r->fault.text);
	ck_assert_ptr_nonnull(doubts_line(r, "about 180 deg off"));
	for (size_t i = 0; i < r->report->advice.n; i++)
		ck_assert_ptr_null(strstr(r->report->advice.line[i], "command"));
	FILE *f = open_memstream(&page, &n);
	ck_assert_int_eq(report_text(r->report, f, false), 0);
	fclose(f);
	ck_assert_ptr_null(strstr(page, "earlier"));
	ck_assert_ptr_nonnull(strstr(page, "no advice: angles half a turn off\n"));
	free(page);
	free(lines);
	road_free(r);
	unlink(other);
}
END_TEST

/* Driven on with an empty tank the machine pumps, by right angles: the ideal engine would brake as well. */
START_TEST(an_empty_tank_is_no_wrong_angle)
{
	for (int sign = -1; sign <= 1; sign += 2) {
		struct road r = {.report = report_rig_full()};
		for (int e = 0; e < END_COUNT; e++) {
			r.report->stroke[e].work_j = -29;
			r.report->stroke[e].ideal_work_j = sign * 28;
		}
		doubts_say(r.report);
		ck_assert_int_eq(doubts_line(&r, "about 180 deg off") != NULL, sign > 0);
		ck_assert_int_eq(r.report->held_back != NULL, sign > 0);
		free(r.report);
	}
}
END_TEST

/* What one wrong angle does to both ends at once is not two faults. */
START_TEST(both_ends_astray_alike_point_to_the_index_angle)
{
	static const struct {
		double cap, rod;
		const char *way; /* NULL = no hint */
	} CASES[] = {{2.6, 1.5, "one that is too large"},
	             {0.6, 0.93, "one that is too small"},
	             {2.6, 0.7, NULL},
	             {2.6, 1.42, NULL},
	             {2.6, NAN, NULL},
	             {0.98, 0.7, NULL}};
	for (size_t i = 0; i < sizeof CASES / sizeof *CASES; i++) {
		struct road r = {.report = report_rig_full()};
		r.report->has_gas = true;
		r.report->gas.tight[END_CAP].index = CASES[i].cap;
		r.report->gas.tight[END_ROD].index = CASES[i].rod;
		r.report->gas.tight[END_CAP].sd = r.report->gas.tight[END_ROD].sd = 0.02;
		doubts_say(r.report);
		const char *line = doubts_line(&r, "check the index angle");
		ck_assert_int_eq(line != NULL, CASES[i].way != NULL);
		if (line != NULL)
			ck_assert_ptr_nonnull(strstr(line, CASES[i].way));
		free(r.report);
	}
}
END_TEST

/* Two gauges that read too high at once may be two gauges; one alone is that one. */
START_TEST(both_gauges_too_high_point_to_the_index_angle)
{
	for (int ends = 1; ends <= 2; ends++) {
		struct road r = {.report = report_rig_full()};
		for (int end = 0; end < END_COUNT; end++) {
			struct gains *g = &r.report->gains[end];
			g->simulated_floor_pa = g->top_floor_pa = r.report->engine.ambient_pa + 500;
			g->floor_pa = g->simulated_floor_pa + (end < ends ? 4e4 : 0);
		}
		doubts_say(r.report);
		ck_assert_int_eq(doubts_line(&r, "gauges seem to read too high at once") != NULL, ends == 2);
		ck_assert_ptr_nonnull(doubts_line(&r, "The cap end's gauge reads about 0.40 bar too high"));
		free(r.report);
	}
}
END_TEST

START_TEST(an_end_without_a_sensor_is_said_to_be_unknown)
{
	char other[64];
	doubts_engine(
	    other,
	    "[sensor 1]\nrole   = cap\nlow    = 102 counts, 0 bar gauge\nhigh   = 921 counts, 10 bar "
	    "gauge\n",
	    "");
	char *lines = road_lines(DOUBTS_ENGINE, WORDS(STEADY, "rpm=150", "--duration", "3"), NULL);
	struct road *r = road_bytes(other, LINK_LINES, (const uint8_t *)lines, strlen(lines));
	ck_assert_msg(r->status == 0, "%s", r->fault.text);
	ck_assert_ptr_nonnull(doubts_line(r, "No pressure sensor at the cap end"));
	ck_assert(!r->report->has_strokes[END_CAP] && r->report->has_strokes[END_ROD]);
	ck_assert_str_eq(road_row(r, END_CAP, EVENT_RELEASE)->verdict, "not known");
	ck_assert_str_eq(road_row(r, END_ROD, EVENT_RELEASE)->verdict, "late");
	free(lines);
	road_free(r);
	unlink(other);
}
END_TEST

static void expect_harmless(const struct road *r, int (*render)(const struct report *, FILE *))
{
	char *text = NULL;
	size_t n = 0;
	FILE *f = open_memstream(&text, &n);
	ck_assert_int_eq(render(r->report, f), 0);
	fclose(f);
	ck_assert_ptr_null(strchr(text, '\033'));
	if (render == report_html)
		ck_assert_ptr_null(strstr(text, "<b>"));
	free(text);
}

static int plain_text(const struct report *r, FILE *out)
{
	return report_text(r, out, false);
}

static void expect_shown(const struct road *r, int (*render)(const struct report *, FILE *),
                         const char *words)
{
	char *text = report_rig_render(r->report, render);
	ck_assert_ptr_nonnull(strstr(text, words));
	free(text);
}

START_TEST(hostile_names_and_marks_stay_text)
{
	char other[64];
	doubts_engine(other, "Number 7 trolley", "<b>No 7</b> & \"co\"");
	char *lines = road_lines(DOUBTS_ENGINE, WORDS(STEADY, "rpm=150", "--duration", "2"), NULL), *whole;
	/* The link itself refuses the first: a control character. */
	ck_assert_int_ge(
	    asprintf(&whole, "%smark,2994000,\033[2J\nmark,2995000,<b>%%s%%n\xe2\x80\xae</b>|\"x\"\n", lines),
	    0);
	struct road *r = road_bytes(other, LINK_LINES, (const uint8_t *)whole, strlen(whole));
	ck_assert_msg(r->status == 0, "%s", r->fault.text);
	ck_assert_ptr_nonnull(strstr(r->report->engine.name, "<b>"));
	ck_assert_uint_eq(r->report->marks, 1);
	ck_assert_double_eq_tol(r->report->mark[0].t_s, 1.995, 0.01);
	ck_assert_str_eq(r->report->mark[0].text, "<b>%s%n?</b>|\"x\"");
	expect_shown(r, report_html, "&lt;b&gt;%s%n?&lt;/b&gt;|&quot;x&quot;");
	expect_shown(r, report_json, "<b>%s%n?</b>|\\\"x\\\"");
	expect_shown(r, plain_text, "<b>%s%n?</b>|\"x\"");
	expect_harmless(r, report_html);
	expect_harmless(r, report_json);
	expect_harmless(r, plain_text);
	free(whole);
	free(lines);
	road_free(r);
	unlink(other);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("doubts");
	TCase *c = tcase_create("doubts");
	tcase_set_timeout(c, 60);
	tcase_add_test(c, a_healthy_ride_raises_no_doubt);
	tcase_add_test(c, a_short_ride_is_called_short);
	tcase_add_test(c, a_slow_ride_is_called_slow);
	tcase_add_test(c, a_chamber_above_its_supply_is_named);
	tcase_add_test(c, an_empty_tank_is_no_wrong_angle);
	tcase_add_test(c, an_index_half_a_turn_off_is_named_and_nothing_is_advised_of_the_valves);
	tcase_add_test(c, both_ends_astray_alike_point_to_the_index_angle);
	tcase_add_test(c, both_gauges_too_high_point_to_the_index_angle);
	tcase_add_test(c, an_end_without_a_sensor_is_said_to_be_unknown);
	tcase_add_test(c, hostile_names_and_marks_stay_text);
	suite_add_tcase(s, c);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
