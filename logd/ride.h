/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Which session on the disk holds the newest ride: the newest one in which the crank turned.
 * A board that is switched on and off without a ride leaves sessions
 * that hold none, and they must not push the last ride out. */
#ifndef TRAMMEL_RIDE_H
#define TRAMMEL_RIDE_H

#include "logd/shelf.h"

/* Its number; the newest session there is when none shows a tooth edge among the first
 * RIDE_LOOK_BYTES looked through; 0 when there is no session.  Uses the heap: for the start only. */
#define RIDE_LOOK_BYTES ((int64_t)32 << 20)
uint32_t ride_newest_session(const struct shelf *s);

#endif
