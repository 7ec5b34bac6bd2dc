/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The host's clocks.  Everything the recorder decides by time (sync, rotation,
 * back-off, order) uses the monotonic clock; the calendar clock only labels
 * the start of a segment, because a board without a battery clock steps it. */
#ifndef TRAMMEL_CLOCK_H
#define TRAMMEL_CLOCK_H

#include <stdint.h>

#define CLOCK_SECOND_US 1000000

/* CLOCK_MONOTONIC, us. */
int64_t clock_mono_us(void);

/* CLOCK_REALTIME, us since 1970. */
int64_t clock_utc_us(void);

#endif
