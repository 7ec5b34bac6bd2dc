/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Before and after: a difference is shown when there is one, and not when there is none. */
#include "analyse/compare.h"
#include "analyse/escape.h"
#include "analyse/html_rows.h"
#include "common/unit.h"
#include "tests/report_rig.h"

#include <check.h>
#include <jansson.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static const struct compare_row *row_named(const struct comparison *c, const char *what)
{
	for (size_t i = 0; i < c->n; i++)
		if (strcmp(c->row[i].what, what) == 0)
			return &c->row[i];
	return NULL;
}

/* --- the line over speed -------------------------------------------------- */

/* NIST StRD Norris (36 points): certified intercept and slope. */
START_TEST(the_line_is_that_of_norris)
{
	static const double X[36] = {0.2,   337.4, 118.2, 884.6, 10.1,  226.5, 666.3, 996.3, 448.6,
	                             777.0, 558.2, 0.4,   0.6,   775.5, 666.9, 338.0, 447.5, 11.6,
	                             556.0, 228.1, 995.8, 887.6, 120.2, 0.3,   0.3,   556.8, 339.1,
	                             887.2, 999.0, 779.0, 11.1,  118.3, 229.2, 669.1, 448.9, 0.5};
	static const double Y[36] = {0.1,   338.8, 118.1, 888.0, 9.2,   228.1, 668.5, 998.5, 449.1,
	                             778.9, 559.2, 0.3,   0.1,   778.1, 668.8, 339.3, 448.9, 10.8,
	                             557.7, 228.3, 998.0, 888.8, 119.6, 0.3,   0.6,   557.6, 339.3,
	                             888.0, 998.5, 778.9, 10.2,  117.6, 228.9, 668.4, 449.2, 0.2};
	struct speed_sums s = {0};
	double sd;
	for (int i = 0; i < 36; i++)
		speed_sums_add(&s, X[i], Y[i]);
	struct speed_line l = speed_sums_line(&s);
	ck_assert_double_eq_tol(l.slope, 1.00211681802045, 1e-10);
	ck_assert_double_eq_tol(speed_line_at(&l, 0, &sd), -0.262323073774029, 1e-9);
	/* Certified residual sd 0.884796396144373; ours is widened when neighbours are alike. */
	ck_assert_double_ge(l.sd, 0.884796396144373 - 1e-9);
	/* Certified sd of the intercept 0.232818234301152, in the same measure. */
	ck_assert_double_eq_tol(sd / l.sd, 0.232818234301152 / 0.884796396144373, 1e-9);
}
END_TEST

static uint64_t seed;
static double uniform(void)
{
	seed = seed * 6364136223846793005u + 1442695040888963407u;
	return ((double)(seed >> 11) + 0.5) * 0x1p-53;
}

static double normal(void)
{
	return sqrt(-2 * log(uniform())) * cos(2 * UNIT_PI * uniform());
}

/* A ride of n strokes whose speed wanders and whose neighbours resemble each other. */
static struct speed_line ride_line(int n, double mean_speed, double level, double likeness)
{
	struct speed_sums s = {0};
	double wander = 0, like = normal();
	for (int i = 0; i < n; i++) {
		wander = 0.95 * wander + 0.5 * normal();
		like = likeness * like + sqrt(1 - likeness * likeness) * normal();
		double x = mean_speed + wander;
		speed_sums_add(&s, x, level - 3 * (x - 12) + like);
	}
	return speed_sums_line(&s);
}

/* Of two rides without difference about 1 in 20 may show one. */
START_TEST(intervals_cover_what_they_claim)
{
	static const double LIKENESS[] = {0, 0.6};
	int shown = 0, rides = 1000;
	seed = 5;
	for (int i = 0; i < rides; i++) {
		struct speed_line a = ride_line(80, 11.5, 60, LIKENESS[_i]);
		struct speed_line b = ride_line(60, 12.5, 60, LIKENESS[_i]);
		double sd_a, sd_b, before = speed_line_at(&a, 12, &sd_a),
		                   after = speed_line_at(&b, 12, &sd_b);
		shown += fabs(after - before) > compare_half_width(sd_a, 80, sd_b, 60);
	}
	ck_assert_int_ge(shown, 25);
	ck_assert_int_le(shown, 75);
}
END_TEST

START_TEST(a_speed_that_never_changes_gives_a_plain_mean)
{
	struct speed_sums s = {0};
	double sd;
	for (int i = 0; i < 20; i++)
		speed_sums_add(&s, 10.471975511965978, i % 2);
	struct speed_line l = speed_sums_line(&s);
	ck_assert_double_eq(l.slope, 0);
	ck_assert_double_eq_tol(speed_line_at(&l, 20, &sd), 0.5, 1e-12);
	ck_assert_double_eq_tol(sd, sqrt(20 * 0.25 / 18 / 20), 1e-12);
}
END_TEST

/* Student's t, 97.5 %: 2.262157 at 9 and 2.032245 at 34 degrees of freedom (standard tables). */
START_TEST(half_widths_use_students_t)
{
	ck_assert_double_eq_tol(compare_half_width(1, 10, 0, 10), 2.262157, 1e-6);
	ck_assert_double_eq_tol(compare_half_width(2, 18, 2, 18), 2.032245 * sqrt(8), 1e-5);
	ck_assert(isnan(compare_half_width(NAN, 10, 1, 10)));
	ck_assert(isnan(compare_half_width(1, 1, 1, 10)));
	ck_assert_double_eq(compare_half_width(0, 10, 0, 10), 0);
}
END_TEST

/* --- whole rides ------------------------------------------------------------ */

static struct comparison c;

START_TEST(a_ride_against_itself_shows_no_difference)
{
	struct report *r = report_rig_full();
	compare_reports(r, r, &c);
	ck_assert_uint_ge(c.n, 20);
	for (size_t i = 0; i < c.n; i++)
		ck_assert_int_eq(c.row[i].verdict, COMPARE_NO_DIFFERENCE);
	free(r);
}
END_TEST

START_TEST(what_got_better_and_worse_is_told)
{
	struct report *before = report_rig_full(), *after = report_rig_full();
	after->event[0].error_rad = -unit_rad(1); /* was 8.25 late */
	after->event[0].error_ci95_rad[0] = -unit_rad(1.3);
	after->event[0].error_ci95_rad[1] = -unit_rad(0.7);
	after->stroke[END_ROD].work_line.mean_y = 50; /* was 62 */
	after->controller_slips = 400;
	compare_reports(before, after, &c);
	const struct compare_row *error = row_named(&c, "cap admission, error");
	ck_assert_int_eq(error->verdict, COMPARE_BETTER);
	ck_assert_double_eq_tol(error->difference, -9.25, 1e-9);
	ck_assert_double_eq_tol(error->half_width, hypot(0.4, 0.3), 1e-9);
	ck_assert_int_eq(row_named(&c, "rod, work a stroke")->verdict, COMPARE_WORSE);
	ck_assert_int_eq(row_named(&c, "cap, work a stroke")->verdict, COMPARE_NO_DIFFERENCE);
	ck_assert_int_eq(row_named(&c, "count slips")->verdict, COMPARE_WORSE);
	free(before);
	free(after);
}
END_TEST

START_TEST(errors_are_compared_at_one_speed)
{
	struct report *before = report_rig_full(), *after = report_rig_full();
	/* 4 rad/s faster with 21.3 ms of delay and 0.4 ms of the controller's: that much later, and nothing
	 * else changed. */
	struct valve_event_summary *e = &after->event[0];
	double later = 4 * (e->delay_s + e->latency_s);
	e->speed_rad_s += 4;
	e->error_rad += later;
	e->error_ci95_rad[0] += later;
	e->error_ci95_rad[1] += later;
	/* Another with a lead of as much: at any speed the same.  It shows, or stands in the engine file. */
	for (int i = 1; i < 3; i++) {
		for (int k = 0; k < 2; k++) {
			struct report *r = k == 0 ? before : after;
			r->event[i].separable = i == 1;
			r->event[i].latency_s = -r->event[i].delay_s;
			r->engine.valve[r->event[i].valve].lead_open_s = r->event[i].delay_s;
		}
		after->event[i].speed_rad_s += 4;
	}
	compare_reports(before, after, &c);
	const struct compare_row *error = row_named(&c, "cap admission, error");
	ck_assert_double_eq_tol(error->difference, 0, 1e-9);
	ck_assert_int_eq(error->verdict, COMPARE_NO_DIFFERENCE);
	ck_assert_double_eq_tol(row_named(&c, "cap cut-off, error")->after,
	                        unit_deg(after->event[1].error_rad), 1e-9);
	ck_assert_double_eq_tol(row_named(&c, "cap release, error")->after,
	                        unit_deg(after->event[2].error_rad), 1e-9);
	free(before);
	free(after);
}
END_TEST

/* The chambers' balance errs by another part when the valves move otherwise: +/- 2e-4 of 2.8e-3 kg each. */
START_TEST(the_airs_own_doubt_counts_when_valves_were_moved)
{
	struct report *before = report_rig_full(), *after = report_rig_full();
	compare_reports(before, after, &c);
	double alike = row_named(&c, "air a turn")->half_width;
	after->event[1].actual_rad += unit_rad(5);
	compare_reports(before, after, &c);
	const struct compare_row *air = row_named(&c, "air a turn");
	ck_assert_double_eq_tol(air->half_width, hypot(alike, sqrt(2) * 2e-4 / 2.8e-3 * air->before), 1e-9);
	free(before);
	free(after);
}
END_TEST

static bool noted(const char *words)
{
	for (size_t i = 0; i < c.notes.n; i++)
		if (strstr(c.notes.line[i], words) != NULL)
			return true;
	return false;
}

/* The same machine read with another index angle or calibration: the difference may be none of the valves'.
 */
START_TEST(engine_files_that_read_otherwise_are_named)
{
	struct report *before = report_rig_full(), *after = report_rig_full();
	compare_reports(before, after, &c);
	ck_assert(!noted("engine files"));
	after->engine.index_rad = before->engine.index_rad + 0.1;
	after->engine.sensor[0].value[1] += 1e4;
	compare_reports(before, after, &c);
	ck_assert(noted("read the same log otherwise (the index angle, the calibration of the "));
	ck_assert(!noted("different engine files"));
	ck_assert(!noted("turns: too few"));
	after->revolutions = 5;
	before->held_back = "angles half a turn off";
	compare_reports(before, after, &c);
	ck_assert(noted("The ride before has its angles half a turn off"));
	ck_assert(noted("The ride after has only 5 turns: too few"));
	free(before);
	free(after);
}
END_TEST

START_TEST(unlike_rides_are_called_unlike)
{
	struct report *before = report_rig_full(), *after = report_rig_full();
	after->speed_rpm.median = 160;
	after->engine.bore_m = 0.05;
	compare_reports(before, after, &c);
	bool speed = false, engine = false;
	for (size_t i = 0; i < c.notes.n; i++) {
		speed |= strstr(c.notes.line[i], "differ in speed") != NULL;
		engine |= strstr(c.notes.line[i], "different engine files") != NULL;
	}
	ck_assert(speed && engine);
	ck_assert(noted("they differ in the bore."));
	ck_assert(!noted("read the same log otherwise"));
	free(before);
	free(after);
}
END_TEST

START_TEST(rides_of_which_nothing_is_known_compare_to_nothing)
{
	struct report *before = report_rig_empty(), *after = report_rig_full();
	compare_reports(before, after, &c);
	ck_assert_uint_eq(c.n, 0);
	free(before);
	free(after);
}
END_TEST

START_TEST(text_and_json_say_the_same)
{
	struct report *before = report_rig_full(), *after = report_rig_full();
	char *text = NULL, *json = NULL;
	size_t n;
	json_error_t e;
	compare_reports(before, after, &c);
	FILE *f = open_memstream(&text, &n);
	ck_assert_int_eq(compare_text(&c, before, after, f, false), 0);
	fclose(f);
	f = open_memstream(&json, &n);
	ck_assert_int_eq(compare_json(&c, before, after, f), 0);
	fclose(f);
	json_t *root = json_loads(json, 0, &e);
	ck_assert_ptr_nonnull(root);
	ck_assert_str_eq(json_string_value(json_object_get(root, "schema")), "trammel.compare/1");
	ck_assert_uint_eq(json_array_size(json_object_get(root, "differences")), c.n);
	ck_assert_ptr_nonnull(strstr(text, "none shown"));
	char *rest = text;
	for (char *l; (l = strsep(&rest, "\n")) != NULL;)
		ck_assert_uint_le(escape_columns(l, strlen(l)), 80);
	json_decref(root);
	free(text);
	free(json);
	free(before);
	free(after);
}
END_TEST

/* --- the page ------------------------------------------------------------------ */

static struct report *ride[HTML_RIDES_MAX];
static struct comparison beside[HTML_RIDES_MAX];

/* n rides, the last of which has no rod end; one difference. */
static void take_rides(size_t n)
{
	for (size_t i = 0; i < n; i++)
		ride[i] = report_rig_full();
	ride[1]->event[0].error_rad = unit_rad(1); /* was 8.25 late */
	ride[n - 1]->has_strokes[END_ROD] = false;
}

static char *page_of(size_t n)
{
	char *page = NULL;
	size_t size;
	FILE *f = open_memstream(&page, &size);
	for (size_t i = 1; i < n; i++)
		compare_reports(ride[0], ride[i], &beside[i]);
	ck_assert_int_eq(compare_html((const struct report *const *)ride, beside, n, f), 0);
	fclose(f);
	for (size_t i = 0; i < n; i++)
		free(ride[i]);
	return page;
}

static size_t count_of(const char *text, const char *what)
{
	size_t n = 0;
	for (const char *at = text; (at = strstr(at, what)) != NULL; at += strlen(what))
		n++;
	return n;
}

START_TEST(the_page_has_all_rides_in_each_picture)
{
	take_rides((size_t)_i);
	char *page = page_of((size_t)_i);
	size_t figures = count_of(page, "<figure>");
	ck_assert_uint_eq(figures, 5);
	ck_assert_uint_eq(count_of(page, "<svg "), figures);
	ck_assert_uint_eq(count_of(page, "<figcaption>"), figures);
	ck_assert_uint_eq(count_of(page, "<summary>The numbers</summary>"), figures);
	ck_assert_uint_eq(count_of(page, "aria-label="), figures);
	/* Cap end and torque of every ride, rod end of all but the last. */
	for (size_t i = 0; i < (size_t)_i; i++) {
		char name[24];
		snprintf(name, sizeof name, "ride %c</tspan>", (char)('A' + i));
		ck_assert_uint_eq(count_of(page, name), i + 1 < (size_t)_i ? 3 : 2);
	}
	ck_assert_uint_eq(count_of(page, ">better<"), 2); /* card and table */
	ck_assert_uint_eq(count_of(page, "Every difference: "), (size_t)_i - 1);
	ck_assert_ptr_nonnull(strstr(page, "never a safety device"));
	ck_assert_ptr_null(strstr(page, "nan"));
	free(page);
}
END_TEST

START_TEST(the_pictures_numbers_are_the_reports)
{
	take_rides(2);
	double useful = unit_deg(ride[0]->stroke[END_CAP].useful_rad);
	double error = unit_deg(ride[1]->event[0].error_rad);
	double first = unit_bar_gauge(ride[0]->diagram[END_CAP].measured_pa[0], ride[0]->engine.ambient_pa);
	char *page = page_of(2), row[100];
	snprintf(row, sizeof row, "<td>cap end</td><td>%.1f</td><td>%.1f</td>", useful, useful);
	ck_assert_ptr_nonnull(strstr(page, row));
	snprintf(row, sizeof row, "<td>%.3f</td><td>%.3f</td></tr>", first, first);
	ck_assert_ptr_nonnull(strstr(page, row));
	ck_assert_ptr_nonnull(strstr(page, "<td>cap admission</td><td>8.25</td>"));
	snprintf(row, sizeof row, "<td>%.2f</td>", error);
	ck_assert_ptr_nonnull(strstr(page, row));
	free(page);
}
END_TEST

START_TEST(a_ride_beside_itself_is_said_to_be_no_different)
{
	for (size_t i = 0; i < 2; i++)
		ride[i] = report_rig_full();
	char *page = page_of(2);
	ck_assert_ptr_nonnull(strstr(page, "No difference shown, in "));
	ck_assert_ptr_null(strstr(page, ">better<"));
	ck_assert_ptr_null(strstr(page, ">worse<"));
	free(page);
}
END_TEST

START_TEST(rides_of_which_nothing_is_known_make_a_page)
{
	for (size_t i = 0; i < 2; i++)
		ride[i] = report_rig_empty();
	char *page = page_of(2);
	ck_assert_ptr_nonnull(strstr(page, "Nothing is known in both rides"));
	ck_assert_uint_eq(count_of(page, "<figure>"), 0);
	free(page);
}
END_TEST

START_TEST(hostile_names_do_not_reach_the_page)
{
	static const char HOSTILE[] = "a<script>alert(1)</script>\x1b[31m\"'&|\n%s%n`rm` \xff\xe2\x80\xae";
	take_rides(3);
	for (size_t i = 0; i < 3; i++) {
		strcpy(ride[i]->engine.name, HOSTILE);
		strcpy(ride[i]->file, HOSTILE);
		strcpy(ride[i]->selected, HOSTILE);
	}
	ride[1]->engine.bore_m = 0.05;
	char *page = page_of(3);
	ck_assert_ptr_null(strstr(page, "<script"));
	ck_assert_ptr_null(strchr(page, '\x1b'));
	ck_assert_ptr_null(strchr(page, '\xff'));
	ck_assert_ptr_null(strstr(page, "\xe2\x80\xae"));
	ck_assert_uint_ge(count_of(page, "a&lt;script&gt;alert(1)"), 5); /* title, heading, three rides */
	free(page);
}
END_TEST

START_TEST(the_page_comes_without_gnuplot)
{
	take_rides(2);
	ck_assert_int_eq(setenv("PATH", "/nonexistent", 1), 0);
	char *page = page_of(2);
	ck_assert_uint_eq(count_of(page, "<figure>"), 5);
	ck_assert_uint_eq(count_of(page, "<svg "), 2); /* the rows are our own */
	ck_assert_uint_eq(count_of(page, "No picture here: gnuplot is not installed."), 3);
	free(page);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("compare");
	TCase *t = tcase_create("compare");
	tcase_add_test(t, the_line_is_that_of_norris);
	tcase_add_loop_test(t, intervals_cover_what_they_claim, 0, 2);
	tcase_add_test(t, a_speed_that_never_changes_gives_a_plain_mean);
	tcase_add_test(t, half_widths_use_students_t);
	tcase_add_test(t, a_ride_against_itself_shows_no_difference);
	tcase_add_test(t, what_got_better_and_worse_is_told);
	tcase_add_test(t, errors_are_compared_at_one_speed);
	tcase_add_test(t, the_airs_own_doubt_counts_when_valves_were_moved);
	tcase_add_test(t, engine_files_that_read_otherwise_are_named);
	tcase_add_test(t, unlike_rides_are_called_unlike);
	tcase_add_test(t, rides_of_which_nothing_is_known_compare_to_nothing);
	tcase_add_test(t, text_and_json_say_the_same);
	suite_add_tcase(s, t);
	TCase *page = tcase_create("page");
	tcase_add_loop_test(page, the_page_has_all_rides_in_each_picture, 2, HTML_RIDES_MAX + 1);
	tcase_add_test(page, the_pictures_numbers_are_the_reports);
	tcase_add_test(page, a_ride_beside_itself_is_said_to_be_no_different);
	tcase_add_test(page, rides_of_which_nothing_is_known_make_a_page);
	tcase_add_test(page, hostile_names_do_not_reach_the_page);
	tcase_add_test(page, the_page_comes_without_gnuplot);
	tcase_set_timeout(page, 60);
	suite_add_tcase(s, page);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
