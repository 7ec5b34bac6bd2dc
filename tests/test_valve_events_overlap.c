/* SPDX-License-Identifier: GPL-3.0-or-later */
/* An exhaust that still stands open, and shuts, after the inlet has opened. */
#include "tests/road_rig.h"

#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define ENGINE "sample-logs/number7.ini"
#define LATE "shut_delay.1=45", "--set", "shut_delay.3=45" /* 10 ms after the inlet */

static double moved_us(const struct road_event *e)
{
	return e->command_us + 1e3 * e->true_delay_ms;
}

/* How long both of an end's passages really stood open together, on average. */
static double together_ms(const struct road *r, unsigned end)
{
	double sum = 0, n = 0;
	for (size_t i = 0; i < r->events; i++)
		for (size_t k = 0; k < r->events; k++) {
			const struct road_event *in = &r->event[i], *out = &r->event[k];
			double ms = (moved_us(out) - moved_us(in)) * 1e-3;
			if (in->end != end || out->end != end || in->event != EVENT_ADMISSION ||
			    out->event != EVENT_COMPRESSION || !(fabs(ms) < 50))
				continue;
			sum += ms;
			n++;
		}
	ck_assert_double_ge(n, 15);
	return sum / n;
}

/* Its line of the findings. */
static void is_named(const struct road *r, unsigned end)
{
	const char *line = r->report->findings.line[end], *at = strstr(line, "stand open together for ");
	ck_assert_msg(at != NULL && strstr(line, end == END_CAP ? "cap end" : "rod end") != NULL, "%s", line);
	ck_assert_double_lt(fabs(strtod(at + strlen("stand open together for "), NULL) - together_ms(r, end)),
	                    1);
}

static void is_found(const struct road *r, unsigned end)
{
	double sum = 0, n = 0;
	const struct valve_event_summary *s = road_row(r, (enum engine_end)end, EVENT_COMPRESSION);
	for (size_t i = 0; i < r->events; i++)
		if (r->event[i].end == end && r->event[i].event == EVENT_COMPRESSION &&
		    !isnan(r->event[i].true_delay_ms)) {
			sum += r->event[i].true_delay_ms;
			n++;
		}
	ck_assert_double_lt(fabs(s->delay_s * 1e3 - sum / n), 1);
	ck_assert_double_lt(s->delay_ci95_s[0] * 1e3, sum / n);
	ck_assert_double_gt(s->delay_ci95_s[1] * 1e3, sum / n);
}

START_TEST(an_exhaust_that_shuts_late_is_found_and_named_once)
{
	const char *words[] = {"--ride", "late",       "--duration", "20",    "--seed",
	                       "2",      "--set",      "drive=1",    "--set", "rpm=75",
	                       "--set",  "rpm_to=140", "--set",      LATE,    NULL};
	struct road *r = road_ride(ENGINE, LINK_FRAMES, words);
	ck_assert_msg(r->status == 0, "%s", r->fault.text);
	ck_assert_uint_eq(r->report->findings.n, END_COUNT); /* and nothing else */
	for (unsigned end = 0; end < END_COUNT; end++) {
		is_found(r, end);
		is_named(r, end);
	}
	road_free(r);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("overlap of exhaust and inlet");
	TCase *c = tcase_create("overlap of exhaust and inlet");
	tcase_set_timeout(c, 120);
	tcase_add_test(c, an_exhaust_that_shuts_late_is_found_and_named_once);
	suite_add_tcase(s, c);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_ENV);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
