/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/standing.h"

#include "analyse/commands.h"
#include "common/air.h"
#include "tests/chamber_rig.h"
#include "tests/log_rig.h"

#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>
#include <unistd.h>

static struct rig_setup bench(void)
{
	struct rig_setup s = rig_healthy();
	s.pulse_s = 60e-3;
	s.seconds = 30;
	s.supply_pa = 4e5;
	s.supply_to_pa = 7e5;
	s.delay_per_pa = -0.6e-8; /* -0.6 ms a bar */
	s.droop_pa = 1e4;
	return s;
}

/* The bench's ride, simulated once; each test, in a process of its own, may change its copy. */
static struct rig *pulsed;

static void simulate(void)
{
	struct rig_setup s = bench();
	pulsed = rig_run(&s);
}

static void discard(void)
{
	rig_free(pulsed);
}

static int measure(const struct rig *r, struct standing_row *rows)
{
	struct fault fault;
	struct standing *s = standing_new(&r->engine, &r->mech);
	ck_assert_ptr_nonnull(s);
	ck_assert_int_eq(standing_measure(s, &r->leg, &fault), 0);
	int n = standing_finish(s, rows);
	standing_free(s);
	return n;
}

static const struct standing_row *row_of(const struct standing_row *rows, int n, unsigned end, unsigned event)
{
	for (int i = 0; i < n; i++)
		if (rows[i].end == end && rows[i].event == event)
			return &rows[i];
	ck_abort_msg("no such row");
	return NULL;
}

static double true_delay_s(const struct rig *r, unsigned end, unsigned event)
{
	double sum = 0, n = 0;
	for (size_t i = 0; i < r->event_n; i++)
		if (r->event[i].end == end && r->event[i].event == event && r->event[i].moved) {
			sum += (r->event[i].t50_us - r->event[i].command_us) * 1e-6;
			n++;
		}
	return sum / n;
}

START_TEST(openings_are_timed_and_follow_the_supply)
{
	struct rig *r = pulsed;
	struct standing_row rows[STANDING_ROWS];
	int n = measure(r, rows);
	ck_assert_int_eq(n, 8);
	for (unsigned end = 0; end < END_COUNT; end++) {
		const struct standing_row *in = row_of(rows, n, end, EVENT_ADMISSION);
		ck_assert_uint_ge(in->seen, 15);
		ck_assert_double_eq_tol(in->t50.mean, true_delay_s(r, end, EVENT_ADMISSION), 0.6e-3);
		ck_assert_double_eq_tol(in->per_pa, -0.6e-8, 0.4e-8);
		ck_assert_double_lt(in->supply_pa[0], 4.6e5);
		ck_assert_double_gt(in->supply_pa[1], 6.6e5);
		const struct standing_row *out = row_of(rows, n, end, EVENT_RELEASE);
		ck_assert_uint_ge(out->seen, 15);
		ck_assert_double_eq_tol(out->t50.mean, true_delay_s(r, end, EVENT_RELEASE), 1e-3);
	}
}
END_TEST

/* Air has long come to rest when the valve shuts: nothing shows it. */
START_TEST(a_closing_on_a_full_chamber_is_not_timed)
{
	struct rig_setup s = bench();
	s.pulse_s = 150e-3;
	s.seconds = 15;
	s.supply_pa = s.supply_to_pa = 6e5;
	s.delay_per_pa = 0;
	struct rig *r = rig_run(&s);
	struct standing_row rows[STANDING_ROWS];
	int n = measure(r, rows);
	for (unsigned end = 0; end < END_COUNT; end++) {
		const struct standing_row *shuts = row_of(rows, n, end, EVENT_CUT_OFF);
		ck_assert_uint_ge(shuts->commands, 5);
		ck_assert_uint_eq(shuts->seen, 0);
		ck_assert(isnan(shuts->t50.mean));
		for (unsigned k = EVENT_ADMISSION; k <= EVENT_RELEASE; k += EVENT_RELEASE - EVENT_ADMISSION) {
			const struct standing_row *opens = row_of(rows, n, end, k);
			double truth = true_delay_s(r, end, k);
			ck_assert_double_le(opens->t50.ci95[0], truth);
			ck_assert_double_ge(opens->t50.ci95[1], truth);
			ck_assert_double_le(opens->t50.ci95[1] - opens->t50.ci95[0], 2.5e-3);
		}
	}
	rig_free(r);
}
END_TEST

/* A still chamber fills through a choked valve at gamma K p_s / V: after half open, 10 % of the pressure
 * difference take 0.1 (p_s - p_0) V / (gamma K p_s), less what the sinking flow adds. */
START_TEST(ten_percent_comes_as_the_filling_law_says)
{
	struct rig_setup s = bench();
	s.supply_pa = s.supply_to_pa = 6e5;
	s.delay_per_pa = 0;
	s.droop_pa = 0;
	struct rig *r = rig_run(&s);
	struct standing_row rows[STANDING_ROWS];
	int n = measure(r, rows);
	const struct standing_row *in = row_of(rows, n, END_CAP, EVENT_ADMISSION);
	double k = s.conductance[0] * AIR_ANR_DENSITY * AIR_R * sqrt(293.15 * 291.15);
	double volume = mech_volume_m3(&r->mech, END_CAP, M_PI / 2);
	double expected = 0.1 * (6e5 - 101325) * volume / (AIR_GAMMA * k * 6e5);
	ck_assert_double_eq_tol(in->t10.mean - in->t50.mean, expected, 0.3e-3);
	rig_free(r);
}
END_TEST

START_TEST(a_moving_crank_leaves_pulses_out)
{
	struct rig *r = pulsed;
	struct standing_row rows[STANDING_ROWS];
	struct ride_edge edge[400];
	for (int i = 0; i < 400; i++) /* it slips for two seconds */
		edge[i] = (struct ride_edge){.t_us = 10000000 + 5000 * i, .level = (uint8_t)(i % 2)};
	r->leg.tooth = edge;
	r->leg.tooth_n = 400;
	int n = measure(r, rows);
	const struct standing_row *in = row_of(rows, n, END_CAP, EVENT_ADMISSION);
	ck_assert_uint_ge(in->turning, 1);
	ck_assert_uint_eq(in->seen + in->turning + in->missed, in->commands);
}
END_TEST

/* --- through the command ------------------------------------------------------------ */

static const char bench_valves[] = "[valve 1]\nrole = cap exhaust\n[valve 2]\nrole = rod inlet\n"
                                   "[valve 3]\nrole = rod exhaust\n";

static int by_time(const void *a, const void *b)
{
	const struct record *x = a, *y = b;
	return (x->t_us > y->t_us) - (x->t_us < y->t_us);
}

static void write_log(const struct rig *r, const char *directory)
{
	size_t most = r->leg.command_n, n = 0;
	for (int i = 0; i < 3; i++)
		most += r->leg.sensor[i].n;
	struct record *rec = malloc(sizeof(*rec) * most);
	for (size_t i = 0; i < r->leg.command_n; i++)
		rec[n++] = record_make(RECORD_VALVE, (uint32_t)r->leg.command[i].t_us,
		                       r->leg.command[i].valve, r->leg.command[i].on);
	for (unsigned c = 0; c < 3; c++)
		for (size_t i = 0; i < r->leg.sensor[c].n; i++)
			rec[n++] = record_make(RECORD_SAMPLE, (uint32_t)r->leg.sensor[c].t_us[i], c,
			                       r->leg.sensor[c].counts[i]);
	qsort(rec, n, sizeof(*rec), by_time);
	char text[4096];
	snprintf(text, sizeof text, "%s%s", log_rig_engine, bench_valves);
	log_rig_write(directory, 1, 1, text, rec, n);
	free(rec);
}

/* Runs the command with its output in a file; returns the exit code. */
static int standing(char *name, char *out, size_t size)
{
	char path[] = "/tmp/trammel-standing-XXXXXX", command[] = "standing";
	char *argv[] = {command, name, NULL};
	int fd = mkstemp(path);
	ck_assert_int_ge(fd, 0);
	ck_assert_int_ge(dup2(fd, STDOUT_FILENO), 0);
	int code = cmd_standing(2, argv);
	fflush(stdout);
	ck_assert_int_eq(lseek(fd, 0, SEEK_SET), 0);
	ssize_t got = read(fd, out, size - 1);
	out[got < 0 ? 0 : got] = '\0';
	close(fd);
	unlink(path);
	return code;
}

START_TEST(the_command_prints_both_definitions)
{
	struct rig *r = pulsed;
	char *directory = log_rig_directory(), out[8192];
	write_log(r, directory);
	ck_assert_int_eq(standing(directory, out, sizeof out), EX_OK);
	ck_assert_ptr_nonnull(strstr(out, "cap inlet"));
	ck_assert_ptr_nonnull(strstr(out, "rod exhaust"));
	ck_assert_ptr_nonnull(strstr(out, "ms a bar"));
	ck_assert_ptr_nonnull(strstr(out, "ISO 12238"));
	ck_assert_ptr_nonnull(strstr(out, "value from memory"));
	for (const char *line = out; line != NULL; line = strchr(line, '\n')) {
		line += *line == '\n';
		ck_assert_uint_le(strcspn(line, "\n"), 80);
	}
	log_rig_remove(directory);
}
END_TEST

START_TEST(a_log_without_commands_is_bad_data)
{
	struct rig_setup s = bench();
	s.seconds = 5;
	struct rig *r = rig_run(&s);
	char *directory = log_rig_directory(), out[8192];
	r->leg.command_n = 0;
	write_log(r, directory);
	rig_free(r);
	ck_assert_int_eq(standing(directory, out, sizeof out), EX_DATAERR);
	log_rig_remove(directory);
}
END_TEST

int main(void)
{
	Suite *suite = suite_create("standing");
	TCase *tc = tcase_create("standing");
	tcase_set_timeout(tc, 120);
	tcase_add_unchecked_fixture(tc, simulate, discard);
	tcase_add_test(tc, openings_are_timed_and_follow_the_supply);
	tcase_add_test(tc, ten_percent_comes_as_the_filling_law_says);
	tcase_add_test(tc, a_closing_on_a_full_chamber_is_not_timed);
	tcase_add_test(tc, a_moving_crank_leaves_pulses_out);
	tcase_add_test(tc, the_command_prints_both_definitions);
	tcase_add_test(tc, a_log_without_commands_is_bad_data);
	suite_add_tcase(suite, tc);
	SRunner *runner = srunner_create(suite);
	srunner_run_all(runner, CK_NORMAL);
	int failed = srunner_ntests_failed(runner);
	srunner_free(runner);
	return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
