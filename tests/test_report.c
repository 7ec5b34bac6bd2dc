/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The three renderers: complete, honest about what is not known, the same bytes
 * every time, and nobody's text gets through raw. */
#include "analyse/escape.h"
#include "analyse/plot_child.h"
#include "analyse/plot_xy.h"
#include "analyse/valve_events_tally.h"
#include "analyse/verdict.h"
#include "common/unit.h"
#include "tests/report_rig.h"

#include <check.h>
#include <jansson.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

/* --- JSON ---------------------------------------------------------------- */

static json_t *json_of(const struct report *r)
{
	char *text = report_rig_render(r, report_json);
	json_error_t e;
	json_t *root = json_loads(text, 0, &e);
	ck_assert_msg(root != NULL, "%s", e.text);
	free(text);
	return root;
}

/* Keys of an object, in order, each followed by a blank. */
static const char *keys_of(const json_t *o)
{
	static char text[1000];
	const char *key;
	json_t *value;
	text[0] = '\0';
	json_object_foreach((json_t *)o, key, value)
	{
		strcat(text, key);
		strcat(text, " ");
	}
	return text;
}

static bool starts_with(const char *text, const char *start)
{
	return strncmp(text, start, strlen(start)) == 0;
}

START_TEST(json_has_the_keys_of_the_schema_in_order)
{
	struct report *r = report_rig_full();
	json_t *o = json_of(r);
	ck_assert_str_eq(keys_of(o), "schema run link clock crank valve_events strokes air limits warnings "
	                             "advice findings gains crank_torque advice_held_back marks ");
	ck_assert(starts_with(keys_of(json_object_get(o, "run")),
	                      "file start_utc duration_s revolutions speed_rpm supply_bar_gauge "));
	ck_assert_str_eq(keys_of(json_object_get(o, "link")), "records lost damaged_bytes gaps ");
	ck_assert_str_eq(keys_of(json_object_get(o, "clock")), "skew_ppm skew_ppm_ci95 ");
	ck_assert(starts_with(keys_of(json_object_get(o, "crank")),
	                      "teeth_seen teeth_missed teeth_extra index_seen index_missed index_extra "
	                      "controller_slips angle_sd_deg flagged_s pitch_error_deg "));
	ck_assert(
	    starts_with(keys_of(json_array_get(json_object_get(o, "valve_events"), 0)),
	                "valve end event count not_found intended_deg commanded_deg actual_deg error_deg "
	                "spread_deg count_error_deg firing_error_deg delay_ms delay_ms_ci95 offset_deg "
	                "offset_deg_ci95 verdict "));
	const json_t *cap = json_object_get(json_object_get(o, "strokes"), "cap");
	ck_assert(starts_with(keys_of(cap),
	                      "count useful_deg useful_fraction work_J ideal_work_J diagram_factor "
	                      "mep_bar release_bar_gauge ledger_J "));
	ck_assert_str_eq(keys_of(json_object_get(cap, "ledger_J")),
	                 "late_admission cut_off release compression wire_drawing back_pressure remainder ");
	ck_assert_str_eq(keys_of(json_object_get(o, "air")),
	                 "per_revolution_normal_litre per_revolution_half_width chambers tank valves ");
	json_decref(o);
	free(r);
}
END_TEST

static double number_at(const json_t *o, const char *a, const char *b)
{
	return json_number_value(json_object_get(json_object_get(o, a), b));
}

START_TEST(json_numbers_are_the_reports)
{
	struct report *r = report_rig_full();
	json_t *o = json_of(r);
	ck_assert_str_eq(json_string_value(json_object_get(o, "schema")), "trammel.report/1");
	ck_assert_str_eq(json_string_value(json_object_get(json_object_get(o, "run"), "start_utc")),
	                 "2025-11-25T08:00:00Z");
	ck_assert_double_eq_tol(number_at(o, "crank", "angle_sd_deg"), 0.02, 1e-9);
	ck_assert_uint_eq(json_array_size(json_object_get(json_object_get(o, "crank"), "pitch_error_deg")),
	                  36);
	const json_t *event = json_array_get(json_object_get(o, "valve_events"), 5); /* rod cut-off */
	ck_assert_str_eq(json_string_value(json_object_get(event, "end")), "rod");
	ck_assert_str_eq(json_string_value(json_object_get(event, "event")), "cut_off");
	ck_assert_double_eq_tol(json_number_value(json_object_get(event, "intended_deg")), 276, 1e-4);
	ck_assert_double_eq_tol(json_number_value(json_object_get(event, "error_deg")), 9.25, 1e-5);
	ck_assert_double_eq_tol(json_number_value(json_object_get(event, "delay_ms")), 21.3, 1e-5);
	ck_assert_double_eq_tol(number_at(o, "air", "per_revolution_normal_litre"), 2.8e-3 / 1.185 * 1000,
	                        1e-5);
	json_decref(o);
	free(r);
}
END_TEST

START_TEST(json_says_null_where_nothing_is_known)
{
	struct report *r = report_rig_empty();
	json_t *o = json_of(r);
	ck_assert(json_is_null(json_object_get(json_object_get(o, "run"), "start_utc")));
	ck_assert(json_is_null(json_object_get(json_object_get(o, "run"), "revolutions")));
	ck_assert(json_is_null(json_object_get(json_object_get(o, "clock"), "skew_ppm")));
	ck_assert(json_is_null(json_object_get(json_object_get(o, "air"), "per_revolution_normal_litre")));
	ck_assert_uint_eq(json_object_size(json_object_get(json_object_get(o, "strokes"), "rod")), 0);
	ck_assert_uint_eq(json_array_size(json_object_get(o, "valve_events")), 0);
	json_decref(o);
	free(r);
}
END_TEST

/* --- every renderer ------------------------------------------------------- */

static int (*const RENDER[])(const struct report *, FILE *) = {report_json, report_rig_plain_text,
                                                               report_html};

START_TEST(the_same_report_gives_the_same_bytes)
{
	struct report *r = report_rig_full();
	char *first = report_rig_render(r, RENDER[_i]), *second = report_rig_render(r, RENDER[_i]);
	ck_assert_str_eq(first, second);
	free(first);
	free(second);
	free(r);
}
END_TEST

START_TEST(nothing_unknown_is_printed_as_a_number)
{
	struct report *r[] = {report_rig_empty(), report_rig_full(), report_rig_full()};
	/* An end without events found, strokes without ideal. */
	r[2]->event[0].error_rad = r[2]->event[0].actual_rad = r[2]->event[0].delay_s = NAN;
	strcpy(r[2]->event[0].verdict, "not known");
	r[2]->stroke[END_CAP].ideal_work_j = r[2]->stroke[END_CAP].diagram_factor = NAN;
	r[2]->stroke[END_CAP].release_pa = NAN;
	r[2]->stroke[END_CAP].useful_rad = r[2]->stroke[END_CAP].useful_fraction = NAN;
	r[2]->air_kg_per_turn = NAN;
	r[2]->has_strokes[END_ROD] = false;
	for (size_t i = 0; i < 3; i++) {
		char *text = report_rig_render(r[i], RENDER[_i]);
		ck_assert_ptr_null(strstr(text, "nan"));
		ck_assert_ptr_null(strstr(text, "inf"));
		free(text);
		free(r[i]);
	}
}
END_TEST

static const char HOSTILE[] = "a<script>alert(1)</script>\x1b[31m\"'&|\n%s%n`rm` \xff\xc3\x28\xe2\x80\xae";

START_TEST(hostile_names_get_through_nowhere)
{
	struct report *r = report_rig_full();
	strcpy(r->engine.name, HOSTILE);
	strcpy(r->file, HOSTILE);
	report_say(&r->warnings, "%s", HOSTILE);
	snprintf(r->event[0].words, sizeof r->event[0].words, "%s", HOSTILE);
	snprintf(r->clock.remark, sizeof r->clock.remark, "%s", HOSTILE);
	r->clock.known = false;
	char *text = report_rig_render(r, RENDER[_i]);
	if (RENDER[_i] == report_html)
		ck_assert_ptr_null(strstr(text, "<script"));
	ck_assert_ptr_null(strchr(text, '\x1b'));
	ck_assert_ptr_null(strchr(text, '\xff'));
	ck_assert_ptr_null(strstr(text, "\xe2\x80\xae"));
	ck_assert_ptr_nonnull(strstr(text, "alert(1)"));
	free(text);
	free(r);
}
END_TEST

/* --- text ----------------------------------------------------------------- */

START_TEST(text_fits_eighty_columns_and_starts_with_the_verdicts)
{
	struct report *r = report_rig_full();
	char *text = report_rig_render(r, report_rig_plain_text), *rest = text;
	const char *verdict = strstr(text, "8.2 +/- 0.4 deg late");
	const char *caution = strstr(text, "never a safety device");
	ck_assert_ptr_nonnull(verdict);
	ck_assert_ptr_nonnull(caution);
	int line = 0, verdict_line = 0;
	for (char *l; (l = strsep(&rest, "\n")) != NULL; line++) {
		ck_assert_uint_le(escape_columns(l, strlen(l)), 80);
		if (verdict_line == 0 && strstr(l, "deg late") != NULL)
			verdict_line = line;
	}
	ck_assert_int_lt(verdict_line, 12);
	free(text);
	free(r);
}
END_TEST

START_TEST(a_single_acting_engine_has_no_rod_column)
{
	struct report *r = report_rig_full();
	r->mech.clearance_m3[END_ROD] = NAN;
	r->has_strokes[END_ROD] = false;
	char *text = report_rig_render(r, report_rig_plain_text);
	const char *ledger = strstr(text, "Where the work went");
	ck_assert_ptr_nonnull(ledger);
	char *line = strndup(strstr(ledger, "\n") + 1, 82);
	ck_assert_ptr_nonnull(strstr(line, "cap end"));
	ck_assert_ptr_null(strstr(line, "rod end"));
	ck_assert_ptr_null(strstr(line, "not known"));
	free(line);
	free(text);
	free(r);
}
END_TEST

/* Every figure with its interval; turns backward are no turns of the ride's work. */
START_TEST(ledger_and_diagram_factor_bear_their_intervals)
{
	struct report *r = report_rig_full();
	r->backward_revolutions = 33;
	char *text = report_rig_render(r, report_rig_plain_text);
	ck_assert_ptr_nonnull(strstr(text, "diagram factor 0.620 +/- 0.008"));
	ck_assert_ptr_nonnull(strstr(text, "9.0 +/-  0.8 J   9 %"));
	ck_assert_ptr_nonnull(strstr(text, "(33 of them backward)"));
	json_t *o = json_of(r);
	const json_t *cap = json_object_get(json_object_get(o, "strokes"), "cap");
	ck_assert_double_eq_tol(number_at(cap, "ledger_sd_J", "late_admission"), 0.4, 1e-9);
	ck_assert_double_eq_tol(json_number_value(json_object_get(cap, "diagram_factor_sd")), 0.004, 1e-9);
	ck_assert_double_eq_tol(number_at(o, "run", "backward_revolutions"), 33, 1e-9);
	json_decref(o);
	free(text);
	free(r);
}
END_TEST

START_TEST(a_controller_that_is_early_is_called_early)
{
	struct report *r = report_rig_full();
	struct valve_event_summary *e = &r->event[0];
	e->latency_s = -0.022;
	e->latency_ci95_s[0] = -0.024;
	e->latency_ci95_s[1] = -0.020;
	valve_summary_words(&r->engine, e);
	ck_assert_ptr_nonnull(strstr(e->words, "the controller itself is 22.0 ms early"));
	e->latency_s = 0.005;
	e->latency_ci95_s[0] = 0.004;
	e->latency_ci95_s[1] = 0.006;
	valve_summary_words(&r->engine, e);
	ck_assert_ptr_nonnull(strstr(e->words, "the controller itself is 5.0 ms late"));
	free(r);
}
END_TEST

/* A stranger must see what to set: which valve, which way, how much. */
START_TEST(the_first_screen_says_what_to_change)
{
	struct report *r = report_rig_full();
	r->event[1].error_rad = -r->event[1].error_rad;
	strcpy(r->event[1].verdict, "early");
	char *text = report_rig_render(r, report_rig_plain_text);
	ck_assert_ptr_nonnull(strstr(text, "cap inlet opens   8.2 +/- 0.4 deg late"));
	ck_assert_ptr_nonnull(strstr(text, "command 8.2 deg (12.0 ms) earlier"));
	ck_assert_ptr_nonnull(strstr(text, "cap inlet shuts   9.2 +/- 0.4 deg early"));
	ck_assert_ptr_nonnull(strstr(text, "command 9.2 deg (13.5 ms) later"));
	free(text);
	free(r);
}
END_TEST

/* An interval of half a quarter turn says nothing of being on time. */
START_TEST(what_is_too_unsure_is_not_called_on_time)
{
	struct report *r = report_rig_full();
	for (int i = 0; i < 2; i++) {
		struct valve_event_summary *e = &r->event[i];
		strcpy(e->verdict, "on time");
		e->error_rad = unit_rad(0.5);
		e->error_ci95_rad[0] = unit_rad(i == 0 ? -14 : -0.5);
		e->error_ci95_rad[1] = unit_rad(i == 0 ? 15 : 1.5);
	}
	char *text = report_rig_render(r, report_rig_plain_text);
	ck_assert_ptr_nonnull(
	    strstr(text, "cap inlet opens   0.5 +/- 14.5 deg late  too unsure to advise\n"));
	ck_assert_ptr_nonnull(strstr(text, "cap inlet shuts   0.5 +/- 1.0 deg late   on time\n"));
	free(text);
	free(r);
}
END_TEST

/* What only the faster turns show holds at their speed, and says so. */
START_TEST(an_error_at_another_speed_is_marked)
{
	struct report *r = report_rig_full();
	r->event[0].not_found = 60;
	r->event[0].speed_rad_s = 16;
	r->event[0].error_rad = unit_rad(20.5);
	valve_summary_words(&r->engine, &r->event[0]);
	ck_assert_ptr_nonnull(strstr(r->event[0].words, "at 153 rpm: "));
	ck_assert_ptr_nonnull(strstr(
	    r->event[0].words,
	    "; send the command 20.5 deg (22.4 ms) earlier; seen on 140 of 142 turns, the faster ones"));
	char *text = report_rig_render(r, report_rig_plain_text);
	ck_assert_ptr_nonnull(strstr(text, "command 20.5 deg (22.4 ms) earlier *\n"));
	ck_assert_ptr_nonnull(strstr(text, "* at that of the turns that show it"));
	ck_assert_ptr_nonnull(strstr(text, "command 9.2 deg (13.5 ms) earlier\n"));
	free(text);
	free(r);
}
END_TEST

/* All slips are counted, and the commonest cause is not that of the first. */
START_TEST(a_count_that_slips_is_advised_of_first_with_its_causes)
{
	struct report *r = report_rig_full();
	r->advice.n = 0;
	r->controller_slips = r->slip_n = 4;
	for (size_t i = 0; i < r->slip_n; i++)
		r->slip[i].cause = i == 0 ? SLIP_MISSED : SLIP_EXTRA;
	r->crank.index_missed = 1;
	r->crank.index_extra = 0;
	verdict_advice(r);
	ck_assert_str_eq(
	    r->advice.line[0],
	    "The controller's count left the true angle 4 times (likely cause: extra pulse 3, missed "
	    "tooth 1). Mend the pick-up before trusting any timing.");
	ck_assert_uint_gt(r->advice.n, 2);
	char *text = report_rig_render(r, report_rig_plain_text), *valves = strstr(text, "\nValves:");
	const char *slips =
	    strstr(text, "The controller's count left the true one 4 times: mend that first.");
	ck_assert(slips != NULL && slips < valves);
	free(text);
	ck_assert_str_eq(r->advice.line[r->advice.n - 1],
	                 "The index switch missed 1 turn: check its gap and its debouncing.");
	free(r);
}
END_TEST

START_TEST(findings_stand_apart_in_the_json)
{
	struct report *r = report_rig_full();
	report_say(&r->findings, "the cap inlet sticks");
	json_t *o = json_of(r), *list = json_object_get(o, "findings");
	ck_assert_uint_eq(json_array_size(list), 1);
	ck_assert_str_eq(json_string_value(json_array_get(list, 0)), "the cap inlet sticks");
	json_decref(o);
	free(r);
}
END_TEST

START_TEST(text_says_why_something_is_not_known)
{
	struct report *r = report_rig_full();
	r->has_strokes[END_ROD] = false;
	r->engine.sensor[2].role = SENSOR_NONE;
	char *text = report_rig_render(r, report_rig_plain_text);
	ck_assert_ptr_nonnull(strstr(text, "not known: no chamber sensor at the rod end"));
	free(text);
	free(r);
}
END_TEST

START_TEST(colour_comes_only_when_asked_for)
{
	struct report *r = report_rig_full();
	char *text = NULL;
	size_t n = 0;
	FILE *f = open_memstream(&text, &n);
	ck_assert_int_eq(report_text(r, f, true), 0);
	fclose(f);
	ck_assert_ptr_nonnull(strstr(text, "\x1b[1m"));
	free(text);
	text = report_rig_render(r, report_rig_plain_text);
	ck_assert_ptr_null(strchr(text, '\x1b'));
	free(text);
	free(r);
}
END_TEST

/* --- the page --------------------------------------------------------------- */

static size_t count_of(const char *text, const char *what)
{
	size_t n = 0;
	for (const char *at = text; (at = strstr(at, what)) != NULL; at += strlen(what))
		n++;
	return n;
}

START_TEST(the_page_is_self_contained)
{
	struct report *r = report_rig_full();
	char *page = report_rig_render(r, report_html);
	ck_assert(starts_with(page, "<!DOCTYPE html>"));
	ck_assert_ptr_null(strstr(page, "<script"));
	ck_assert_ptr_null(strstr(page, "http:"));
	ck_assert_ptr_null(strstr(page, "https:"));
	ck_assert_ptr_null(strstr(page, "<link"));
	ck_assert_ptr_null(strstr(page, "@import"));
	ck_assert_ptr_null(strstr(page, " src="));
	ck_assert_ptr_nonnull(strstr(page, "prefers-color-scheme:dark"));
	ck_assert_ptr_nonnull(strstr(page, "@media print"));
	ck_assert_ptr_nonnull(strstr(page, "width=device-width"));
	ck_assert_ptr_nonnull(strstr(page, "never a safety device"));
	free(page);
	free(r);
}
END_TEST

START_TEST(every_picture_has_its_caption_and_its_numbers)
{
	struct report *r = report_rig_full();
	char *page = report_rig_render(r, report_html);
	size_t figures = count_of(page, "<figure>");
	ck_assert_uint_eq(figures, 13);
	ck_assert_uint_eq(count_of(page, "<figcaption>"), figures);
	ck_assert_uint_eq(count_of(page, "<summary>The numbers</summary>"), figures);
	ck_assert_uint_eq(count_of(page, "<svg "), figures);
	ck_assert_uint_eq(count_of(page, "id=\"pvcapgnuplot_canvas\""), 1);
	ck_assert_uint_eq(count_of(page, "id=\"gnuplot_canvas\""), 0);
	free(page);
	free(r);
}
END_TEST

START_TEST(without_gnuplot_the_page_comes_and_says_so)
{
	struct report *r = report_rig_full();
	ck_assert_int_eq(setenv("PATH", "/nonexistent", 1), 0);
	char *page = report_rig_render(r, report_html);
	ck_assert_ptr_nonnull(strstr(page, "No picture here: gnuplot is not installed."));
	ck_assert_uint_eq(count_of(page, "<figure>"), 13);
	ck_assert_uint_eq(count_of(page, "<svg "), 6); /* circles and bars are our own */
	free(page);
	free(r);
}
END_TEST

/* --- gnuplot as a child ------------------------------------------------------ */

static char *script_of(const char *body)
{
	char *path = strdup("/tmp/trammel-child-XXXXXX");
	int fd = mkstemp(path);
	ck_assert_int_ge(fd, 0);
	ck_assert_int_gt(dprintf(fd, "#!/bin/sh\n%s\n", body), 0);
	fchmod(fd, 0700);
	close(fd);
	return path;
}

static void expect_child_failure(const char *body, const char *why_expected)
{
	char *path = script_of(body), why[200] = "", *out = NULL;
	size_t n;
	ck_assert_int_eq(plot_child_run(path, 300, "x", 1, &out, &n, why, sizeof why), -1);
	ck_assert_str_eq(why, why_expected);
	unlink(path);
	free(path);
}

START_TEST(a_child_that_misbehaves_is_a_plain_reason)
{
	expect_child_failure("exec sleep 20", "gnuplot took too long");
	expect_child_failure("exit 3", "gnuplot did not draw it");
	expect_child_failure("kill -9 $$", "gnuplot did not draw it");
	expect_child_failure("cat > /dev/null", "gnuplot did not draw it");
}
END_TEST

START_TEST(a_child_gets_all_of_a_long_program_and_gives_all_of_a_long_answer)
{
	enum { LONG = 3000000 };
	char *path = script_of("exec cat"), why[200] = "", *out = NULL, *program = malloc(LONG);
	size_t n;
	for (size_t i = 0; i < LONG; i++)
		program[i] = (char)('a' + i % 23);
	ck_assert_int_eq(plot_child_run(path, 10000, program, LONG, &out, &n, why, sizeof why), 0);
	ck_assert_uint_eq(n, LONG);
	ck_assert_mem_eq(out, program, LONG);
	free(out);
	free(program);
	unlink(path);
	free(path);
}
END_TEST

START_TEST(what_is_no_picture_is_refused)
{
	FILE *out = fopen("/dev/null", "w");
	ck_assert_int_eq(plot_svg_inline("<svg>", "a", "b", out), -1);
	ck_assert_int_eq(plot_svg_inline("", "a", "b", out), -1);
	fclose(out);
}
END_TEST

/* --- parts ------------------------------------------------------------------- */

START_TEST(escaping_makes_text_harmless_and_keeps_the_rest)
{
	char out[100];
	ck_assert_str_eq(escape_plain(out, sizeof out, "M\xc3\xbchle \xe2\x82\xac"),
	                 "M\xc3\xbchle \xe2\x82\xac");
	ck_assert_str_eq(escape_plain(out, sizeof out, "a\x1b[2J\tb\x7f"), "a?[2J?b?");
	ck_assert_str_eq(escape_plain(out, sizeof out, "\xc0\xaf\xed\xa0\x80\xf5"), "??????");
	ck_assert_str_eq(escape_plain(out, sizeof out,
	                              "\xc2\x9b"
	                              "31m"),
	                 "?31m");
	ck_assert_str_eq(escape_html(out, sizeof out, "<a href=\"x\">&'"),
	                 "&lt;a href=&quot;x&quot;&gt;&amp;&#39;");
	ck_assert_str_eq(escape_html(out, 8, "ab<<"), "ab&lt;");
	ck_assert_str_eq(escape_plain(out, 4, "ab\xe2\x82\xac"), "ab");
	ck_assert_uint_eq(escape_columns("M\xc3\xbchle", 6), 5);
}
END_TEST

START_TEST(a_line_is_said_once_and_cut_to_fit)
{
	struct report_lines l = {0};
	char lengthy[3 * REPORT_LINE_MAX];
	memset(lengthy, 'x', sizeof lengthy);
	lengthy[sizeof lengthy - 1] = '\0';
	report_say(&l, "one %d", 1);
	report_say(&l, "one %d", 1);
	ck_assert_uint_eq(l.n, 1);
	report_say(&l, "%s", lengthy);
	ck_assert_uint_eq(strlen(l.line[1]), REPORT_LINE_MAX - 1);
	for (int i = 0; i < 2 * REPORT_LINES_MAX; i++)
		report_say(&l, "line %d", i);
	ck_assert_uint_eq(l.n, REPORT_LINES_MAX);
}
END_TEST

START_TEST(points_are_thinned_evenly)
{
	struct report *r = report_rig_empty();
	struct valve_event e = {.cls = 'A', .event_rad = 1, .intended_rad = 0.5};
	for (int i = 0; i < 10000; i++) {
		e.omega_rad_s = i;
		report_note_events(r, &e, 1);
	}
	ck_assert_uint_eq(r->point_seen, 10000);
	ck_assert_uint_ge(r->point_n, REPORT_POINTS_MAX / 2);
	for (size_t i = 0; i < r->point_n; i++)
		ck_assert_double_eq_tol(unit_rad((double)r->point[i].rpm * 6), (double)(i * r->point_step),
		                        0.01);
	e.cls = 'C';
	report_note_events(r, &e, 1);
	ck_assert_uint_eq(r->point_seen, 10000);
	free(r);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("report");
	TCase *t = tcase_create("report");
	int renderers = sizeof RENDER / sizeof *RENDER;
	tcase_set_timeout(t, 60);
	tcase_add_test(t, json_has_the_keys_of_the_schema_in_order);
	tcase_add_test(t, json_numbers_are_the_reports);
	tcase_add_test(t, json_says_null_where_nothing_is_known);
	tcase_add_loop_test(t, the_same_report_gives_the_same_bytes, 0, renderers);
	tcase_add_loop_test(t, nothing_unknown_is_printed_as_a_number, 0, renderers);
	tcase_add_loop_test(t, hostile_names_get_through_nowhere, 0, renderers);
	tcase_add_test(t, text_fits_eighty_columns_and_starts_with_the_verdicts);
	tcase_add_test(t, text_says_why_something_is_not_known);
	tcase_add_test(t, a_single_acting_engine_has_no_rod_column);
	tcase_add_test(t, ledger_and_diagram_factor_bear_their_intervals);
	tcase_add_test(t, a_controller_that_is_early_is_called_early);
	tcase_add_test(t, the_first_screen_says_what_to_change);
	tcase_add_test(t, what_is_too_unsure_is_not_called_on_time);
	tcase_add_test(t, an_error_at_another_speed_is_marked);
	tcase_add_test(t, a_count_that_slips_is_advised_of_first_with_its_causes);
	tcase_add_test(t, findings_stand_apart_in_the_json);
	tcase_add_test(t, colour_comes_only_when_asked_for);
	tcase_add_test(t, the_page_is_self_contained);
	tcase_add_test(t, every_picture_has_its_caption_and_its_numbers);
	tcase_add_test(t, without_gnuplot_the_page_comes_and_says_so);
	tcase_add_test(t, a_child_that_misbehaves_is_a_plain_reason);
	tcase_add_test(t, a_child_gets_all_of_a_long_program_and_gives_all_of_a_long_answer);
	tcase_add_test(t, what_is_no_picture_is_refused);
	tcase_add_test(t, escaping_makes_text_harmless_and_keeps_the_rest);
	tcase_add_test(t, a_line_is_said_once_and_cut_to_fit);
	tcase_add_test(t, points_are_thinned_evenly);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
