/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/chamber_found.h"

#include <check.h>
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

static void swap_series(struct rig *r)
{
	struct ride_series cap = r->leg.sensor[1];
	r->leg.sensor[1] = r->leg.sensor[2];
	r->leg.sensor[2] = cap;
}

START_TEST(swapped_sensors_are_named)
{
	struct found f;
	struct rig *r = healthy;
	swap_series(r);
	found_in(r, &f);
	ck_assert(found_says(&f, "both ends stand the wrong way round"));
	found_done(&f);
}
END_TEST

START_TEST(swapped_wires_of_one_end_are_named)
{
	struct found f;
	struct rig *r = healthy;
	for (size_t i = 0; i < r->leg.command_n; i++)
		if (r->leg.command[i].valve < 2)
			r->leg.command[i].valve ^= 1;
	found_in(r, &f);
	ck_assert(found_says(&f, "wires of its inlet and exhaust are swapped"));
	ck_assert(found_says(&f, "the cap end is"));
	found_done(&f);
}
END_TEST

START_TEST(inlets_swapped_between_the_ends_are_named)
{
	struct found f;
	struct rig *r = healthy;
	for (size_t i = 0; i < r->leg.command_n; i++)
		if (r->leg.command[i].valve % 2 == 0)
			r->leg.command[i].valve ^= 2;
	found_in(r, &f);
	ck_assert(found_says(&f, "the inlet valves of the two ends are swapped"));
	ck_assert(!found_says(&f, "stuck"));
	found_done(&f);
}
END_TEST

START_TEST(a_stuck_sensor_is_named)
{
	struct found f;
	struct rig *r = healthy;
	for (size_t i = 0; i < r->leg.sensor[2].n; i++)
		r->leg.sensor[2].value[i] = 104000;
	found_in(r, &f);
	ck_assert(found_says(&f, "the rod end's pressure sensor is stuck"));
	found_done(&f);
}
END_TEST

/* Every fifth opening of the cap inlet is taken back after 12 ms and given again 12 ms later. */
static void fire_double(struct rig *r)
{
	struct leg *l = &r->leg;
	size_t n = 0, openings = 0;
	struct ride_command *c = calloc(2 * l->command_n, sizeof(*c));
	for (size_t i = 0; i < l->command_n; i++) {
		struct ride_command at = l->command[i];
		c[n++] = at;
		if (at.valve != 0 || !at.on || openings++ % 5 != 0)
			continue;
		for (int again = 0; again < 2; again++) {
			at.t_us += 12000;
			at.on = again;
			c[n++] = at;
		}
	}
	free(l->command);
	l->command = c;
	l->command_n = n;
}

START_TEST(a_controller_that_fires_double_is_named)
{
	struct found f;
	fire_double(healthy);
	found_in(healthy, &f);
	ck_assert(found_says(&f, "cap inlet was told to open twice"));
	ck_assert(!found_says(&f, "rod inlet was told"));
	ck_assert(!found_says(&f, "exhaust was told"));
	found_done(&f);
}
END_TEST

/* From every fourth cut-off of the cap end on, a turn's commands to it are missing, though its valves moved:
 * the next release commanded belongs to a stroke one turn later. */
static void lose_turns(struct rig *r)
{
	struct leg *l = &r->leg;
	size_t n = 0, cut_offs = 0, skip = 0;
	for (size_t i = 0; i < l->command_n; i++) {
		bool cap = l->command[i].valve < 2;
		if (cap && skip > 0) {
			skip--;
			continue;
		}
		l->command[n++] = l->command[i];
		if (l->command[i].valve == 0 && !l->command[i].on && cut_offs++ % 4 == 1)
			skip = 4;
	}
	l->command_n = n;
}

START_TEST(turns_without_commands_are_no_leak)
{
	struct found f;
	lose_turns(healthy);
	found_in(healthy, &f);
	ck_assert(!found_says(&f, "leaks"));
	double index = valve_events_gas_model(f.v)->n_polytropic[END_CAP];
	ck_assert_double_gt(index, 1.1);
	ck_assert_double_lt(index, 1.45);
	found_done(&f);
}
END_TEST

int main(void)
{
	Suite *suite = suite_create("faults of wires, hoses and sensors");
	TCase *tc = tcase_create("faults of wires, hoses and sensors");
	tcase_set_timeout(tc, 120);
	tcase_add_unchecked_fixture(tc, simulate, discard);
	tcase_add_test(tc, swapped_sensors_are_named);
	tcase_add_test(tc, swapped_wires_of_one_end_are_named);
	tcase_add_test(tc, inlets_swapped_between_the_ends_are_named);
	tcase_add_test(tc, a_stuck_sensor_is_named);
	tcase_add_test(tc, a_controller_that_fires_double_is_named);
	tcase_add_test(tc, turns_without_commands_are_no_leak);
	suite_add_tcase(suite, tc);
	SRunner *runner = srunner_create(suite);
	srunner_run_all(runner, CK_NORMAL);
	int failed = srunner_ntests_failed(runner);
	srunner_free(runner);
	return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
