/* SPDX-License-Identifier: 0BSD */
#include "heat.h"
#include "valves.h"

#define FULL ((uint32_t)COIL_LONGEST_MS * (256 - COIL_DUTY))

static void fill(struct heat *h, uint8_t valve, uint8_t ms)
{
	uint32_t *store = &h->store[valve];
	if (valves_on(valve)) {
		*store += (uint32_t)ms * (256 - COIL_DUTY);
	} else {
		uint32_t gone = (uint32_t)ms * COIL_DUTY;
		*store = *store > gone ? *store - gone : 0;
	}
}

uint8_t heat_account(struct heat *h, uint32_t now_us)
{
	uint32_t since_us = now_us - h->last_us;
	uint8_t newly = 0, ms = 0;
	for (; since_us >= 1000 && ms < 255; since_us -= 1000)
		ms++;
	if (ms < 8)
		return 0;
	h->last_us = now_us - since_us;
	for (uint8_t v = 0; v < VALVES; v++) {
		uint8_t bit = (uint8_t)(1 << v);
		fill(h, v, ms);
		if (h->store[v] >= FULL && !(h->hot & bit))
			newly |= bit;
		if (h->store[v] < FULL / 2)
			h->hot &= (uint8_t)~bit;
	}
	h->hot |= newly;
	return newly;
}
