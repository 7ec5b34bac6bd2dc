/* SPDX-License-Identifier: 0BSD */
/* Changes of the index switch (D2 to ground), every one with its stamp,
 * bounces and all: what they mean is decided in crank.c. */
#ifndef CONTROLLER_INDEX_H
#define CONTROLLER_INDEX_H

#include <stdbool.h>
#include <stdint.h>

struct index_change {
	uint16_t tick;
	bool closed;
};

void index_start(void);
bool index_take(struct index_change *c);
uint8_t index_lost(void);

#endif
