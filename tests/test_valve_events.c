/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/chamber_found.h"

#include "analyse/valve_events_tally.h"
#include "common/unit.h"

#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* The short ride, simulated and looked through once for the tests that only read. */
static struct found healthy;

static void look_through(void)
{
	struct rig_setup s = found_short_ride();
	found_run(&s, &healthy);
}

static void discard(void)
{
	found_done(&healthy);
}

START_TEST(the_error_splits_exactly)
{
	struct rig_setup s = found_short_ride();
	struct found f;
	s.intended_lead_deg = 7;
	found_run(&s, &f);
	unsigned checked = 0;
	for (size_t i = 0; i < f.n; i++) {
		const struct valve_event *e = &f.row[i];
		if (!found_counted(e))
			continue;
		double parts = e->count_error_rad + e->firing_error_rad + e->event_rad - e->command_rad;
		double whole = e->event_rad - e->intended_rad;
		ck_assert_double_lt(fabs(remainder(parts - whole, 2 * UNIT_PI)), unit_rad(1e-9));
		ck_assert_double_eq_tol(e->delay_s, (e->event_t_us - e->command_t_us) * 1e-6, 1e-12);
		checked++;
	}
	ck_assert_uint_gt(checked, 90);
	/* the rig's controller knows its angle, and commands 7 deg before the intended one */
	for (size_t i = 0; i < f.summaries; i++) {
		ck_assert_double_lt(fabs(unit_deg(f.summary[i].count_error_rad)), 0.1);
		ck_assert_double_lt(fabs(unit_deg(f.summary[i].firing_error_rad) + 7), 0.1);
	}
	found_done(&f);
}
END_TEST

START_TEST(a_summary_says_how_late_and_why)
{
	ck_assert_uint_eq(healthy.summaries, 8);
	const struct valve_event_summary *a = &healthy.summary[0];
	ck_assert_uint_eq(a->end, END_CAP);
	ck_assert_uint_eq(a->event, EVENT_ADMISSION);
	ck_assert_str_eq(a->verdict, "late");
	ck_assert_double_eq_tol(a->delay_s, 18e-3, 0.4e-3);
	ck_assert_double_lt(a->delay_ci95_s[0], 18e-3);
	ck_assert_double_gt(a->delay_ci95_s[1], 18e-3);
	/* 10 % of the pressure change comes before half of the 4 ms ramp is over, after its beginning */
	ck_assert_double_gt(a->t10_s, 16e-3);
	ck_assert_double_lt(a->t10_s, 20e-3);
	ck_assert_double_eq_tol(unit_deg(a->commanded_rad), 4, 0.1);
	ck_assert_double_eq_tol(a->error_rad, 18e-3 * a->speed_rad_s, unit_rad(1));
	ck_assert(a->separable);
	ck_assert_double_eq_tol(unit_deg(a->offset_rad), 0, 0.2);
	ck_assert_double_eq_tol(a->latency_s, 0, 0.3e-3);
	ck_assert_ptr_nonnull(strstr(a->words, "cap inlet opens"));
	ck_assert_ptr_nonnull(strstr(a->words, "deg late"));
	ck_assert_ptr_nonnull(strstr(a->words, " rpm: "));
	ck_assert_ptr_nonnull(strstr(a->words, "; send the command "));
	ck_assert_ptr_nonnull(strstr(a->words, "ms) earlier"));
}
END_TEST

/* The split of a summary, in deg, beyond what belongs there. */
static double unexplained_deg(const struct valve_event_summary *s)
{
	return unit_deg(s->error_rad - s->count_error_rad - s->firing_error_rad -
	                s->delay_s * s->speed_rad_s);
}

/* The cap sensor shows nothing for the slow half of the ride, as where an event of slow turns cannot be seen;
 * the rig's valves are late by their delay alone. */
START_TEST(an_error_belongs_to_the_turns_that_show_it)
{
	struct rig_setup s = found_short_ride();
	struct found f;
	struct rig *r = rig_run(&s);
	struct ride_series *cap = &r->leg.sensor[1];
	size_t half = cap->n / 2;
	cap->n -= half;
	memmove(cap->t_us, cap->t_us + half, sizeof(*cap->t_us) * cap->n);
	memmove(cap->value, cap->value + half, sizeof(*cap->value) * cap->n);
	memmove(cap->counts, cap->counts + half, sizeof(*cap->counts) * cap->n);
	found_in(r, &f);
	for (size_t i = 0; i < f.summaries; i++) {
		const struct valve_event_summary *e = &f.summary[i];
		bool seen_in_part = e->end == END_CAP;
		ck_assert_double_lt(fabs(unexplained_deg(e)), 1e-5);
		ck_assert_double_lt(fabs(unit_deg(e->count_error_rad + e->firing_error_rad)), 0.2);
		ck_assert_double_lt(
		    fabs(remainder(e->actual_rad - e->intended_rad - e->error_rad, 2 * UNIT_PI)),
		    unit_rad(1e-5));
		ck_assert_int_eq(valve_summary_other_speed(e), seen_in_part);
		ck_assert_int_eq(strstr(e->words, "the faster ones") != NULL, seen_in_part);
		double off = e->error_rad - s.delay_s[e->event / 2][e->event % 2] * e->speed_rad_s;
		ck_assert_double_lt(fabs(off), unit_rad(1.5));
		if (!seen_in_part)
			ck_assert_double_eq_tol(e->speed_rad_s, e->ride_speed_rad_s, 0.05 * e->speed_rad_s);
		else
			ck_assert_double_gt(e->speed_rad_s, 1.05 * e->ride_speed_rad_s);
	}
	found_done(&f);
}
END_TEST

START_TEST(one_speed_does_not_tell_offset_from_delay)
{
	struct rig_setup s = found_short_ride();
	struct found f;
	s.rpm_from = s.rpm_to = 100;
	found_run(&s, &f);
	for (size_t i = 0; i < f.summaries; i++) {
		ck_assert(!f.summary[i].separable);
		ck_assert(isnan(f.summary[i].offset_rad) && isnan(f.summary[i].latency_s));
		ck_assert_ptr_nonnull(strstr(f.summary[i].words, "speeds too alike"));
	}
	found_done(&f);
}
END_TEST

START_TEST(without_chamber_sensors_count_and_firing_remain)
{
	struct rig_setup s = found_short_ride();
	struct found f;
	s.chamber_sensor[END_CAP] = s.chamber_sensor[END_ROD] = false;
	found_run(&s, &f);
	for (size_t i = 0; i < f.n; i++) {
		ck_assert_int_eq(f.row[i].cls, EVENT_CLASS_C);
		ck_assert(isnan(f.row[i].event_t_us));
		ck_assert(isfinite(f.row[i].count_error_rad) && isfinite(f.row[i].firing_error_rad));
	}
	for (size_t i = 0; i < f.summaries; i++) {
		ck_assert_str_eq(f.summary[i].verdict, "not known");
		ck_assert_ptr_nonnull(strstr(f.summary[i].words, "without a pressure sensor"));
		ck_assert(isfinite(f.summary[i].firing_error_rad));
	}
	found_done(&f);
}
END_TEST

START_TEST(a_healthy_ride_draws_no_finding)
{
	ck_assert_ptr_null(valve_events_finding(healthy.v, 0));
}
END_TEST

START_TEST(the_gas_model_is_learned)
{
	const struct gas_model *g = valve_events_gas_model(healthy.v);
	for (int end = 0; end < END_COUNT; end++) {
		ck_assert_double_eq_tol(g->conductance[end][0], 3e-8, 0.3e-8);
		ck_assert_double_eq_tol(g->conductance[end][1], 3.5e-8, 0.6e-8);
		ck_assert_double_eq_tol(g->noise_pa[end], 5e3, 0.7e3);
		ck_assert_double_gt(g->n_polytropic[end], 1.1);
		ck_assert_double_lt(g->n_polytropic[end], 1.45);
	}
}
END_TEST

START_TEST(an_empty_leg_is_no_fault)
{
	struct rig_setup s = found_short_ride();
	struct found f;
	s.seconds = 3;
	struct rig *r = rig_run(&s);
	r->leg.command_n = 0;
	for (int i = 0; i < 3; i++)
		r->leg.sensor[i].n = 0;
	found_in(r, &f);
	ck_assert_uint_eq(f.n, 0);
	ck_assert_uint_eq(f.summaries, 0);
	found_done(&f);
}
END_TEST

int main(void)
{
	Suite *suite = suite_create("valve events");
	TCase *tc = tcase_create("valve events");
	tcase_set_timeout(tc, 120);
	tcase_add_unchecked_fixture(tc, look_through, discard);
	tcase_add_test(tc, the_error_splits_exactly);
	tcase_add_test(tc, a_summary_says_how_late_and_why);
	tcase_add_test(tc, an_error_belongs_to_the_turns_that_show_it);
	tcase_add_test(tc, one_speed_does_not_tell_offset_from_delay);
	tcase_add_test(tc, without_chamber_sensors_count_and_firing_remain);
	tcase_add_test(tc, a_healthy_ride_draws_no_finding);
	tcase_add_test(tc, the_gas_model_is_learned);
	tcase_add_test(tc, an_empty_leg_is_no_fault);
	suite_add_tcase(suite, tc);
	SRunner *runner = srunner_create(suite);
	srunner_run_all(runner, CK_NORMAL);
	int failed = srunner_ntests_failed(runner);
	srunner_free(runner);
	return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
