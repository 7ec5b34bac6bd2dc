/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A board on the bench: a wheel that turns evenly, quiet sensors, and an account
 * of all that went in and came out. */
#ifndef TRAMMEL_AVR_BENCH_H
#define TRAMMEL_AVR_BENCH_H

#include "tests/avr/board.h"
#include "tests/avr/heard.h"

#define BENCH_TEETH 36
#define BENCH_WIRE (1 << 16)

struct bench {
	struct board *board;
	struct heard heard;
	uint8_t wire[BENCH_WIRE]; /* the first bytes as they came */
	/* what went in */
	uint64_t edges, index_changes, samples, coils;
	uint64_t *edge_at, *index_at, *coil_at, *sample_at; /* cycles */
	size_t edge_room, index_room, coil_room, sample_room;
	/* the wheel */
	double next, half; /* cycles: next edge, between two edges */
	unsigned count;    /* edges since the start */
	bool level;
	bool no_index;
	unsigned counts; /* shown by all sensors */
};

/* Runs until the controller's clock has started; the run switch is closed. */
struct bench *bench_new(const char *elf, double edges_per_s, struct fault *fault);
void bench_free(struct bench *b);

/* From now on. */
void bench_speed(struct bench *b, double edges_per_s);

/* Turns the wheel for this long. */
void bench_turn(struct bench *b, double seconds);

/* The wheel stands still this long. */
void bench_stand(struct bench *b, double seconds);

/* Controller's time, us, of a cycle. */
double bench_us(const struct bench *b, uint64_t cycle);

#endif
