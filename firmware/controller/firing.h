/* SPDX-License-Identifier: 0BSD */
/* When to switch which coil.  At every tooth the timing is compared with the
 * crank: what should have happened is done, what comes before the tooth after
 * the next gets its time, between the teeth, led by the valve's delay. */
#ifndef CONTROLLER_FIRING_H
#define CONTROLLER_FIRING_H

#include "config.h"
#include "crank.h"

struct firing {
	uint8_t waiting, waiting_on; /* a bit per valve: has a time; what to do then */
	uint32_t due_us[VALVES];
};

/* At a counted edge.  `allowed`: a bit per valve that may be on (the others
 * are firing_limit's business). */
void firing_edge(struct firing *f, const struct crank *c, uint8_t allowed);

/* Where the valve is to move, 0.1 degree: the start's setting while that rules,
 * else the timing's. */
int16_t firing_setting(const struct crank *c, uint8_t valve, bool on);

/* Switches off what is no longer allowed. */
void firing_limit(struct firing *f, uint8_t allowed);

/* Switches these on, a bit each, whatever the angle. */
void firing_open(uint8_t valves);

/* Hands to the timer what comes due soon; call it often. */
void firing_rest(struct firing *f, uint32_t now_us);

#endif
