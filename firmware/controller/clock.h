/* SPDX-License-Identifier: 0BSD */
/* Time: timer 1 runs free at 2 MHz; from its 16 bits the main loop makes the
 * 32-bit microseconds of the records.  Stamps of 16 bits are good for 28 ms;
 * the watchdog (16 ms) sees to it that the main loop comes round in time. */
#ifndef CONTROLLER_CLOCK_H
#define CONTROLLER_CLOCK_H

#include <stdint.h>

void clock_start(void);

/* Now, us.  For the main loop only; to be called at least every 28 ms. */
uint32_t clock_now(void);

/* When a stamp was taken, us: up to 28 ms before the last clock_now, or up to
 * 4 ms after it. */
uint32_t clock_of(uint16_t tick);

/* The stamp at a time up to 16 ms from the last clock_now. */
uint16_t clock_tick(uint32_t t_us);

/* Timer 1 as it stands.  Interrupts share a register with this read, so they
 * are held off for it. */
uint16_t clock_read(void);

#endif
