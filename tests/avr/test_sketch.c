/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The sketch of firmware/README.md on the emulated board: what it prints is what
 * happened at its pins.  TRAMMEL_SKETCH_ELF names the program. */
#include "tests/avr/board.h"
#include "tests/avr/heard.h"

#include <check.h>
#include <stdlib.h>

#define TURNS 20
#define EDGES 72
#define EDGE_CYCLES (BOARD_HZ / 150) /* 150 edges a second, 125 rpm */
#define START (BOARD_HZ / 2)

static void on_byte(void *ctx, uint64_t cycle, uint8_t byte)
{
	(void)cycle;
	heard_byte(ctx, byte);
}

static unsigned on_sample(void *ctx, uint64_t cycle, unsigned channel)
{
	(void)ctx;
	(void)cycle;
	return 300 + channel;
}

static struct board *board(struct heard *h)
{
	const struct board_world world = {.ctx = h, .byte = on_byte, .sample = on_sample};
	struct fault f;
	const char *elf = getenv("TRAMMEL_SKETCH_ELF");
	ck_assert_msg(elf != NULL, "TRAMMEL_SKETCH_ELF is not set: make firmware-check");
	struct board *b = board_new(elf, &world, &f);
	ck_assert_msg(b != NULL, "%s", b == NULL ? f.text : "");
	board_run(b, BOARD_HZ / 10);
	return b;
}

/* The sketch has its teeth on D2 and its index on D3. */
static void turn(struct board *b)
{
	for (unsigned i = 0; i < TURNS * EDGES; i++) {
		uint64_t at = START + (uint64_t)i * EDGE_CYCLES;
		board_pin_at(b, at, BOARD_INDEX, i % 2 != 0);
		if (i % EDGES == 30 || i % EDGES == 33)
			board_pin_at(b, at + EDGE_CYCLES / 2, BOARD_RUN, i % EDGES == 33);
		board_run(b, at + EDGE_CYCLES * 3 / 4);
	}
	board_run(b, board_cycle(b) + BOARD_HZ / 5);
}

START_TEST(the_printed_lines_tell_what_happened)
{
	struct heard h = heard_make(LINK_LINES);
	struct board *b = board(&h);
	board_pin_at(b, board_cycle(b) + 1, BOARD_INDEX, true);
	board_pin_at(b, board_cycle(b) + 2, BOARD_RUN, true);
	board_run(b, START - 1);
	uint64_t before = h.kinds[RECORD_TOOTH] + h.kinds[RECORD_INDEX];
	turn(b);
	ck_assert_uint_eq(h.damages, 0);
	ck_assert_uint_eq(h.lost, 0);
	ck_assert_int_eq(h.record[0].kind, RECORD_HELLO);
	ck_assert_uint_ge(h.kinds[RECORD_HELLO], 2);
	ck_assert_uint_eq(h.kinds[RECORD_TOOTH] + h.kinds[RECORD_INDEX] - before, TURNS * EDGES + 2 * TURNS);
	/* 100 a second for 10 s and a little */
	ck_assert_uint_gt(h.kinds[RECORD_SAMPLE], 900);
	heard_free(&h);
	board_free(b);
}
END_TEST

/* micros() counts in steps of 4 us; two interrupts may wait for each other. */
START_TEST(the_stamps_are_those_of_the_edges)
{
	struct heard h = heard_make(LINK_LINES);
	struct board *b = board(&h);
	turn(b);
	uint32_t last = 0;
	unsigned n = 0;
	for (size_t i = 0; i < h.n; i++) {
		const struct record *r = &h.record[i];
		if (r->kind != RECORD_TOOTH)
			continue;
		uint32_t gap = r->t_us - last;
		if (n++ > 2)
			ck_assert_msg(gap > 6666 - 60 && gap < 6667 + 60, "%u us between two edges", gap);
		last = r->t_us;
	}
	ck_assert_uint_gt(n, TURNS * EDGES - 3);
	heard_free(&h);
	board_free(b);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("sketch");
	TCase *t = tcase_create("sketch");
	tcase_set_timeout(t, 120);
	tcase_add_test(t, the_printed_lines_tell_what_happened);
	tcase_add_test(t, the_stamps_are_those_of_the_edges);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
