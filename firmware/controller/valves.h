/* SPDX-License-Identifier: 0BSD */
/* The coils: D4 to D7, high = on.  Each has at most one change planned, which
 * timer 1 carries out by its first comparator, wherever the main loop is.
 * The stamp of a change is read beside the pin. */
#ifndef CONTROLLER_VALVES_H
#define CONTROLLER_VALVES_H

#include <stdbool.h>
#include <stdint.h>

struct valves_event {
	uint16_t tick;
	uint8_t valve;
	bool on;
	bool planned; /* at its angle; false: out of turn */
};

/* All off.  For the very beginning, before anything else runs. */
void valves_shut(void);

void valves_start(void);
bool valves_on(uint8_t valve);

/* A bit per valve that is on or has a change planned. */
uint8_t valves_active(void);

/* In place of what was planned for this valve: a change at `tick`, up to 16 ms
 * ahead; one that is past is carried out at once. */
void valves_plan(uint8_t valve, bool on, uint16_t tick);
void valves_forget(uint8_t valve);

/* A change now, out of turn; what was planned is forgotten. */
void valves_switch(uint8_t valve, bool on);

bool valves_take(struct valves_event *e);
uint8_t valves_lost(void);

#endif
