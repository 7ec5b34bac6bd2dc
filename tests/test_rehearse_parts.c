/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The rehearsal's parts one by one: random numbers, valve, wheel, index
 * switch, queue, sensor, controller, settings. */
#include "analyse/rehearse/controller.h"
#include "analyse/rehearse/gauge.h"
#include "analyse/rehearse/index_switch.h"
#include "analyse/rehearse/prng.h"
#include "analyse/rehearse/queue.h"
#include "analyse/rehearse/sender.h"
#include "analyse/rehearse/spool.h"
#include "analyse/rehearse/timing.h"
#include "analyse/rehearse/wheel.h"
#include "common/unit.h"
#include "tests/rehearse_rig.h"

#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>
#include <unistd.h>

/* First output of xoshiro256** from the state 1, 2, 3, 4: rotl(2 * 5, 7) * 9
 * = 11520 (Blackman and Vigna's reference code, worked by hand). */
START_TEST(the_generator_is_the_published_one)
{
	struct prng p = {.s = {1, 2, 3, 4}};
	ck_assert_uint_eq(prng_next(&p), 11520);
	ck_assert_uint_eq(prng_next(&p), 0);
	ck_assert_uint_eq(prng_next(&p), 1509978240);
}
END_TEST

START_TEST(normal_numbers_have_mean_0_and_deviation_1)
{
	struct prng p = prng_make(7, 3);
	double sum = 0, squares = 0;
	int n = 100000;
	for (int i = 0; i < n; i++) {
		double x = prng_normal(&p);
		sum += x;
		squares += x * x;
	}
	ck_assert_double_lt(fabs(sum / n), 4 / sqrt(n)); /* 4 standard errors */
	ck_assert_double_lt(fabs(squares / n - 1), 4 * sqrt(2.0 / n));
}
END_TEST

START_TEST(streams_of_one_seed_differ)
{
	struct prng a = prng_make(1, 1), b = prng_make(1, 2), c = prng_make(2, 1);
	uint64_t x = prng_next(&a);
	ck_assert_uint_ne(x, prng_next(&b));
	ck_assert_uint_ne(x, prng_next(&c));
}
END_TEST

static const struct spool_habits plain = {.open_delay = 10, .shut_delay = 12, .open_ramp = 4, .shut_ramp = 6};

START_TEST(a_valve_opens_evenly_after_its_delay)
{
	struct spool s = spool_make();
	struct prng random = prng_make(1, 1);
	ck_assert(!isnan(spool_command(&s, &plain, 1.0, true, 0, &random)));
	spool_advance(&s, 1.0, 2.0);
	ck_assert_double_eq(spool_area(&s, 1.0099), 0);
	ck_assert_double_eq_tol(spool_half_s(&s), 1.012, 1e-12);
	ck_assert_double_eq_tol(spool_area(&s, 1.012), 0.5, 1e-9);
	ck_assert_double_eq(spool_area(&s, 1.02), 1);
	spool_command(&s, &plain, 2.0, false, 0, &random);
	spool_advance(&s, 2.0, 3.0);
	ck_assert_double_eq_tol(spool_half_s(&s), 2.015, 1e-12);
	ck_assert_double_eq(spool_area(&s, 2.0181), 0);
}
END_TEST

START_TEST(a_command_taken_back_in_time_moves_nothing)
{
	struct spool_habits h = plain;
	h.shut_delay = 5;
	struct spool s = spool_make();
	struct prng random = prng_make(1, 1);
	spool_command(&s, &h, 0, true, 0, &random);
	spool_command(&s, &h, 0.003, false, 0, &random);
	spool_advance(&s, 0, 1);
	ck_assert_double_eq(spool_area(&s, 0.5), 0);
}
END_TEST

START_TEST(a_sticking_valve_stays_and_a_bouncing_one_comes_back)
{
	struct spool_habits h = plain;
	struct prng random = prng_make(1, 1);
	struct spool s = spool_make();
	h.stick = 1;
	ck_assert(isnan(spool_command(&s, &h, 0, true, 0, &random)));
	spool_advance(&s, 0, 1);
	ck_assert_double_eq(spool_area(&s, 0.9), 0);
	h.stick = 0;
	h.bounce = 0.4;
	h.bounce_time = 4;
	ck_assert(!isnan(spool_command(&s, &h, 1, true, 0, &random)));
	spool_advance(&s, 1, 1.014 + 1e-6);
	spool_advance(&s, 1.014, 1.0155);
	ck_assert_double_eq_tol(spool_area(&s, 1.016), 0.6, 1e-9);
	spool_advance(&s, 1.0155, 1.5);
	ck_assert_double_eq(spool_area(&s, 1.4), 1);
}
END_TEST

static void make_wheel(struct wheel *w, unsigned teeth, double first_deg)
{
	struct settings s = settings_default();
	wheel_make(w, teeth, 360.0 / teeth, first_deg, &s, prng_make(5, 1));
}

START_TEST(the_wheel_gives_every_edge_once_in_order)
{
	struct wheel w;
	make_wheel(&w, 36, 18.5);
	bool level = wheel_place(&w, -100);
	double last = -100;
	int edges = 0;
	for (double theta = -100; theta < 620; theta += 0.7) {
		struct wheel_edge e;
		while (wheel_next(&w, theta, 0, &e)) {
			ck_assert(e.into != level);
			level = e.into;
			ck_assert_double_gt(e.theta_deg, last);
			ck_assert_double_le(e.theta_deg, theta);
			last = e.theta_deg;
			edges++;
		}
	}
	ck_assert_int_ge(edges, 143);
	ck_assert_int_le(edges, 145);
}
END_TEST

START_TEST(turning_back_passes_the_same_edges_again)
{
	struct wheel w;
	struct wheel_edge forth, back;
	make_wheel(&w, 24, 3);
	wheel_place(&w, 3 + 15 * 7 - 1);
	ck_assert(wheel_next(&w, 3 + 15 * 7 + 1, 0, &forth));
	ck_assert(wheel_next(&w, 3 + 15 * 7 - 1, 0, &back));
	ck_assert_uint_eq(forth.tooth, 7);
	ck_assert_uint_eq(back.tooth, 7);
	ck_assert(forth.into && !back.into);
	ck_assert_double_eq(forth.theta_deg, back.theta_deg);
}
END_TEST

static double rms_error(const char *const *assignments, double *sum)
{
	struct wheel w;
	struct settings s = rehearse_rig_settings(assignments);
	wheel_make(&w, 720, 0.5, 0, &s, prng_make(3, 1));
	double squares = 0;
	*sum = 0;
	for (unsigned k = 0; k < w.teeth; k++) {
		*sum += w.error_deg[k];
		squares += w.error_deg[k] * w.error_deg[k];
	}
	return sqrt(squares / w.teeth);
}

START_TEST(pitch_errors_have_the_asked_size_and_mean_0)
{
	double sum,
	    random = rms_error((const char *const[]){"pitch_error=0.2", "eccentricity=0", NULL}, &sum);
	ck_assert_double_eq_tol(sum, 0, 1e-9);
	ck_assert_double_eq_tol(random, 0.2, 0.2 * 4 / sqrt(2 * 720.0)); /* 4 standard errors */
	double sine = rms_error((const char *const[]){"pitch_error=0", "eccentricity=0.3", NULL}, &sum);
	ck_assert_double_eq_tol(sum, 0, 1e-9);
	ck_assert_double_eq_tol(sine, 0.3 / sqrt(2), 1e-9);
}
END_TEST

START_TEST(the_index_switches_at_its_angles_with_lost_motion)
{
	struct index_switch w = {.closes_deg = 14.5, .width_deg = 12, .hysteresis_deg = 2};
	double at;
	index_switch_place(&w, 350);
	ck_assert(!index_switch_move(&w, 374, &at));
	ck_assert(index_switch_move(&w, 375, &at) && w.closed);
	ck_assert_double_eq_tol(at, 374.5, 1e-9);
	ck_assert(index_switch_move(&w, 390, &at) && !w.closed);
	ck_assert_double_eq_tol(at, 386.5, 1e-9);
	ck_assert(!index_switch_move(&w, 385, &at)); /* still within the lost motion */
	ck_assert(index_switch_move(&w, 384, &at) && w.closed);
	ck_assert_double_eq_tol(at, 384.5, 1e-9);
	ck_assert(index_switch_move(&w, 370, &at) && !w.closed);
	ck_assert_double_eq_tol(at, 372.5, 1e-9);
}
END_TEST

START_TEST(the_queue_keeps_time_order_and_the_order_of_equals)
{
	static struct queue q;
	static const double times[] = {3, 1, 2, 1, 0.5};
	for (unsigned i = 0; i < 5; i++)
		queue_add(&q, &(struct happening){.t_s = times[i], .number = i});
	static const unsigned order[] = {4, 1, 3, 2};
	struct happening h;
	for (int i = 0; i < 4; i++) {
		ck_assert(queue_take(&q, 2.5, &h));
		ck_assert_uint_eq(h.number, order[i]);
	}
	ck_assert(!queue_take(&q, 2.5, &h));
	for (int i = 0; i < QUEUE_MAX + 3; i++)
		queue_add(&q, &(struct happening){.t_s = 9});
	ck_assert_uint_eq(q.dropped, 4);
}
END_TEST

START_TEST(counts_are_the_inverse_of_the_engine_files_line_and_table)
{
	struct engine_sensor line = {
	    .role = SENSOR_CAP, .points = 2, .counts = {102, 921}, .value = {1e5, 11e5}};
	struct engine_sensor table = {
	    .role = SENSOR_CAP, .points = 3, .counts = {10, 400, 900}, .value = {9e5, 3e5, 1e5}};
	for (double v = 0.5e5; v < 12e5; v += 0.7e5) {
		ck_assert_double_eq_tol(engine_sensor_value(&line, gauge_counts(&line, v)), v, 1e-6);
		ck_assert_double_eq_tol(engine_sensor_value(&table, gauge_counts(&table, v)), v, 1e-6);
	}
}
END_TEST

/* Step response of a first-order lag: 1 - exp(-t/T), closed form. */
START_TEST(a_sensor_lags_as_a_first_order_system)
{
	struct gauge g = {.lag_s = 2e-3, .gain = 1};
	gauge_settle(&g, 0);
	for (int i = 0; i < 20; i++)
		gauge_step(&g, 1, 1e-4);
	ck_assert_double_eq_tol(g.value, 1 - exp(-1), 1e-3);
}
END_TEST

/* A controller of the demo engine, told 0 deg; commands wait in the queue. */
struct bench {
	struct engine engine;
	struct controller c;
	struct queue q;
	struct prng random;
};

static void make_bench(struct bench *b, const char *const *assignments)
{
	memset(b, 0, sizeof *b);
	b->engine = rehearse_rig_engine();
	struct settings s = rehearse_rig_settings(assignments);
	b->random = prng_make(1, 1);
	b->c.queue = &b->q;
	b->c.random = &b->random;
	controller_make(&b->c, &b->engine, &s, 14.5, 4);
	engine_free(&b->engine);
}

static bool next_command(struct bench *b, unsigned valve, struct happening *h)
{
	while (queue_take(&b->q, INFINITY, h))
		if (h->kind == HAPPENS_COMMAND && h->number == valve)
			return true;
	return false;
}

START_TEST(the_controller_fires_at_the_first_tooth_past_the_setting)
{
	struct bench b;
	make_bench(&b, (const char *const[]){"latency=0", "latency_jitter=0", NULL});
	controller_index(&b.c, 0);
	struct happening h;
	ck_assert(next_command(&b, 0, &h) && h.level); /* 14.5 deg lies between 0 and 96 */
	controller_edge(&b.c, 0.004);
	ck_assert_double_eq(b.c.belief_deg, 18.5);
	for (int i = 1; i < 8; i++)
		controller_edge(&b.c, 0.004 + i * 0.01);
	ck_assert(!next_command(&b, 0, &h)); /* 88.5 deg */
	controller_edge(&b.c, 0.084);
	ck_assert(next_command(&b, 0, &h) && !h.level);
	ck_assert_double_eq_tol(h.controller_deg, 98.5, 1e-9);
	ck_assert_double_eq_tol(h.intended_deg, 96, 1e-9);
	ck_assert_double_eq(h.t_s, 0.084);
}
END_TEST

START_TEST(between_teeth_it_fires_by_the_last_interval_and_lead)
{
	struct bench b;
	make_bench(
	    &b, (const char *const[]){"latency=0", "latency_jitter=0", "interpolate=1", "lead_shut=2", NULL});
	struct happening h, shut = {.t_s = NAN};
	controller_index(&b.c, 0);
	for (int i = 0; i < 9; i++) {
		double edge_s = 0.004 + i * 0.01;
		while (queue_take(&b.q, edge_s, &h)) {
			if (h.kind == HAPPENS_EVALUATE)
				controller_timer(&b.c, h.t_s, h.number);
			else if (h.number == 0 && !h.level)
				shut = h;
		}
		controller_edge(&b.c, edge_s);
	}
	/* 96 deg less 2 ms at 1000 deg/s = 94 deg, 5.5 ms past the edge at 88.5 deg */
	ck_assert_double_eq_tol(shut.t_s, 0.074 + 0.0055, 5e-6);
	ck_assert_double_eq_tol(shut.controller_deg, 94, 0.01);
}
END_TEST

START_TEST(a_controller_that_has_not_met_the_index_fires_nothing)
{
	struct bench b;
	make_bench(&b, (const char *const[]){"latency=0", NULL});
	struct happening h;
	for (int i = 0; i < 100; i++)
		controller_edge(&b.c, i * 0.01);
	ck_assert(!queue_take(&b.q, INFINITY, &h));
	controller_index(&b.c, 1);
	ck_assert(queue_take(&b.q, INFINITY, &h));
	controller_reset(&b.c);
	controller_edge(&b.c, 1.01);
	while (queue_take(&b.q, INFINITY, &h))
		ck_assert_double_lt(h.t_s, 1.01);
}
END_TEST

static int count_record(void *ctx, const struct record *r)
{
	uint32_t *last = ctx;
	*last = r->t_us;
	return 0;
}

START_TEST(the_senders_clock_wraps_skews_and_ticks)
{
	uint32_t last = 0;
	struct rehearse_sink sink = {.ctx = &last, .record = count_record};
	struct settings s =
	    rehearse_rig_settings((const char *const[]){"skew=1000", "tick=4", "counter=4294967000", NULL});
	struct sender o = sender_make(&s, &sink, prng_make(1, 1));
	sender_send(&o, 0.001, record_make(RECORD_TOOTH, 0, 0, 1));
	/* 4294967000 + 1001 = 4294968001, to the tick 4294968000, less 2^32 */
	ck_assert_uint_eq(last, 4294968000 - 4294967296);
	sender_reset(&o, 10);
	sender_send(&o, 10.5, record_make(RECORD_TOOTH, 0, 0, 0));
	ck_assert_uint_eq(last, 500500);
}
END_TEST

static const struct bad_setting {
	const char *text, *says;
} bad_settings[] = {
    {"duration", "key=value"},      {"colour=3", "no such key"},    {"duration=abc", "not a number"},
    {"duration=-1", "outside"},     {"duration=nan", "outside"},    {"duration.0.1=1", "1 place only"},
    {"open_delay.8=1", "8 places"}, {"open_delay.x=1", "8 places"}, {"miss=2", "outside 0 to 1"},
};

START_TEST(a_bad_setting_is_refused_with_its_reason)
{
	struct settings s = settings_default();
	struct fault f = {0};
	ck_assert_int_eq(settings_apply(&s, bad_settings[_i].text, &f), -1);
	ck_assert_int_eq(f.exit_code, EX_USAGE);
	ck_assert_msg(strstr(f.text, bad_settings[_i].says) != NULL, "%s", f.text);
}
END_TEST

START_TEST(a_setting_goes_to_one_place_or_to_all)
{
	struct settings s =
	    rehearse_rig_settings((const char *const[]){"open_delay=20", "open_delay.2=7", NULL});
	ck_assert_double_eq(s.open_delay[0], 20);
	ck_assert_double_eq(s.open_delay[2], 7);
	ck_assert_double_eq(s.open_delay[7], 20);
}
END_TEST

static int read_timing(const char *text, struct settings *s, struct fault *f)
{
	char path[] = "/tmp/trammel-timing-XXXXXX";
	int fd = mkstemp(path);
	ck_assert_int_ge(fd, 0);
	ck_assert_int_eq(write(fd, text, strlen(text)), (ssize_t)strlen(text));
	close(fd);
	int result = timing_read(path, s, f);
	unlink(path);
	return result;
}

START_TEST(a_timing_file_sets_what_it_names)
{
	struct settings s = settings_default();
	struct fault f = {0};
	ck_assert_int_eq(read_timing("[valve 1]\nopens = 150 deg\nlead shut = 28 ms\n", &s, &f), 0);
	ck_assert_double_eq_tol(s.opens[1], 150, 1e-9);
	ck_assert_double_eq_tol(s.lead_shut[1], 28, 1e-9);
	ck_assert(isnan(s.opens[0]) && isnan(s.shuts[1]));
	ck_assert_int_eq(read_timing("[valve 1]\nopens = 150\n", &s, &f), -1);
	ck_assert_int_eq(f.exit_code, EX_DATAERR);
	ck_assert_int_eq(read_timing("[engine]\nname = x\n", &s, &f), -1);
	ck_assert_int_eq(timing_read("/nowhere/timing.ini", &s, &f), -1);
	ck_assert_int_eq(f.exit_code, EX_NOINPUT);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("rehearse parts");
	TCase *t = tcase_create("parts");
	tcase_add_test(t, the_generator_is_the_published_one);
	tcase_add_test(t, normal_numbers_have_mean_0_and_deviation_1);
	tcase_add_test(t, streams_of_one_seed_differ);
	tcase_add_test(t, a_valve_opens_evenly_after_its_delay);
	tcase_add_test(t, a_command_taken_back_in_time_moves_nothing);
	tcase_add_test(t, a_sticking_valve_stays_and_a_bouncing_one_comes_back);
	tcase_add_test(t, the_wheel_gives_every_edge_once_in_order);
	tcase_add_test(t, turning_back_passes_the_same_edges_again);
	tcase_add_test(t, pitch_errors_have_the_asked_size_and_mean_0);
	tcase_add_test(t, the_index_switches_at_its_angles_with_lost_motion);
	tcase_add_test(t, the_queue_keeps_time_order_and_the_order_of_equals);
	tcase_add_test(t, counts_are_the_inverse_of_the_engine_files_line_and_table);
	tcase_add_test(t, a_sensor_lags_as_a_first_order_system);
	tcase_add_test(t, the_controller_fires_at_the_first_tooth_past_the_setting);
	tcase_add_test(t, between_teeth_it_fires_by_the_last_interval_and_lead);
	tcase_add_test(t, a_controller_that_has_not_met_the_index_fires_nothing);
	tcase_add_test(t, the_senders_clock_wraps_skews_and_ticks);
	tcase_add_loop_test(t, a_bad_setting_is_refused_with_its_reason, 0,
	                    sizeof bad_settings / sizeof *bad_settings);
	tcase_add_test(t, a_setting_goes_to_one_place_or_to_all);
	tcase_add_test(t, a_timing_file_sets_what_it_names);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
