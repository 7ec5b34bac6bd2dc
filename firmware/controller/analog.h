/* SPDX-License-Identifier: 0BSD */
/* Sensors: timer 1 starts every conversion by its second comparator, so the
 * instant of each sample is known to a clock of the converter.  Channels and
 * rate: config.h. */
#ifndef CONTROLLER_ANALOG_H
#define CONTROLLER_ANALOG_H

#include <stdbool.h>
#include <stdint.h>

struct analog_sample {
	uint16_t tick;
	uint16_t counts;
	uint8_t channel;
};

void analog_start(void);
bool analog_take(struct analog_sample *s);
uint8_t analog_lost(void);

/* Counts last taken from a channel; 0 before the first. */
uint16_t analog_last(uint8_t channel);

#endif
