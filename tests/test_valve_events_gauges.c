/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What is not as usual at a chamber, and must not pass for the valve's: a gauge that shows too much, a sensor
 * that lags by milliseconds, a valve far wider than the cylinder needs. */
#include "tests/chamber_found.h"

#include <check.h>
#include <math.h>
#include <stdlib.h>

/* Mean of what was found less what was, over the events of a summary, s. */
static double bias_s(const struct found *f, const struct valve_event_summary *s)
{
	double sum = 0, n = 0;
	for (size_t i = 0; i < f->n; i++) {
		const struct valve_event *e = &f->row[i];
		if (!found_counted(e) || !f->rig->event[i].moved || e->end != s->end || e->event != s->event)
			continue;
		sum += (e->event_t_us - f->rig->event[i].t50_us) * 1e-6;
		n++;
	}
	return sum / n;
}

static const double bias_goal_s[EVENT_KINDS] = {0.25e-3, 0.3e-3, 0.2e-3, 1e-3};

/* Every mean within its goal, or within its own interval if that is wider; `most_s` at the most. */
static void check_means(const struct found *f, double most_s)
{
	ck_assert_uint_eq(f->summaries, 8);
	for (size_t i = 0; i < f->summaries; i++) {
		const struct valve_event_summary *s = &f->summary[i];
		double off = fabs(bias_s(f, s)), half = (s->delay_ci95_s[1] - s->delay_ci95_s[0]) / 2;
		ck_assert_uint_ge(s->count, 12);
		ck_assert_double_lt(off, fmax(bias_goal_s[s->event], half));
		ck_assert_double_lt(off, s->event == EVENT_COMPRESSION ? 2 * most_s : most_s);
	}
}

static void change_gauge(struct rig *r, enum engine_sensor_role role, double gain, double zero_pa)
{
	int channel = engine_sensor_channel(&r->engine, role);
	struct ride_series *s = &r->leg.sensor[channel];
	for (size_t i = 0; i < s->n; i++) {
		double above = (double)s->value[i] - r->engine.ambient_pa;
		s->value[i] = (float)(r->engine.ambient_pa + gain * above + zero_pa);
	}
}

/* 3 % and 0.1 bar more at one end than the supply's gauge shows, 2 % less at the other. */
START_TEST(gauges_that_differ_do_not_move_the_events)
{
	struct rig_setup s = found_short_ride();
	struct found f;
	struct rig *r = rig_run(&s);
	change_gauge(r, SENSOR_CAP, 1.03, 1e4);
	change_gauge(r, SENSOR_ROD, 0.98, 0);
	found_in(r, &f);
	check_means(&f, 0.6e-3);
	found_done(&f);
}
END_TEST

START_TEST(a_lag_of_milliseconds_is_found)
{
	struct rig_setup s = found_short_ride();
	struct found f;
	s.lag_s = 4e-3;
	found_run(&s, &f);
	check_means(&f, 0.8e-3);
	for (int end = 0; end < END_COUNT; end++)
		ck_assert_double_eq_tol(valve_events_gas_model(f.v)->sensor_lag_s[end], 4e-3, 0.5e-3);
	found_done(&f);
}
END_TEST

/* Eight times as wide as the cylinder needs: full before half open. */
START_TEST(passages_that_are_never_the_throttle_leave_doubt)
{
	struct rig_setup s = found_short_ride();
	struct found f;
	s.conductance[0] *= 8;
	s.conductance[1] *= 8;
	found_run(&s, &f);
	check_means(&f, 1.2e-3);
	found_done(&f);
}
END_TEST

int main(void)
{
	Suite *suite = suite_create("valve events beside odd gauges and valves");
	TCase *tc = tcase_create("valve events beside odd gauges and valves");
	tcase_set_timeout(tc, 120);
	tcase_add_test(tc, gauges_that_differ_do_not_move_the_events);
	tcase_add_test(tc, a_lag_of_milliseconds_is_found);
	tcase_add_test(tc, passages_that_are_never_the_throttle_leave_doubt);
	suite_add_tcase(suite, tc);
	SRunner *runner = srunner_create(suite);
	srunner_run_all(runner, CK_NORMAL);
	int failed = srunner_ntests_failed(runner);
	srunner_free(runner);
	return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
