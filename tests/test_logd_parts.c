/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The parts of trammeld that need neither port nor disk. */
#include "common/engine.h"
#include "logd/alarms.h"
#include "logd/amount.h"
#include "logd/gaps.h"
#include "logd/options.h"
#include "logd/ring.h"
#include "logd/sender.h"
#include "logd/shelf.h"
#include "logd/status.h"
#include "logd/tail.h"

#include <check.h>
#include <math.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

/* --- amounts and options --- */

START_TEST(sizes_times_and_shares_are_read)
{
	int64_t v;
	double share;
	ck_assert(amount_size("8M", &v) == 0 && v == 8 << 20);
	ck_assert(amount_size("1.5k", &v) == 0 && v == 1536);
	ck_assert(amount_size("300", &v) == 0 && v == 300);
	ck_assert(amount_time("10min", &v) == 0 && v == 600000000);
	ck_assert(amount_time("10 min", &v) == 0 && v == 600000000);
	ck_assert(amount_time("0.5", &v) == 0 && v == 500000);
	ck_assert(amount_percent("10%", &share) == 0 && fabs(share - 0.1) < 1e-12);
	ck_assert(amount_count("115200", &v) == 0 && v == 115200);
}
END_TEST

START_TEST(odd_amounts_are_refused)
{
	static const char *const bad[] = {"",     "M",   "-1",  "8Q",  "8 M B",
	                                  "0x10", "1e3", "nan", "inf", "99999999999999G"};
	int64_t v;
	double share;
	for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
		ck_assert_msg(amount_size(bad[i], &v) != 0, "%s", bad[i]);
		ck_assert_msg(amount_time(bad[i], &v) != 0, "%s", bad[i]);
	}
	ck_assert(amount_count("1.5", &v) != 0);
	ck_assert(amount_percent("10", &share) != 0);
}
END_TEST

static int read_options(struct options *o, struct fault *fault, const char *const *words)
{
	char *argv[24] = {(char *)(uintptr_t) "trammeld"};
	int argc = 1;
	for (; *words != NULL; words++)
		argv[argc++] = (char *)(uintptr_t)*words;
	return options_read(argc, argv, o, fault);
}

START_TEST(options_have_their_defaults_and_values)
{
	struct options o;
	struct fault fault;
	const char *words[] = {"--port", "-",   "--engine", "e.ini", "--into", "d",
	                       "--keep", "16M", "--link",   "lines", NULL};
	ck_assert_int_eq(read_options(&o, &fault, words), 0);
	ck_assert_int_eq(o.baud, 500000);
	ck_assert_int_eq(o.sync_us, 1000000);
	ck_assert_int_eq(o.link, LINK_LINES);
	ck_assert_int_eq(o.keep_bytes, 16 << 20);
	/* A cap is kept in steps: segments of an eighth of it at most. */
	ck_assert_int_eq(o.segment_bytes, 2 << 20);
}
END_TEST

START_TEST(every_option_has_its_value)
{
	struct options o;
	struct fault fault;
	const char *words[] = {"--port",      "p",      "--engine",     "e",
	                       "--into",      "d",      "--wait",       "--quiet",
	                       "--sync",      "0.5",    "--baud",       "50",
	                       "--keep-free", "10%",    "--socket",     "s",
	                       "--link",      "frames", "--foreground", "--reset-board",
	                       NULL};
	ck_assert_int_eq(read_options(&o, &fault, words), 0);
	ck_assert(o.wait && o.quiet && o.reset_board && o.what == DO_RECORD);
	ck_assert_int_eq(o.sync_us, 500000);
	ck_assert_int_eq(o.baud, 50);
	ck_assert_double_eq_tol(o.keep_free_fraction, 0.1, 1e-12);
	ck_assert_str_eq(o.socket, "s");
	const char *more[] = {"--port",         "p",    "--engine",      "e",        "--into",      "d",
	                      "--segment-size", "64k",  "--segment-age", "2h",       "--keep-free", "100M",
	                      "--keep",         "256k", "--baud",        "20000000", NULL};
	ck_assert_int_eq(read_options(&o, &fault, more), 0);
	ck_assert_int_eq(o.segment_age_us, 7200000000);
	ck_assert_int_eq(o.keep_free_bytes, 100 << 20);
	ck_assert_int_eq(o.segment_bytes, 32 << 10); /* an eighth of what is kept */
	ck_assert_int_eq(o.baud, 20000000);
}
END_TEST

static const struct {
	const char *option, *value, *says;
} refused[] = {
    {"--baud", "49", "from 50 to"},
    {"--baud", "20000001", "from 50 to"},
    {"--baud", "9600.5", "from 50 to"},
    {"--link", "line", "frames (binary) or lines"},
    {"--sync", "0.04", "from 0.05 s to 3600 s"},
    {"--sync", "61min", "from 0.05 s to 3600 s"},
    {"--sync", "soon", "not a time"},
    {"--segment-age", "0.9", "from 1 s"},
    {"--segment-age", "31000h", "from 1 s"},
    {"--segment-size", "31k", "too small; at least 32k"},
    {"--segment-size", "5G", "too large; at most 4096M"},
    {"--segment-size", "big", "not a size"},
    {"--keep", "255k", "too small; at least 256k"},
    {"--keep-free", "91%", "90% at most"},
    {"--keep-free", "0", "too small"},
    {"--keep-free", "some", "not a size"},
    {"--nonsense", NULL, "no such option"},
    {"--keep", NULL, "its value is missing"},
    {"stray", NULL, "options begin with --"},
};

START_TEST(values_that_cannot_be_are_refused_with_what_can)
{
	struct options o;
	struct fault fault;
	const char *words[] = {refused[_i].option, refused[_i].value, NULL};
	ck_assert_int_eq(read_options(&o, &fault, words), -1);
	ck_assert_int_eq(fault.exit_code, EX_USAGE);
	ck_assert_msg(strstr(fault.text, refused[_i].says) != NULL, "%s", fault.text);
}
END_TEST

START_TEST(what_else_it_can_do_needs_no_port)
{
	static const struct {
		const char *word;
		enum options_do what;
	} other[] = {{"--status", DO_STATUS},
	             {"--status-json", DO_STATUS_JSON},
	             {"--help", DO_HELP},
	             {"--version", DO_VERSION}};
	for (size_t i = 0; i < sizeof other / sizeof other[0]; i++) {
		struct options o;
		struct fault fault;
		const char *words[] = {other[i].word, NULL};
		ck_assert_int_eq(read_options(&o, &fault, words), 0);
		ck_assert_int_eq(o.what, other[i].what);
	}
}
END_TEST

START_TEST(what_is_missing_is_named)
{
	struct options o;
	struct fault fault;
	const char *words[] = {"--port", "-", "--engine", "e.ini", NULL};
	ck_assert_int_eq(read_options(&o, &fault, words), -1);
	ck_assert_int_eq(fault.exit_code, EX_USAGE);
	ck_assert_ptr_nonnull(strstr(fault.text, "--into DIR"));
}
END_TEST

/* --- names of segments --- */

START_TEST(names_of_segments_go_both_ways)
{
	char name[SHELF_NAME_MAX];
	uint32_t session, number;
	shelf_name(7, 12, name);
	ck_assert_str_eq(name, "000007-0012.tram");
	ck_assert(shelf_parse(name, &session, &number) && session == 7 && number == 12);
	shelf_name(1234567, 12345, name);
	ck_assert(shelf_parse(name, &session, &number) && session == 1234567 && number == 12345);
}
END_TEST

START_TEST(foreign_names_are_no_segments)
{
	static const char *const foreign[] = {"",
	                                      "000001-0001.tram.bak",
	                                      "000001-0001.TRAM",
	                                      "1-1.tram",
	                                      "000001-0001",
	                                      "x000001-0001.tram",
	                                      "0000001-0001.tram",
	                                      "000001_0001.tram",
	                                      "-00001-0001.tram",
	                                      "4294967297-0001.tram"};
	uint32_t session, number;
	for (size_t i = 0; i < sizeof foreign / sizeof foreign[0]; i++)
		ck_assert_msg(!shelf_parse(foreign[i], &session, &number), "%s", foreign[i]);
}
END_TEST

/* --- the ring --- */

START_TEST(a_full_ring_takes_nothing_and_loses_nothing)
{
	struct ring *r = ring_new(4096);
	struct iovec span[2];
	size_t put = 0, got = 0, n;
	while ((n = ring_reserve(r, 100, span)) > 0) {
		memset(span[0].iov_base, (int)(put / 100), span[0].iov_len);
		ring_commit(r, (int64_t)put, n);
		put += n;
	}
	ck_assert(!ring_event(r, RING_DROPPED, 1, 2, "no room"));
	struct ring_view v;
	while (ring_peek(r, &v)) {
		ck_assert_int_eq(v.kind, RING_DATA);
		ck_assert_int_eq(v.host_us, (int64_t)got);
		got += v.span[0].iov_len + v.span[1].iov_len;
		ring_release(r);
	}
	ck_assert_uint_eq(put, got);
	ck_assert_uint_gt(put, 3000);
	ring_free(r);
}
END_TEST

#define RING_BYTES 3000000u

static void *produce(void *arg)
{
	struct ring *r = arg;
	struct iovec span[2];
	uint32_t sent = 0, piece = 1;
	while (sent < RING_BYTES) {
		size_t n = ring_reserve(r, piece, span);
		if (n == 0) {
			ring_wait_room(r, 100);
			continue;
		}
		for (int i = 0; i < 2; i++)
			for (size_t k = 0; k < span[i].iov_len; k++)
				((uint8_t *)span[i].iov_base)[k] = (uint8_t)(sent++ * 31u >> 3);
		ring_commit(r, 1, n);
		piece = piece * 7 % 1021 + 1;
		if (piece % 16 == 0)
			(void)ring_event(r, RING_OVERRUN, 2, piece, "in its place");
	}
	while (!ring_event(r, RING_END, 3, 0, ""))
		ring_wait_room(r, 100);
	return NULL;
}

START_TEST(bytes_cross_the_ring_in_order_between_threads)
{
	struct ring *r = ring_new(8192);
	pthread_t thread;
	uint32_t got = 0;
	bool over = false;
	ck_assert_int_eq(pthread_create(&thread, NULL, produce, r), 0);
	while (!over) {
		struct ring_view v;
		if (!ring_peek(r, &v)) {
			ring_wait_data(r, 100);
			continue;
		}
		for (int i = 0; v.kind == RING_DATA && i < 2; i++)
			for (size_t k = 0; k < v.span[i].iov_len; k++)
				if (((uint8_t *)v.span[i].iov_base)[k] != (uint8_t)(got++ * 31u >> 3))
					ck_abort_msg("byte %u differs", got - 1);
		if (v.kind == RING_OVERRUN)
			ck_assert_str_eq(v.text, "in its place");
		over = v.kind == RING_END;
		ring_release(r);
	}
	pthread_join(thread, NULL);
	ck_assert_uint_ge(got, RING_BYTES);
	ring_free(r);
}
END_TEST

/* --- the sender's clock --- */

static bool follow(struct sender *s, uint32_t t_us, int64_t host_us)
{
	struct record r = record_make(RECORD_TOOTH, t_us, 0, 1);
	return sender_follow(s, &r, host_us);
}

static void greet(struct sender *s)
{
	struct record r = record_make(RECORD_HELLO, 0, 0, 1);
	ck_assert(!sender_follow(s, &r, 0));
}

START_TEST(a_wrap_is_no_restart)
{
	struct sender s = {0};
	ck_assert(!follow(&s, 0xfffffff0u, 0));
	ck_assert(!follow(&s, 0x00000010u, 0));
	greet(&s); /* a hello may come at any time */
	ck_assert(!follow(&s, 0x00000100u, 0));
	ck_assert_uint_eq(s.last_us, 0x100);
}
END_TEST

START_TEST(time_going_back_after_a_hello_is_a_restart)
{
	struct sender s = {0};
	follow(&s, 3000000000u, 0);
	greet(&s);
	ck_assert(follow(&s, 1500, 0));
	ck_assert(!follow(&s, 1700, 0));
}
END_TEST

START_TEST(a_lost_hello_does_not_hide_a_restart)
{
	struct sender s = {0};
	follow(&s, 500000000u, 0);
	ck_assert(!follow(&s, 1000, 0)); /* one record alone may be damage */
	ck_assert(follow(&s, 1200, 0));
	follow(&s, 1000000, 0);
	ck_assert(!follow(&s, 999000, 0)); /* slight disorder is usual */
	ck_assert(!follow(&s, 998000, 0));
}
END_TEST

START_TEST(the_host_clock_tells_a_restart_that_goes_forward)
{
	struct sender s = {0};
	follow(&s, 1000000, 50000000);
	greet(&s);
	ck_assert(follow(&s, 5000000, 51000000)); /* 4 s in one second */
	greet(&s);
	ck_assert(!follow(&s, 6000000, 52000100));
}
END_TEST

/* --- gaps --- */

START_TEST(noise_is_added_up_and_paced)
{
	struct gaps g = {0};
	struct record r;
	gaps_add(&g, GAP_DAMAGED, 5, "first reason");
	gaps_add(&g, GAP_DAMAGED, 7, "second reason");
	ck_assert(gaps_next(&g, 1000000, false, 77, &r));
	ck_assert_int_eq(r.value, 12);
	ck_assert_uint_eq(r.t_us, 77);
	ck_assert_mem_eq(r.text, "first reason", r.text_len);
	gaps_add(&g, GAP_DAMAGED, 1, NULL);
	ck_assert(!gaps_next(&g, 1050000, false, 0, &r)); /* ten a second at most */
	ck_assert(g.waiting);
	ck_assert(gaps_next(&g, 1050000, true, 0, &r) && r.value == 1);
	ck_assert(!gaps_next(&g, 9000000, false, 0, &r));
	ck_assert(!g.waiting);
}
END_TEST

/* --- the tail --- */

START_TEST(the_tail_keeps_copies_until_they_are_dropped)
{
	struct tail *t = tail_new(3);
	char text[] = "hill";
	struct record r = record_make(RECORD_MARK, 5, 0, 0);
	r.text = text;
	r.text_len = 4;
	ck_assert(tail_add(t, &r));
	text[0] = 'X';
	ck_assert_mem_eq(tail_at(t, 0)->text, "hill", 4);
	r.t_us = 6;
	ck_assert(tail_add(t, &r) && tail_add(t, &r) && !tail_add(t, &r));
	tail_drop(t, 1);
	ck_assert_uint_eq(tail_count(t), 2);
	ck_assert_uint_eq(tail_at(t, 0)->t_us, 6);
	tail_drop(t, 2);
	ck_assert(tail_add(t, &r));
	tail_free(t);
}
END_TEST

START_TEST(what_was_dropped_makes_room_while_the_rest_waits)
{
	struct tail *t = tail_new(3);
	for (uint32_t i = 0; i < 3; i++) {
		struct record r = record_make(RECORD_TOOTH, i, 0, 1);
		ck_assert(tail_add(t, &r));
	}
	tail_drop(t, 2);
	for (uint32_t i = 3; i < 5; i++) {
		struct record r = record_make(RECORD_TOOTH, i, 0, 1);
		ck_assert(tail_add(t, &r));
	}
	struct record last = record_make(RECORD_TOOTH, 5, 0, 1);
	ck_assert(!tail_add(t, &last));
	for (uint32_t i = 0; i < 3; i++)
		ck_assert_uint_eq(tail_at(t, i)->t_us, 2 + i);
	tail_free(t);
}
END_TEST

START_TEST(the_tail_has_so_much_room_for_texts_and_no_more)
{
	static char text[RECORD_TEXT_MAX];
	struct tail *t = tail_new(10000);
	struct record r = record_make(RECORD_MARK, 5, 0, 0);
	size_t n = 0;
	r.text = text;
	r.text_len = sizeof text;
	while (tail_add(t, &r))
		n++;
	ck_assert_uint_eq(n, 512 * 1024 / sizeof text);
	r.text_len = 0;
	ck_assert(tail_add(t, &r)); /* what has none is still taken */
	tail_drop(t, n + 1);
	r.text_len = sizeof text;
	ck_assert(tail_add(t, &r));
	tail_free(t);
}
END_TEST

/* --- alarms --- */

static const char alarm_engine[] =
    "[engine]\nname = a\nmechanism = oscillating cylinder\npivot distance = 420 mm\n"
    "crank radius = 62.5 mm\nbore = 63 mm\nrod = 20 mm\nclearance cap = 18 ml\n"
    "clearance rod = 21 ml\nambient = 1.013 bar\nair temperature = 18 degC\n"
    "[teeth]\ncount = 36\nedges = rising\nindex angle = 14.5 deg\n"
    "[sensor 2]\nrole = supply\nlow = 100 counts, 0 bar gauge\n"
    "high = 900 counts, 8 bar gauge\n"
    "[limits]\nsupply = 6 bar gauge\nspeed = 240 rpm\n";

static unsigned alarms_in(struct alarms *a, const struct record *r, struct record *out)
{
	return alarms_follow(a, r, out) ? out->channel : 0;
}

/* One turn of 36 teeth, `missing` of them left out, in `turn_us`, then the index. */
static unsigned turn(struct alarms *a, uint32_t *t_us, uint32_t turn_us, unsigned missing, struct record *out)
{
	unsigned raised = 0, one;
	for (unsigned i = 0; i < 36; i++) {
		struct record r = record_make(RECORD_TOOTH, *t_us + i * turn_us / 36, 0, 1);
		if (i >= missing && (one = alarms_in(a, &r, out)) != 0)
			raised = one;
	}
	*t_us += turn_us;
	struct record index = record_make(RECORD_INDEX, *t_us - 10, 0, 1);
	return (one = alarms_in(a, &index, out)) != 0 ? one : raised;
}

START_TEST(limits_raise_alarms_and_flutter_does_not_repeat_them)
{
	struct engine e;
	struct fault fault;
	struct alarms a;
	struct record out;
	ck_assert_int_eq(engine_parse("a.ini", alarm_engine, sizeof alarm_engine - 1, &e, &fault), 0);
	alarms_init(&a, &e);
	struct record r = record_make(RECORD_SAMPLE, 1000, 2, 690); /* 5.9 bar gauge */
	ck_assert_uint_eq(alarms_in(&a, &r, &out), 0);
	r.value = 712; /* 6.12 bar gauge */
	r.t_us = 2000;
	ck_assert_uint_eq(alarms_in(&a, &r, &out), ALARM_SUPPLY);
	ck_assert_int_eq(out.value, 612000);
	for (unsigned i = 0; i < 900; i++) {
		r.t_us += 1000;
		r.value = i % 2 ? 712 : 500;
		ck_assert_uint_eq(alarms_in(&a, &r, &out), 0);
	}
	engine_free(&e);
}
END_TEST

START_TEST(speed_and_missed_teeth_are_watched)
{
	struct engine e;
	struct fault fault;
	struct alarms a;
	struct record out;
	uint32_t t = 4294000000u; /* across the wrap */
	ck_assert_int_eq(engine_parse("a.ini", alarm_engine, sizeof alarm_engine - 1, &e, &fault), 0);
	alarms_init(&a, &e);
	for (unsigned i = 0; i < 6; i++)
		ck_assert_uint_eq(turn(&a, &t, 300000, 0, &out), 0);
	ck_assert_double_eq_tol(a.speed_rpm, 200, 0.01);
	ck_assert_uint_eq(turn(&a, &t, 300000, 2, &out), ALARM_TEETH_MISSED);
	ck_assert_int_eq(out.value, 2);
	alarms_interrupt(&a);
	turn(&a, &t, 240000, 0, &out);
	ck_assert_uint_eq(turn(&a, &t, 240000, 0, &out), ALARM_SPEED);
	ck_assert_double_eq_tol((double)out.value, 250000, 1000);
	engine_free(&e);
}
END_TEST

/* --- status --- */

START_TEST(the_status_line_is_flat_and_escapes_names)
{
	struct engine e;
	struct fault fault;
	char line[STATUS_JSON_MAX];
	ck_assert_int_eq(engine_parse("a.ini", alarm_engine, sizeof alarm_engine - 1, &e, &fault), 0);
	struct status *s = calloc(1, sizeof *s);
	status_init(s);
	status_set(&s->sensor_milli[2], 601325000); /* 6.01325 bar absolute: 5.00025 gauge at 1.013 bar */
	struct status_about about = {
	    .port = "/dev/\"odd\"\\name", .link = "frames", .directory = "d", .engine = &e};
	struct status_rates rates = {0};
	size_t n = status_json(s, &about, &rates, line, sizeof line);
	line[n] = '\0';
	ck_assert_ptr_nonnull(strstr(line, "\"port\":\"/dev/\\\"odd\\\"\\\\name\""));
	ck_assert_ptr_nonnull(strstr(line, "\"supply_bar_gauge\":5.000"));
	ck_assert_ptr_null(strstr(line, "speed_rpm"));
	ck_assert_int_eq(line[n - 1], '\n');
	free(s);
	engine_free(&e);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("logd parts");
	TCase *t = tcase_create("parts");
	tcase_set_timeout(t, 30);
	tcase_add_test(t, sizes_times_and_shares_are_read);
	tcase_add_test(t, odd_amounts_are_refused);
	tcase_add_test(t, options_have_their_defaults_and_values);
	tcase_add_test(t, what_is_missing_is_named);
	tcase_add_test(t, every_option_has_its_value);
	tcase_add_loop_test(t, values_that_cannot_be_are_refused_with_what_can, 0,
	                    sizeof refused / sizeof refused[0]);
	tcase_add_test(t, what_else_it_can_do_needs_no_port);
	tcase_add_test(t, names_of_segments_go_both_ways);
	tcase_add_test(t, foreign_names_are_no_segments);
	tcase_add_test(t, a_full_ring_takes_nothing_and_loses_nothing);
	tcase_add_test(t, bytes_cross_the_ring_in_order_between_threads);
	tcase_add_test(t, a_wrap_is_no_restart);
	tcase_add_test(t, time_going_back_after_a_hello_is_a_restart);
	tcase_add_test(t, a_lost_hello_does_not_hide_a_restart);
	tcase_add_test(t, the_host_clock_tells_a_restart_that_goes_forward);
	tcase_add_test(t, noise_is_added_up_and_paced);
	tcase_add_test(t, the_tail_keeps_copies_until_they_are_dropped);
	tcase_add_test(t, what_was_dropped_makes_room_while_the_rest_waits);
	tcase_add_test(t, the_tail_has_so_much_room_for_texts_and_no_more);
	tcase_add_test(t, limits_raise_alarms_and_flutter_does_not_repeat_them);
	tcase_add_test(t, speed_and_missed_teeth_are_watched);
	tcase_add_test(t, the_status_line_is_flat_and_escapes_names);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
