/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The controller's machine code on the bench: cost, stamps, nothing lost at its
 * load and everything counted beyond, and what shuts its valves.
 * TRAMMEL_ELF names the program, TRAMMEL_CALLS_ELF the course of calls. */
#include "tests/avr/bench.h"
#include "tests/avr/calls.h"

#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define CAPTURE_CYCLES_MAX 60
#define STAMP_ERROR_US 1.0

static struct bench *bench(const char *variable, double edges_per_s)
{
	struct fault f;
	const char *elf = getenv(variable);
	ck_assert_msg(elf != NULL, "%s is not set: make firmware-check", variable);
	struct bench *b = bench_new(elf, edges_per_s, &f);
	ck_assert_msg(b != NULL, "%s", b == NULL ? f.text : "");
	return b;
}

/* The wheel stops, and all that is still on its way comes out. */
static void settle(struct bench *b)
{
	bench_stand(b, 0.2);
}

static double worst_stamp_us(const struct bench *b)
{
	double worst = 0;
	for (size_t i = 0, k = 0; i < b->heard.n; i++)
		if (b->heard.record[i].kind == RECORD_TOOTH)
			worst = fmax(worst, fabs(b->heard.record[i].t_us - bench_us(b, b->edge_at[k++])));
	return worst;
}

/* The account of all that happened up to an instant: what was not told was
 * reported lost, to the record.  Records come of what happened at the pins, and
 * of the texts (marks, hellos) that the program put in. */
struct account {
	uint64_t happened, told;
};

/* Converter's stamp of a sample less the instant at which it was taken: less than
 * half of what lies between two samples. */
#define SAMPLE_STAMP_US 100

/* The converter never rests: of samples, those that are old enough at the end to
 * have come through. */
static uint64_t samples_by(const struct bench *b, uint64_t cycle)
{
	uint64_t n = 0;
	while (n < b->samples && b->sample_at[n] <= cycle)
		n++;
	return n;
}

static struct account account(const struct bench *b)
{
	uint64_t samples = samples_by(b, board_cycle(b->board) - BOARD_HZ / 10);
	double last_us = bench_us(b, b->sample_at[samples - 1]) + SAMPLE_STAMP_US;
	struct account a = {b->edges + b->index_changes + b->coils + samples + board_calls(b->board), 0};
	for (size_t i = 0; i < b->heard.n; i++) {
		const struct record *r = &b->heard.record[i];
		a.told += r->kind != RECORD_LOST && (r->kind != RECORD_SAMPLE || r->t_us <= last_us);
	}
	return a;
}

START_TEST(at_3000_edges_and_4000_samples_a_second_nothing_is_lost)
{
	struct bench *b = bench("TRAMMEL_ELF", 3000);
	bench_turn(b, 4);
	settle(b);
	ck_assert_uint_eq(b->heard.lost, 0);
	ck_assert_uint_eq(b->heard.damages + b->heard.frames_lost, 0);
	ck_assert_uint_eq(b->heard.kinds[RECORD_TOOTH], b->edges);
	ck_assert_uint_eq(b->heard.kinds[RECORD_INDEX], b->index_changes);
	ck_assert_uint_eq(b->heard.kinds[RECORD_VALVE], b->coils);
	ck_assert_uint_gt(b->samples, 16000); /* four channels at 1 kHz */
	struct account a = account(b);
	ck_assert_uint_eq(a.told, a.happened);
	ck_assert(worst_stamp_us(b) <= STAMP_ERROR_US);
	ck_assert_uint_le(board_isr(b->board, BOARD_CAPT)->cycles_max, CAPTURE_CYCLES_MAX);
	ck_assert_uint_eq(board_watchdog_resets(b->board), 0);
	bench_free(b);
}
END_TEST

static void check_account(double edges_per_s)
{
	struct bench *b = bench("TRAMMEL_ELF", edges_per_s);
	bench_turn(b, 3);
	settle(b);
	ck_assert_uint_gt(b->heard.lost, 1000);
	ck_assert_uint_eq(b->heard.damages + b->heard.frames_lost, 0);
	struct account a = account(b);
	ck_assert_msg(a.happened - a.told == b->heard.lost, "%.0f edges/s: %lld missing, %lld reported lost",
	              edges_per_s, (long long)(a.happened - a.told), (long long)b->heard.lost);
	ck_assert_uint_eq(board_watchdog_resets(b->board), 0);
	bench_free(b);
}

START_TEST(beyond_that_everything_lost_is_counted)
{
	check_account(5000);
	check_account(9000);
	check_account(20000);
}
END_TEST

static uint8_t host[BENCH_WIRE];
static size_t host_n;

static void host_byte(uint8_t b)
{
	ck_assert_uint_lt(host_n, sizeof host);
	host[host_n++] = b;
}

START_TEST(the_sender_gives_the_same_bytes_on_the_avr_as_on_the_host)
{
	struct bench *b = bench("TRAMMEL_CALLS_ELF", 1);
	bench_stand(b, 3);
	host_n = 0;
	calls_run(host_byte);
	ck_assert_uint_gt(host_n, 4000);
	ck_assert_uint_eq(b->heard.bytes, host_n);
	ck_assert_mem_eq(b->wire, host, host_n);
	ck_assert_uint_gt(b->heard.lost, 0); /* full buffers were among it */
	ck_assert_uint_eq(b->heard.damages + b->heard.frames_lost, 0);
	bench_free(b);
}
END_TEST

/* --- what shuts the valves --- */

static bool inlet_on(const struct bench *b)
{
	return board_coil(b->board, 0) || board_coil(b->board, 2);
}

static bool any_on(const struct bench *b)
{
	return inlet_on(b) || board_coil(b->board, 1) || board_coil(b->board, 3);
}

/* Two turns at 120 rpm: the engine is at work. */
static struct bench *at_work(void)
{
	struct bench *b = bench("TRAMMEL_ELF", 144);
	bench_turn(b, 2.4);
	ck_assert_ptr_nonnull(heard_mark(&b->heard, 0, "index found"));
	return b;
}

/* True when an inlet opens within this time. */
static bool inlet_opens(struct bench *b, double seconds)
{
	bool seen = false;
	for (double t = 0; t < seconds; t += 0.01) {
		bench_turn(b, 0.01);
		seen = seen || inlet_on(b);
	}
	return seen;
}

START_TEST(the_inlets_work_when_all_is_well)
{
	struct bench *b = at_work();
	ck_assert(inlet_opens(b, 0.5));
	bench_free(b);
}
END_TEST

/* A degree of the controller's own angle, and what it says was asked for. */
static void check_cut_off(double edges_per_s, int ddeg)
{
	struct bench *b = bench("TRAMMEL_ELF", edges_per_s);
	unsigned seen = 0;
	bench_turn(b, 3.5 * 2 * BENCH_TEETH / edges_per_s);
	for (size_t i = 0; i < b->heard.n; i++) {
		const struct record *r = &b->heard.record[i];
		if (r->kind != RECORD_VALVE || r->channel != 0 || r->value != 0)
			continue;
		ck_assert_int_eq(r->intended_ddeg, ddeg);
		ck_assert_int_le(abs(r->controller_ddeg - ddeg), 10);
		seen++;
	}
	ck_assert_uint_ge(seen, 2);
	bench_free(b);
}

/* 40 rpm is a start, 60 rpm is none (config.h: 50 rpm, 130 degrees; timing_default.h: 96). */
START_TEST(at_a_start_the_inlet_shuts_late_and_the_log_says_that_it_was_meant_to)
{
	check_cut_off(48, 1300);
	check_cut_off(72, 960);
}
END_TEST

START_TEST(a_crank_that_stands_gets_all_valves_shut)
{
	struct bench *b = at_work();
	while (!inlet_on(b))
		bench_turn(b, 0.001);
	bench_stand(b, 0.5);
	ck_assert(!any_on(b));
	bench_stand(b, 0.1);
	ck_assert_ptr_nonnull(heard_mark(&b->heard, 0, "crank stands"));
	bench_free(b);
}
END_TEST

START_TEST(a_shut_throttle_shuts_the_inlets_and_leaves_the_exhausts)
{
	struct bench *b = at_work();
	board_pin_at(b->board, board_cycle(b->board) + 1, BOARD_RUN, true);
	bench_turn(b, 0.01);
	ck_assert(!inlet_on(b));
	uint64_t before = b->coils;
	ck_assert(!inlet_opens(b, 1.0));
	ck_assert_uint_ge(b->coils - before, 6); /* two exhausts, two turns */
	ck_assert_ptr_nonnull(heard_mark(&b->heard, 0, "throttle shut"));
	bench_free(b);
}
END_TEST

START_TEST(too_fast_a_crank_gets_no_air)
{
	struct bench *b = at_work();
	bench_speed(b, 340); /* 283 rpm, the limit is 240 */
	bench_turn(b, 0.25);
	ck_assert(!inlet_opens(b, 1.0));
	ck_assert_ptr_nonnull(heard_mark(&b->heard, 0, "too fast"));
	bench_speed(b, 144);
	bench_turn(b, 0.6);
	ck_assert(inlet_opens(b, 0.6));
	bench_free(b);
}
END_TEST

START_TEST(a_program_that_hangs_is_reset_with_its_valves_shut)
{
	struct bench *b = at_work();
	while (!inlet_on(b))
		bench_turn(b, 0.001);
	board_hang(b->board);
	bench_turn(b, 0.02);
	ck_assert_uint_eq(board_watchdog_resets(b->board), 1);
	ck_assert(!inlet_on(b));
	bench_turn(b, 1.5);
	ck_assert_ptr_nonnull(heard_mark(&b->heard, 0, "start: watchdog"));
	ck_assert(inlet_opens(b, 0.6)); /* it found the index and works again */
	ck_assert_uint_eq(board_watchdog_resets(b->board), 1);
	bench_free(b);
}
END_TEST

/* At 3.5 rpm an exhaust would be on for 8 s. */
START_TEST(a_coil_that_was_on_too_long_is_kept_off)
{
	struct bench *b = bench("TRAMMEL_ELF", 144);
	bench_turn(b, 1.3);
	bench_speed(b, 6);
	for (int i = 0; i < 700 && heard_mark(&b->heard, 0, "a coil was on too long") == NULL; i++)
		bench_turn(b, 0.02);
	ck_assert_ptr_nonnull(heard_mark(&b->heard, 0, "a coil was on too long"));
	bench_turn(b, 0.05);
	ck_assert(!board_coil(b->board, 1) || !board_coil(b->board, 3));
	bench_free(b);
}
END_TEST

/* Turned without its index, so that the exhausts are on (until it has stood for 0.4 s), and
 * let stand: which part of the time they are on, without ever being on for 4 s. */
static void turn_and_rest(struct bench *b, double turn_s, double rest_s, int times)
{
	b->no_index = true;
	for (int i = 0; i < times; i++) {
		bench_turn(b, turn_s);
		ck_assert(board_coil(b->board, 1) && board_coil(b->board, 3));
		bench_stand(b, rest_s);
		ck_assert(!any_on(b));
	}
}

START_TEST(a_coil_that_is_on_for_60_percent_of_the_time_stays_in_use)
{
	struct bench *b = bench("TRAMMEL_ELF", 144);
	turn_and_rest(b, 2.0, 2.0, 5);
	ck_assert_ptr_null(heard_mark(&b->heard, 0, "a coil was on too long"));
	bench_free(b);
}
END_TEST

START_TEST(a_coil_that_is_on_for_85_percent_of_the_time_is_kept_off)
{
	struct bench *b = bench("TRAMMEL_ELF", 144);
	turn_and_rest(b, 3.0, 1.0, 1);
	ck_assert_ptr_null(heard_mark(&b->heard, 0, "a coil was on too long"));
	bench_turn(b, 2.5);
	ck_assert_ptr_nonnull(heard_mark(&b->heard, 0, "a coil was on too long"));
	ck_assert(!any_on(b));
	bench_turn(b, 0.6); /* cooled to a half, it is in use again */
	ck_assert(any_on(b));
	bench_free(b);
}
END_TEST

START_TEST(a_wrong_count_is_not_believed_until_a_turn_has_proved_right)
{
	struct bench *b = at_work();
	while (b->count % BENCH_TEETH != 10)
		bench_turn(b, 0.001);
	b->count += 2; /* the index comes two teeth early */
	bench_turn(b, 0.5);
	ck_assert_ptr_nonnull(heard_mark(&b->heard, 0, "index with a wrong count"));
	ck_assert(!inlet_on(b));
	bench_turn(b, 0.6);
	ck_assert_ptr_nonnull(heard_mark(&b->heard, 0, "count right"));
	ck_assert(inlet_opens(b, 0.6));
	bench_free(b);
}
END_TEST

/* --- the plug of the serial line --- */

static void plug(struct bench *b, bool in)
{
	board_pin_at(b->board, board_cycle(b->board) + 1, BOARD_LINE, in);
}

/* Longer than a byte at any rate, and than a break. */
START_TEST(what_a_host_sends_does_not_look_like_a_lost_link)
{
	struct bench *b = at_work();
	for (int i = 0; i < 30; i++) {
		plug(b, false);
		bench_turn(b, 0.015);
		plug(b, true);
		bench_turn(b, 0.002);
	}
	ck_assert(inlet_opens(b, 0.6));
	ck_assert_ptr_null(heard_mark(&b->heard, 0, "link"));
	bench_free(b);
}
END_TEST

START_TEST(without_a_listener_from_the_start_no_inlet_opens)
{
	struct bench *b = bench("TRAMMEL_ELF", 144);
	plug(b, false);
	bench_stand(b, 0.03);
	ck_assert(!inlet_opens(b, 2.5));
	ck_assert_uint_ge(b->coils, 4); /* the exhausts work */
	ck_assert_ptr_nonnull(heard_mark(&b->heard, 0, "link lost: inlets shut"));
	bench_free(b);
}
END_TEST

START_TEST(a_link_that_comes_back_at_rest_still_has_a_turn_checked)
{
	struct bench *b = at_work();
	plug(b, false);
	bench_stand(b, 0.6);
	plug(b, true);
	bench_stand(b, 0.1);
	ck_assert_ptr_nonnull(heard_mark(&b->heard, 0, "link back after "));
	bench_turn(b, 2);
	const struct record *checking = heard_mark(&b->heard, 0, "index found: checking a turn");
	const struct record *proved = heard_mark(&b->heard, 0, "count right: inlets free");
	ck_assert(checking != NULL && proved != NULL && checking < proved);
	for (const struct record *r = heard_mark(&b->heard, 0, "link back after "); r < proved; r++)
		ck_assert(r->kind != RECORD_VALVE || r->value == 0 || r->channel % 2 == 1);
	ck_assert(inlet_opens(b, 0.6));
	bench_free(b);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("controller");
	TCase *t = tcase_create("bench");
	tcase_set_timeout(t, 120);
	tcase_add_test(t, at_3000_edges_and_4000_samples_a_second_nothing_is_lost);
	tcase_add_test(t, beyond_that_everything_lost_is_counted);
	tcase_add_test(t, the_sender_gives_the_same_bytes_on_the_avr_as_on_the_host);
	tcase_add_test(t, the_inlets_work_when_all_is_well);
	tcase_add_test(t, at_a_start_the_inlet_shuts_late_and_the_log_says_that_it_was_meant_to);
	tcase_add_test(t, a_crank_that_stands_gets_all_valves_shut);
	tcase_add_test(t, a_shut_throttle_shuts_the_inlets_and_leaves_the_exhausts);
	tcase_add_test(t, too_fast_a_crank_gets_no_air);
	tcase_add_test(t, a_program_that_hangs_is_reset_with_its_valves_shut);
	tcase_add_test(t, a_coil_that_was_on_too_long_is_kept_off);
	tcase_add_test(t, a_coil_that_is_on_for_60_percent_of_the_time_stays_in_use);
	tcase_add_test(t, a_coil_that_is_on_for_85_percent_of_the_time_is_kept_off);
	tcase_add_test(t, a_wrong_count_is_not_believed_until_a_turn_has_proved_right);
	tcase_add_test(t, what_a_host_sends_does_not_look_like_a_lost_link);
	tcase_add_test(t, without_a_listener_from_the_start_no_inlet_opens);
	tcase_add_test(t, a_link_that_comes_back_at_rest_still_has_a_turn_checked);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
