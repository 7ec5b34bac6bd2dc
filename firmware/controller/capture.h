/* SPDX-License-Identifier: 0BSD */
/* Tooth edges by input capture (D8): the timer stamps them, whatever the
 * processor does.  The interrupt (capture_isr.S) keeps stamp and direction and
 * looks for the edge that leads away from where the pin stands now, so that
 * no pulse, however short, can leave it looking the wrong way. */
#ifndef CONTROLLER_CAPTURE_H
#define CONTROLLER_CAPTURE_H

#include <stdbool.h>
#include <stdint.h>

struct capture_edge {
	uint16_t tick;
	bool rising;
};

void capture_start(void);

/* The oldest edge not yet taken.  False: none. */
bool capture_take(struct capture_edge *e);

/* Edges that found no room since the last call. */
uint16_t capture_lost(void);

#endif
