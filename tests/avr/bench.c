/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/avr/bench.h"

#include <math.h>
#include <stdlib.h>
#include <sysexits.h>

#define AHEAD 8000 /* cycles by which edges are handed to the board early */
#define QUIET_COUNTS 400

static void keep(uint64_t **list, size_t *room, uint64_t n, uint64_t cycle)
{
	if (n == *room) {
		*room = *room == 0 ? 4096 : 2 * *room;
		*list = realloc(*list, *room * sizeof **list);
		if (*list == NULL)
			abort();
	}
	(*list)[n] = cycle;
}

static void on_byte(void *ctx, uint64_t cycle, uint8_t byte)
{
	struct bench *b = ctx;
	(void)cycle;
	if (b->heard.bytes < BENCH_WIRE)
		b->wire[b->heard.bytes] = byte;
	heard_byte(&b->heard, byte);
}

static void on_coil(void *ctx, uint64_t cycle, unsigned valve, bool on)
{
	struct bench *b = ctx;
	(void)valve;
	(void)on;
	keep(&b->coil_at, &b->coil_room, b->coils++, cycle);
}

static unsigned on_sample(void *ctx, uint64_t cycle, unsigned channel)
{
	struct bench *b = ctx;
	(void)channel;
	keep(&b->sample_at, &b->sample_room, b->samples++, cycle);
	return b->counts;
}

static void change(struct bench *b, uint64_t cycle, enum board_pin pin, bool high)
{
	if (!board_pin_at(b->board, cycle, pin, high))
		abort();
	if (pin == BOARD_TOOTH)
		keep(&b->edge_at, &b->edge_room, b->edges++, cycle);
	else
		keep(&b->index_at, &b->index_room, b->index_changes++, cycle);
}

/* The switch closes 0.8 of a pitch before the first tooth and opens a pitch later. */
static void next_edge(struct bench *b)
{
	b->level = !b->level;
	change(b, (uint64_t)b->next, BOARD_TOOTH, b->level);
	if (b->level && ++b->count % BENCH_TEETH == 0 && !b->no_index) {
		change(b, (uint64_t)(b->next + 1.2 * b->half), BOARD_INDEX, false);
		change(b, (uint64_t)(b->next + 3.2 * b->half), BOARD_INDEX, true);
	}
	b->next += b->half;
}

void bench_speed(struct bench *b, double edges_per_s)
{
	b->half = BOARD_HZ / edges_per_s;
}

struct bench *bench_new(const char *elf, double edges_per_s, struct fault *fault)
{
	struct bench *b = calloc(1, sizeof *b);
	if (b == NULL)
		abort();
	const struct board_world world = {b, on_byte, on_coil, on_sample};
	b->heard = heard_make(LINK_FRAMES);
	b->counts = QUIET_COUNTS;
	b->board = board_new(elf, &world, fault);
	if (b->board == NULL) {
		bench_free(b);
		return NULL;
	}
	if (!board_count_calls(b->board, "trammel_send_mark") ||
	    !board_count_calls(b->board, "trammel_send_hello")) {
		fault_set(fault, EX_DATAERR, "%s: it has no sender, or its symbols were stripped", elf);
		bench_free(b);
		return NULL;
	}
	bench_speed(b, edges_per_s);
	while (board_clock_started(b->board) == 0)
		board_run(b->board, board_cycle(b->board) + 100);
	b->coils = 0; /* pins being set up */
	b->next = (double)board_cycle(b->board) + 2 * AHEAD;
	return b;
}

void bench_free(struct bench *b)
{
	if (b->board != NULL)
		board_free(b->board);
	heard_free(&b->heard);
	free(b->edge_at);
	free(b->index_at);
	free(b->coil_at);
	free(b->sample_at);
	free(b);
}

void bench_turn(struct bench *b, double seconds)
{
	uint64_t until = board_cycle(b->board) + (uint64_t)(seconds * BOARD_HZ);
	b->next = fmax(b->next, (double)board_cycle(b->board) + 1);
	while (board_cycle(b->board) < until) {
		while (b->next < (double)board_cycle(b->board) + AHEAD && b->next < (double)until)
			next_edge(b);
		board_run(b->board, board_cycle(b->board) + AHEAD / 2);
	}
}

void bench_stand(struct bench *b, double seconds)
{
	board_run(b->board, board_cycle(b->board) + (uint64_t)(seconds * BOARD_HZ));
}

double bench_us(const struct bench *b, uint64_t cycle)
{
	return ((double)cycle - (double)board_clock_started(b->board)) / (BOARD_HZ / 1e6);
}
