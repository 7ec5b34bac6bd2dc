/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The serial port of a ride as a pseudo-terminal, under a name that stays when
 * the plug is pulled and put back.  The recorder at the other end sets the pace:
 * bytes that it has not taken yet hold up the emulator, so none is thrown away. */
#ifndef TRAMMEL_AVR_LIVE_H
#define TRAMMEL_AVR_LIVE_H

#include "common/fault.h"
#include "tests/avr/ride.h"

struct live; /* opaque */

/* Makes the link `name` to the pseudo-terminal and waits until a recorder has claimed it.
 * NULL with fault. */
struct live *live_open(const char *name, struct fault *fault);

/* For ride_new; borrowed. */
struct ride_link live_link(struct live *l);

/* Waits until everything has been taken, hangs up and frees.  The fault is the
 * first that happened: nobody came, or took the bytes. */
int live_close(struct live *l, struct fault *fault);

#endif
