/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/chamber_found.h"

#include <check.h>
#include <math.h>
#include <stdint.h>
#include <stdlib.h>

/* The short ride, simulated once; each test, in a process of its own, may change its copy. */
static struct rig *healthy;

static void simulate(void)
{
	struct rig_setup s = found_short_ride();
	healthy = rig_run(&s);
}

static void discard(void)
{
	rig_free(healthy);
}

START_TEST(a_flagged_stretch_is_left_out)
{
	struct found f;
	struct rig *r = healthy;
	struct crank_point *p = (struct crank_point *)(uintptr_t)r->crank.point;
	size_t flagged = 0;
	for (size_t i = 0; i < r->crank.n; i++)
		if (p[i].t_us > 4000000 && p[i].t_us < 6000000)
			p[i].flag = CRANK_COUNT_UNSURE;
	found_in(r, &f);
	for (size_t i = 0; i < f.n; i++) {
		if (f.row[i].command_t_us < 4.1e6 || f.row[i].command_t_us > 5.9e6)
			continue;
		flagged++;
		ck_assert(f.row[i].flagged);
		ck_assert_int_eq(f.row[i].cls, EVENT_CLASS_C);
		ck_assert(isnan(f.row[i].command_rad));
	}
	ck_assert_uint_gt(flagged, 10);
	found_done(&f);
}
END_TEST

START_TEST(a_normally_open_valve_opens_when_switched_off)
{
	struct found f;
	struct rig *r = healthy;
	r->engine.valve[1].rest_open = true;
	for (size_t i = 0; i < r->leg.command_n; i++)
		if (r->leg.command[i].valve == 1)
			r->leg.command[i].on = !r->leg.command[i].on;
	found_in(r, &f);
	for (size_t i = 0; i < f.n; i++)
		ck_assert_uint_eq(f.row[i].event, r->event[i].event);
	found_done(&f);
}
END_TEST

/* One coil with a spring: going on it opens the cap inlet and shuts the cap exhaust, going off the other way
 * round. */
START_TEST(what_a_valve_opens_at_rest_shuts_when_its_coil_goes_on)
{
	struct rig_setup s = found_short_ride();
	struct found f;
	rig_as_spool(&s);
	struct rig *r = rig_run(&s);
	r->engine.valve[0].passages = PASSAGE_CAP_INLET | PASSAGE_CAP_EXHAUST;
	r->engine.valve[0].rest_passages = PASSAGE_CAP_EXHAUST;
	r->engine.valve[1].passages = 0;
	found_in(r, &f);
	unsigned n[EVENT_KINDS] = {0}, seen = 0, wrong = 0;
	for (size_t i = 0; i < f.n; i++) {
		if (f.row[i].valve != 0)
			continue;
		bool on = f.row[i].event == EVENT_ADMISSION || f.row[i].event == EVENT_COMPRESSION;
		size_t c = 0;
		while (c < r->leg.command_n && ((double)r->leg.command[c].t_us < f.row[i].command_t_us ||
		                                r->leg.command[c].valve != 0))
			c++;
		wrong += c == r->leg.command_n || r->leg.command[c].on != on;
		n[f.row[i].event]++;
		/* of the two passages at once the pressure shows the one that opens; it is laid first */
		bool opens = f.row[i].event == EVENT_ADMISSION || f.row[i].event == EVENT_RELEASE;
		if (opens)
			continue;
		ck_assert_double_eq(f.row[i - 1].command_t_us, f.row[i].command_t_us);
		seen += isnan(f.row[i - 1].event_t_us) ? 0 : 1;
		ck_assert(isnan(f.row[i - 1].event_t_us) || f.row[i].cls == EVENT_CLASS_C);
	}
	ck_assert_uint_eq(wrong, 0);
	ck_assert_uint_gt(seen, 10);
	ck_assert_uint_gt(n[EVENT_ADMISSION], 10);
	ck_assert_uint_eq(n[EVENT_ADMISSION], n[EVENT_COMPRESSION]);
	ck_assert_uint_eq(n[EVENT_CUT_OFF], n[EVENT_RELEASE]);
	found_done(&f);
}
END_TEST

/* Two valves of one end driven by one 5/2 valve: what opens the one shuts the other?  No: a 5/2 valve's coil
 * opens both passages it lists, here cap inlet and rod exhaust. */
START_TEST(a_valve_with_two_passages_gives_two_events)
{
	struct found f;
	struct rig *r = healthy;
	r->engine.valve[0].passages = PASSAGE_CAP_INLET | PASSAGE_ROD_EXHAUST;
	r->engine.valve[3].passages = 0;
	found_in(r, &f);
	unsigned cap = 0, rod = 0;
	for (size_t i = 0; i < f.n; i++) {
		cap += f.row[i].valve == 0 && f.row[i].end == END_CAP && f.row[i].event == EVENT_ADMISSION;
		rod += f.row[i].valve == 0 && f.row[i].end == END_ROD && f.row[i].event == EVENT_RELEASE;
		ck_assert_uint_ne(f.row[i].valve, 3);
	}
	ck_assert_uint_gt(cap, 10);
	ck_assert_uint_eq(cap, rod);
	found_done(&f);
}
END_TEST

int main(void)
{
	Suite *suite = suite_create("valve events of altered rides");
	TCase *tc = tcase_create("valve events of altered rides");
	tcase_set_timeout(tc, 120);
	tcase_add_unchecked_fixture(tc, simulate, discard);
	tcase_add_test(tc, a_flagged_stretch_is_left_out);
	tcase_add_test(tc, a_normally_open_valve_opens_when_switched_off);
	tcase_add_test(tc, a_valve_with_two_passages_gives_two_events);
	tcase_add_test(tc, what_a_valve_opens_at_rest_shuts_when_its_coil_goes_on);
	suite_add_tcase(suite, tc);
	SRunner *runner = srunner_create(suite);
	srunner_run_all(runner, CK_NORMAL);
	int failed = srunner_ntests_failed(runner);
	srunner_free(runner);
	return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
