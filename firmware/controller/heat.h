/* SPDX-License-Identifier: 0BSD */
/* How warm each coil must be by the time it was on: a store that fills while
 * it is on and empties while it is off (config.h: COIL_LONGEST_MS, COIL_DUTY). */
#ifndef CONTROLLER_HEAT_H
#define CONTROLLER_HEAT_H

#include "config.h"

#include <stdint.h>

struct heat {
	uint32_t store[VALVES]; /* ms x 256 */
	uint32_t last_us;
	uint8_t hot; /* a bit per coil that must stay off for now */
};

/* Accounts for the time since the last call; call it often.  Returns the coils
 * that have become too hot since then, a bit each. */
uint8_t heat_account(struct heat *h, uint32_t now_us);

#endif
