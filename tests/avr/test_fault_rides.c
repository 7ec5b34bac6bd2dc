/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Rides on which something goes wrong, held near 100 rpm by a brake: the inlets
 * are shut within one turn, and the log tells the story.
 * TRAMMEL_ELF names the controller's program, TRAMMEL_UNHEARD_ELF the same with
 * LINK_LOSS_SHUTS 0. */
#include "tests/avr/heard.h"
#include "tests/avr/ride.h"

#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define TURN_S 0.62 /* a little more than at 100 rpm, for the brake gives */
#define FAULT_S 3.0
#define UNPLUGGED_S 1.5

struct run {
	struct engine engine;
	struct ride *ride;
	struct heard heard;
	FILE *link;
};

static struct run run;

static void set(struct settings *s, const char *assignment)
{
	struct fault f;
	ck_assert_msg(settings_apply(s, assignment, &f) == 0, "%s", f.text);
}

static void go_with(const char *variable, const struct ride_faults *faults, const char *const *more,
                    double duration_s)
{
	struct fault f;
	struct settings s = settings_default();
	const char *elf = getenv(variable);
	ck_assert_msg(elf != NULL, "%s is not set: make firmware-check", variable);
	set(&s, "drive=2");
	set(&s, "rpm=100");
	set(&s, "open_delay=20");
	set(&s, "shut_delay=25.5");
	for (; more != NULL && *more != NULL; more++)
		set(&s, *more);
	ck_assert_int_eq(engine_read("sample-logs/number7.ini", &run.engine, &f), 0);
	run.link = tmpfile();
	ck_assert_ptr_nonnull(run.link);
	const struct ride_link to_file = ride_link_file(run.link);
	run.ride = ride_new(&run.engine, &s, faults, elf, NULL, &to_file, &f);
	ck_assert_msg(run.ride != NULL, "%s", f.text);
	ride_run(run.ride, duration_s);
	run.heard = heard_make(LINK_FRAMES);
	heard_file(&run.heard, run.link);
}

static void go(const struct ride_faults *faults, const char *const *more, double duration_s)
{
	go_with("TRAMMEL_ELF", faults, more, duration_s);
}

static void done(void)
{
	heard_free(&run.heard);
	ride_free(run.ride);
	fclose(run.link);
	engine_free(&run.engine);
}

/* True when an inlet coil is on at any instant from a to b. */
static bool inlet_on(double a, double b)
{
	size_t n;
	const struct ride_coil *c = ride_coils(run.ride, &n);
	bool on[BOARD_VALVES] = {false};
	bool seen = false;
	for (size_t i = 0; i < n && c[i].t_s < b; i++) {
		if (c[i].t_s >= a)
			seen = seen || on[0] || on[2] || (c[i].on && c[i].valve % 2 == 0);
		on[c[i].valve] = c[i].on;
	}
	return seen || on[0] || on[2];
}

static size_t changes(double a, double b)
{
	size_t n, count = 0;
	const struct ride_coil *c = ride_coils(run.ride, &n);
	for (size_t i = 0; i < n; i++)
		count += c[i].t_s >= a && c[i].t_s < b;
	return count;
}

/* When the log has this mark, in s of the controller's time; the clock starts
 * again when the controller does. */
static double told_s(const char *begins)
{
	const struct record *r = heard_mark(&run.heard, 0, begins);
	ck_assert_msg(r != NULL, "the log does not say \"%s\"", begins);
	return r->t_us * 1e-6;
}

/* Last closing of the index before, or first behind, this time. */
static double index_s(double t_s, bool before)
{
	double found = NAN;
	for (size_t i = 0; i < run.heard.n; i++) {
		const struct record *r = &run.heard.record[i];
		double at = r->t_us * 1e-6;
		if (r->kind != RECORD_INDEX || r->value != 1)
			continue;
		if (before && at < t_s)
			found = at;
		if (!before && at >= t_s && isnan(found))
			found = at;
	}
	ck_assert(!isnan(found));
	return found;
}

START_TEST(without_a_fault_the_inlets_work_and_the_log_is_whole)
{
	const struct ride_faults none = ride_no_faults();
	go(&none, NULL, 5);
	for (double t = 1.5; t < 4.3; t += TURN_S)
		ck_assert(inlet_on(t, t + TURN_S));
	ck_assert_uint_eq(run.heard.damages + run.heard.frames_lost + run.heard.lost, 0);
	ck_assert_ptr_null(heard_mark(&run.heard, 0, "index with"));
	ck_assert_ptr_null(heard_mark(&run.heard, 0, "a turn without"));
	done();
}
END_TEST

/* Off at once, and off until the controller has found the index again. */
static void check_restart(double off_s, double hold_s, const char *why)
{
	ck_assert_ptr_nonnull(heard_mark(&run.heard, 0, why));
	ck_assert_uint_eq(run.heard.kinds[RECORD_HELLO], 2);
	ck_assert_uint_le(run.heard.damages, 1); /* the frame that it was sending, if any */
	ck_assert(inlet_on(off_s - TURN_S, off_s));
	double again_s = NAN;
	size_t n;
	const struct ride_coil *c = ride_coils(run.ride, &n);
	for (size_t i = 0; i < n; i++)
		if (c[i].t_s > off_s + 1e-4 && c[i].on && c[i].valve % 2 == 0 && isnan(again_s))
			again_s = c[i].t_s;
	ck_assert(!isnan(again_s));
	ck_assert(!inlet_on(off_s + 1e-4, again_s));
	ck_assert(again_s > off_s + hold_s);
}

START_TEST(a_reset_in_mid_turn_shuts_the_valves_at_once)
{
	struct ride_faults faults = ride_no_faults();
	faults.reset_at = FAULT_S;
	faults.reset_s = 0.001;
	go(&faults, NULL, 5);
	check_restart(FAULT_S, faults.reset_s, "start: reset pin");
	done();
}
END_TEST

START_TEST(a_power_dip_shuts_the_valves_for_its_time)
{
	struct ride_faults faults = ride_no_faults();
	faults.dip_at = FAULT_S;
	faults.dip_s = 0.3;
	go(&faults, NULL, 5);
	check_restart(FAULT_S, faults.dip_s, "start: supply voltage too low");
	done();
}
END_TEST

START_TEST(an_index_lost_for_three_turns_shuts_the_inlets)
{
	struct ride_faults faults = ride_no_faults();
	faults.index_lost_at = FAULT_S;
	faults.index_lost_until = FAULT_S + 3 * TURN_S;
	go(&faults, NULL, 8);
	double last_s = index_s(FAULT_S, true), back_s = index_s(FAULT_S, false);
	ck_assert(back_s - last_s > 3 * 0.55);
	/* The first closing is missed a turn after the last one seen. */
	double told = told_s("a turn without index: inlets shut");
	ck_assert(told > last_s && told < last_s + 1.1 * TURN_S);
	ck_assert(!inlet_on(last_s + 1.1 * TURN_S, back_s));
	ck_assert(told_s("index found: checking") >= back_s);
	double proved = told_s("count right: inlets free");
	ck_assert(!inlet_on(back_s, proved - 0.002));
	ck_assert(inlet_on(proved, proved + TURN_S));
	done();
}
END_TEST

START_TEST(a_burst_of_tooth_pulses_shuts_the_inlets)
{
	static const char *const burst[] = {"burst_at=3", "burst_time=80", "burst_hz=250", "burst_mask=0.7",
	                                    NULL};
	const struct ride_faults none = ride_no_faults();
	go(&none, burst, 8);
	bool pulses = heard_mark(&run.heard, 0, "tooth pulses that no crank makes") != NULL;
	bool count = heard_mark(&run.heard, 0, "index with a wrong count") != NULL;
	bool turn = heard_mark(&run.heard, 0, "a turn without index") != NULL;
	ck_assert(pulses || count || turn);
	double proved = told_s("count right: inlets free");
	ck_assert(proved > FAULT_S);
	ck_assert(!inlet_on(FAULT_S + TURN_S, proved - 0.002));
	ck_assert(inlet_on(proved, proved + TURN_S));
	/* Every edge is in the log, false ones too, but for 20 ms on the way at the end. */
	ck_assert_uint_eq(run.heard.lost + run.heard.damages + run.heard.frames_lost, 0);
	ck_assert_uint_le(ride_fed(run.ride).tooth - run.heard.kinds[RECORD_TOOTH], 4);
	done();
}
END_TEST

static struct ride_faults unplugged(void)
{
	struct ride_faults faults = ride_no_faults();
	faults.unplugged_at = FAULT_S;
	faults.unplugged_until = FAULT_S + UNPLUGGED_S;
	return faults;
}

/* The hole in the log: frames missed (counted modulo 256), those cut at both ends damaged,
 * nothing dropped by the sender. */
static void check_hole(void)
{
	ck_assert_uint_gt(run.heard.frames_lost, 0);
	ck_assert_uint_le(run.heard.damages, 2);
	ck_assert_uint_eq(run.heard.lost, 0);
	for (size_t i = 0; i < run.heard.n; i++) {
		double t_s = run.heard.record[i].t_us * 1e-6;
		ck_assert(t_s < FAULT_S || t_s > FAULT_S + UNPLUGGED_S - 0.05);
	}
}

START_TEST(an_unplugged_serial_line_shuts_the_inlets)
{
	struct ride_faults faults = unplugged();
	go(&faults, NULL, 8);
	double back_s = told_s("link back after ");
	ck_assert(inlet_on(FAULT_S - TURN_S, FAULT_S));
	/* 20 ms to notice, a turn of the loop; a turn of the crank would be allowed. */
	ck_assert(!inlet_on(FAULT_S + 0.023, back_s));
	ck_assert(back_s > FAULT_S + UNPLUGGED_S && back_s < FAULT_S + UNPLUGGED_S + 0.025);
	ck_assert_uint_ge(changes(FAULT_S + TURN_S, FAULT_S + UNPLUGGED_S), 4); /* the exhausts go on */
	ck_assert(told_s("index found: checking") > back_s);
	double proved = told_s("count right: inlets free");
	ck_assert(proved > back_s + 0.55);
	ck_assert(!inlet_on(back_s, proved - 0.002));
	ck_assert(inlet_on(proved, proved + TURN_S));
	check_hole();
	done();
}
END_TEST

/* The mark of the return says how long: by the controller's own look at the pin, within 2 ms. */
START_TEST(the_mark_of_the_return_says_how_long_the_link_was_lost)
{
	struct ride_faults faults = unplugged();
	go(&faults, NULL, 5);
	const struct record *r = heard_mark(&run.heard, 0, "link back after ");
	ck_assert_ptr_nonnull(r);
	double said_s = atof(r->text + strlen("link back after ")) * 1e-3;
	ck_assert_double_eq_tol(said_s, r->t_us * 1e-6 - FAULT_S, 0.002);
	done();
}
END_TEST

START_TEST(where_a_lost_link_is_not_to_shut_the_engine_runs_on)
{
	struct ride_faults faults = unplugged();
	go_with("TRAMMEL_UNHEARD_ELF", &faults, NULL, 6);
	/* Four valves, on and off once a turn. */
	ck_assert_uint_ge(changes(FAULT_S, FAULT_S + 1), 8);
	ck_assert(inlet_on(FAULT_S + 0.2, FAULT_S + 0.2 + TURN_S));
	ck_assert_ptr_null(heard_mark(&run.heard, 0, "link"));
	check_hole();
	done();
}
END_TEST

int main(void)
{
	Suite *s = suite_create("fault rides");
	TCase *t = tcase_create("rides");
	tcase_set_timeout(t, 120);
	tcase_add_test(t, without_a_fault_the_inlets_work_and_the_log_is_whole);
	tcase_add_test(t, a_reset_in_mid_turn_shuts_the_valves_at_once);
	tcase_add_test(t, a_power_dip_shuts_the_valves_for_its_time);
	tcase_add_test(t, an_index_lost_for_three_turns_shuts_the_inlets);
	tcase_add_test(t, a_burst_of_tooth_pulses_shuts_the_inlets);
	tcase_add_test(t, an_unplugged_serial_line_shuts_the_inlets);
	tcase_add_test(t, the_mark_of_the_return_says_how_long_the_link_was_lost);
	tcase_add_test(t, where_a_lost_link_is_not_to_shut_the_engine_runs_on);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
