/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A board with an ATmega328P at 16 MHz in the emulator (libsimavr), running
 * the controller's own machine code: pins and voltages in, coils and serial
 * bytes out, cycles counted.
 *
 * What the emulator leaves out or does otherwise than the chip is put right
 * here: the converter's trigger by timer 1, the flags of timer 1 that are cleared
 * one by one, input pins that stay as they are when their port is written, a
 * reset that takes the coils' pins away at once, and the cycles of an
 * interrupt's entry and return where figures are given (board_isr). */
#ifndef TRAMMEL_AVR_BOARD_H
#define TRAMMEL_AVR_BOARD_H

#include "common/fault.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define BOARD_HZ 16000000
#define BOARD_VALVES 4
#define BOARD_EVENTS_MAX 256

/* Interrupts that are measured, by their place in the table of vectors. */
enum board_vector {
	BOARD_INT0 = 1,
	BOARD_CAPT = 10,
	BOARD_COMPA = 11,
	BOARD_COMPB = 12,
	BOARD_OVF = 13,
	BOARD_UDRE = 19,
	BOARD_ADC = 21,
	BOARD_VECTORS = 26
};

/* BOARD_LINE: D0, what the far end of the serial line drives; high = somebody
 * is plugged in. */
enum board_pin { BOARD_TOOTH, BOARD_INDEX, BOARD_RUN, BOARD_LINE, BOARD_PINS };

/* Called while the board runs; cycle: since the emulator began, resets
 * included.  A NULL function is left out. */
struct board_world {
	void *ctx;
	void (*byte)(void *ctx, uint64_t cycle, uint8_t byte);
	void (*coil)(void *ctx, uint64_t cycle, unsigned valve, bool on);
	/* Counts (0 to 1023) that a channel shows now. */
	unsigned (*sample)(void *ctx, uint64_t cycle, unsigned channel);
};

/* What an interrupt cost, cycles; `wait` is from its flag to its first
 * instruction in the table, the entry's four cycles included. */
struct board_isr {
	uint64_t count, cycles_sum, cycles_max, wait_max;
};

struct board; /* opaque */

/* Loads an ELF file.  NULL with fault. */
struct board *board_new(const char *elf, const struct board_world *world, struct fault *fault);
void board_free(struct board *b);

uint64_t board_cycle(const struct board *b);

/* Cycle at which timer 1 first ran; 0 = not yet. */
uint64_t board_clock_started(const struct board *b);

/* Changes a pin at a cycle to come; at most BOARD_EVENTS_MAX wait at a time,
 * in any order.  False: no room. */
bool board_pin_at(struct board *b, uint64_t cycle, enum board_pin pin, bool high);

/* Runs until this cycle, or a few beyond. */
void board_run(struct board *b, uint64_t until);

/* The reset pin, or a supply too low: held until this cycle. */
enum board_reset { BOARD_RESET_PIN, BOARD_RESET_LOW_VOLTAGE };
void board_reset(struct board *b, enum board_reset why, uint64_t until);

/* The program loses its way: it jumps on the spot, interrupts go on. */
void board_hang(struct board *b);

/* How often the board's own watchdog has reset it. */
unsigned board_watchdog_resets(const struct board *b);

bool board_coil(const struct board *b, unsigned valve);

/* Cycles asleep so far. */
uint64_t board_asleep(const struct board *b);

const struct board_isr *board_isr(const struct board *b, enum board_vector v);
void board_isr_clear(struct board *b);

/* Counts from now on how often the program enters this function, together with
 * all others so named.  False: it has none of this name, or too many are counted. */
#define BOARD_FUNCTIONS_MAX 4
bool board_count_calls(struct board *b, const char *function);
uint64_t board_calls(const struct board *b);

/* Deepest stack so far, bytes, and the free RAM above it that was never
 * written. */
unsigned board_stack_most(const struct board *b);

#endif
