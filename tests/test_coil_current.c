/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the current of a coil tells, against currents that are known: a coil behind a relay by its
 * differential equation, and rehearsed rides. */
#include "analyse/coil_current.h"
#include "analyse/rehearse/prng.h"
#include "tests/road_rig.h"

#include <check.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define SAMPLES 400
#define COMMAND_US 20e3
#define FULL_A 2.0

struct shape { /* of a coil's current, ms and A */
	double relay, time, starts, stops, emf, amps, noise, every;
};

static const struct shape usual = {3.2, 3, 8, 10.3, 0.8, 0.8, 0.002, 1};

struct samples {
	int64_t t_us[SAMPLES];
	float value[SAMPLES];
	struct ride_series series;
};

/* L di/dt = U - R i - EMF: by short steps; EMF grows evenly from `starts` to `stops`. */
static void sample(const struct shape *s, struct prng *random, struct samples *out)
{
	const double step = 5e-3, phase = prng_uniform(random);
	double amps = 0, next = phase;
	size_t n = 0;
	for (double t = 0; n < SAMPLES && t < 100; t += step) {
		double since = t - COMMAND_US * 1e-3, moved = (since - s->starts) / (s->stops - s->starts);
		double towards =
		    since < s->relay ? 0 : s->amps * (moved > 0 && moved < 1 ? 1 - s->emf * moved : 1);
		amps += (towards - amps) * step / s->time;
		if (t < next)
			continue;
		next += s->every;
		out->t_us[n] = (int64_t)(t * 1e3);
		out->value[n++] = (float)(amps + s->noise * prng_normal(random));
	}
	out->series = (struct ride_series){.n = n, .t_us = out->t_us, .value = out->value};
}

static struct coil_look look_at(const struct shape *s, uint64_t seed)
{
	struct samples x;
	struct prng random = prng_make(seed, 1);
	sample(s, &random, &x);
	return coil_current_look(&x.series, FULL_A, COMMAND_US, COMMAND_US + 70e3);
}

/* Mean and greatest error over many phases of sampling, ms. */
static void rise_and_dip_are_timed(const struct shape *s, double within)
{
	enum { LOOKS = 60 };
	double rise = 0, dip = 0;
	for (uint64_t seed = 1; seed <= LOOKS; seed++) {
		struct coil_look l = look_at(s, seed);
		ck_assert_int_eq(l.state, COIL_MOVED);
		rise += (l.rise_s * 1e3 - s->relay) / LOOKS;
		dip += (l.dip_s * 1e3 - s->stops) / LOOKS;
		ck_assert_double_lt(fabs(l.rise_s * 1e3 - s->relay), 5 * within);
		ck_assert_double_lt(fabs(l.dip_s * 1e3 - s->stops), 5 * within);
	}
	ck_assert_double_lt(fabs(rise), within);
	ck_assert_double_lt(fabs(dip), within);
}

START_TEST(the_rise_and_the_dip_are_timed)
{
	static const struct shape shapes[] = {{3.2, 3, 8, 10.3, 0.8, 0.8, 0.002, 1},
	                                      {0.1, 2, 5, 8.7, 0.7, 0.5, 0.001, 0.5},
	                                      {6.7, 4, 14, 16.1, 0.9, 1.6, 0.004, 1},
	                                      {3.2, 8, 20, 23, 0.8, 0.8, 0.001, 0.5},
	                                      {3.2, 3, 9, 10, 1.0, 0.8, 0.002, 0.25}};
	for (size_t i = 0; i < sizeof shapes / sizeof *shapes; i++)
		rise_and_dip_are_timed(&shapes[i], 0.15);
}
END_TEST

START_TEST(no_current_and_no_dip_are_told_apart)
{
	struct shape broken = usual, stuck = usual;
	broken.amps = 0;
	stuck.emf = 0;
	for (uint64_t seed = 1; seed <= 500; seed++) {
		ck_assert_int_eq(look_at(&broken, seed).state, COIL_DEAD);
		ck_assert_int_eq(look_at(&stuck, seed).state, COIL_STILL);
	}
}
END_TEST

/* Nothing is made of what does not show. */
START_TEST(too_little_tells_nothing)
{
	struct shape noisy = usual, seldom = usual, still_noisy;
	noisy.noise = 0.1;
	still_noisy = noisy;
	still_noisy.emf = 0;
	seldom.every = 10;
	for (uint64_t seed = 1; seed <= 500; seed++) {
		ck_assert_int_ne(look_at(&noisy, seed).state, COIL_STILL);
		ck_assert_int_eq(look_at(&still_noisy, seed).state, COIL_UNSEEN);
		ck_assert_int_eq(look_at(&seldom, seed).state, COIL_UNSEEN);
	}
	struct samples x;
	struct prng random = prng_make(1, 1);
	sample(&usual, &random, &x);
	ck_assert_int_eq(coil_current_look(&x.series, FULL_A, COMMAND_US, COMMAND_US + 10e3).state,
	                 COIL_UNSEEN);
	memmove(x.t_us + 28, x.t_us + 40, sizeof *x.t_us * (x.series.n - 40)); /* a hole where the dip is */
	memmove(x.value + 28, x.value + 40, sizeof *x.value * (x.series.n - 40));
	x.series.n -= 12;
	ck_assert_int_eq(coil_current_look(&x.series, FULL_A, COMMAND_US, COMMAND_US + 70e3).state,
	                 COIL_UNSEEN);
	x.series.n = 0;
	ck_assert_int_eq(coil_current_look(&x.series, FULL_A, COMMAND_US, COMMAND_US + 70e3).state,
	                 COIL_UNSEEN);
}
END_TEST

/* --- a ride --------------------------------------------------------------------- */

static struct road *ride(const char *const *words)
{
	char path[] = "/tmp/coil-engine-XXXXXX", line[300];
	int fd = mkstemp(path);
	FILE *from = fopen("sample-logs/number7.ini", "r"), *to = fd < 0 ? NULL : fdopen(fd, "w");
	ck_assert(from != NULL && to != NULL);
	while (fgets(line, sizeof line, from) != NULL)
		fputs(line, to);
	for (int valve = 0; valve < 2; valve++)
		fprintf(
		    to,
		    "[sensor %d]\nrole = coil current\nvalve = %d\nlow = 0 counts, 0 A\nhigh = 1023 counts, "
		    "2 A\n",
		    8 + valve, valve);
	fclose(from);
	fclose(to);
	struct road *r = road_ride(path, LINK_FRAMES, words);
	unlink(path);
	ck_assert_msg(r->status == 0, "%s", r->fault.text);
	return r;
}

#define STEADY                                                                                               \
	"--duration", "20", "--seed", "3", "--set", "drive=1", "--set", "rpm=80", "--set", "rpm_to=140",     \
	    "--set", "sweep=10", "--set", "start_mode=1", "--set", "interpolate=1", "--set", "lag.8=0",      \
	    "--set", "lag.9=0"

static void holds(const double ci95_s[2], double ms)
{
	ck_assert_double_lt(ci95_s[0] * 1e3, ms);
	ck_assert_double_gt(ci95_s[1] * 1e3, ms);
	ck_assert_double_lt(ci95_s[1] - ci95_s[0], 3e-3);
}

/* Valve 0 as usual: opens 12 ms after the command in 4 ms; valve 1 has a slower relay and pilot. */
START_TEST(the_delay_is_split)
{
	static const char *const words[] = {STEADY, "--set", "relay.1=4.5", "--set", "pilot.1=3", NULL};
	struct road *r = ride(words);
	const struct valve_event_summary *in = road_row(r, END_CAP, EVENT_ADMISSION);
	const struct valve_event_summary *out = road_row(r, END_CAP, EVENT_RELEASE);
	const struct valve_event_summary *shut = road_row(r, END_CAP, EVENT_CUT_OFF);
	holds(in->coil.electrical_ci95_s, 3);
	holds(in->coil.mechanical_ci95_s, 12 - 2 - 3);
	holds(in->coil.pneumatic_ci95_s, 2 + 4.0 / 2);
	holds(out->coil.electrical_ci95_s, 4.5);
	holds(out->coil.mechanical_ci95_s, 12 - 3 - 4.5);
	holds(out->coil.pneumatic_ci95_s, 3 + 4.0 / 2);
	ck_assert_uint_ge(in->coil.moved * 20, in->commands * 19);
	ck_assert_double_nan(shut->coil.electrical_s);                                  /* coil off */
	ck_assert_double_nan(road_row(r, END_ROD, EVENT_ADMISSION)->coil.electrical_s); /* no sensor */
	ck_assert_uint_eq(r->report->findings.n, 0);
	ck_assert_ptr_nonnull(strstr(in->words, "electrical"));
	char *text = road_report(r, 1);
	json_t *root = json_loads(text, 0, NULL);
	json_t *row = json_array_get(json_object_get(root, "valve_events"), 0);
	ck_assert_double_eq_tol(json_number_value(json_object_get(row, "mechanical_ms")),
	                        in->coil.mechanical_s * 1e3, 1e-3);
	ck_assert(json_is_array(json_object_get(row, "pneumatic_ms_ci95")));
	json_decref(root);
	free(text);
	road_free(r);
}
END_TEST

static bool says(const struct road *r, const char *a, const char *b)
{
	for (size_t i = 0; i < r->report->findings.n; i++)
		if (strstr(r->report->findings.line[i], a) != NULL &&
		    strstr(r->report->findings.line[i], b) != NULL)
			return true;
	return false;
}

START_TEST(why_a_valve_did_not_move_is_named)
{
	static const char *const words[] = {STEADY,  "--set",       "open_circuit.0=0.2",
	                                    "--set", "stick.1=0.2", NULL};
	struct road *r = ride(words);
	ck_assert(says(r, "cap inlet did not open", "its coil got no current"));
	ck_assert(!says(r, "cap inlet did not open", "armature did not move"));
	ck_assert(says(r, "cap exhaust did not open", "the armature did not move"));
	ck_assert(!says(r, "cap exhaust did not open", "no current"));
	road_free(r);
}
END_TEST

START_TEST(a_current_sampled_too_seldom_is_named)
{
	static const char *const words[] = {STEADY, "--set", "rate.8=100", "--set", "rate.9=0", NULL};
	struct road *r = ride(words);
	ck_assert(says(r, "coil of cap inlet tells nothing", "sensor 8"));
	ck_assert(says(r, "coil of cap exhaust tells nothing", "sensor 9"));
	ck_assert_uint_eq(r->report->findings.n, 2);
	road_free(r);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("coil current");
	TCase *c = tcase_create("coil current");
	tcase_set_timeout(c, 120);
	tcase_add_test(c, the_rise_and_the_dip_are_timed);
	tcase_add_test(c, no_current_and_no_dip_are_told_apart);
	tcase_add_test(c, too_little_tells_nothing);
	tcase_add_test(c, the_delay_is_split);
	tcase_add_test(c, why_a_valve_did_not_move_is_named);
	tcase_add_test(c, a_current_sampled_too_seldom_is_named);
	suite_add_tcase(s, c);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_ENV);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
