/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A fixed course of calls of the sender, the same on every machine: what comes
 * out must be the same bytes on an AVR and on the host. */
#ifndef TRAMMEL_AVR_CALLS_H
#define TRAMMEL_AVR_CALLS_H

#include "firmware/trammel_send.h"

#define CALLS_BUFFER 200
#define CALLS_ROUNDS 1500

/* Every byte in turn. */
static inline void calls_run(void (*byte)(uint8_t b))
{
	static uint8_t memory[CALLS_BUFFER];
	static struct trammel_send s;
	uint32_t random = 1, t_us = 4294000000u; /* the counter wraps on the way */
	trammel_send_init(&s, memory, sizeof memory);
	trammel_send_hello(&s, "calls tick_us=1");
	for (uint16_t i = 0; i < CALLS_ROUNDS; i++) {
		random = random * 1664525u + 1013904223u; /* Numerical Recipes' quick generator */
		uint8_t draw = (uint8_t)(random >> 24);
		t_us += (random >> 8) % 900;
		trammel_send_tooth(&s, t_us, (draw & 1) != 0);
		if (draw % 3 == 0)
			trammel_send_sample(&s, t_us - draw, draw % 20, (int32_t)(random >> 12) - 400000);
		if (draw % 17 == 0)
			trammel_send_valve(
			    &s, t_us, draw, (draw & 2) != 0,
			    (int16_t)((draw & 4) ? (int16_t)(random >> 16) : TRAMMEL_ANGLE_NONE),
			    (int16_t)((draw & 8) ? draw - 100 : TRAMMEL_ANGLE_NONE));
		if (draw % 61 == 0)
			trammel_send_mark(&s, t_us, "hill");
		const uint8_t *bytes;
		size_t n = trammel_send_poll(&s, t_us, &bytes);
		if (draw > 240)
			n = 0; /* the port is slow for a while: the buffer fills */
		if (n > draw % 13u)
			n = draw % 13u;
		for (size_t k = 0; k < n; k++)
			byte(bytes[k]);
		trammel_send_done(&s, n);
	}
}

#endif
