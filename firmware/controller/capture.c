/* SPDX-License-Identifier: 0BSD */
#include "capture.h"

#include <avr/io.h>
#include <util/atomic.h>

/* 64 places of 4 bytes: stamp, low byte first; TCCR1B as it stood; one free.
 * On a page of its own: the interrupt steps the low byte of the address and
 * lets it wrap.  GPIOR0 and GPIOR1 are those of head and tail. */
volatile uint8_t capture_ring[256] __attribute__((aligned(256)));
volatile uint16_t capture_dropped; /* found no room */

void capture_start(void)
{
	GPIOR0 = GPIOR1 = 0;
	PORTB |= _BV(PORTB0); /* pull-up, for pick-ups with an open collector */
	if (PINB & _BV(PINB0))
		TCCR1B &= (uint8_t)~_BV(ICES1); /* first comes a falling edge */
	TIFR1 = _BV(ICF1);
	TIMSK1 |= _BV(ICIE1);
}

bool capture_take(struct capture_edge *e)
{
	uint8_t tail = GPIOR1;
	if (tail == GPIOR0)
		return false;
	const volatile uint8_t *place = capture_ring + tail;
	e->tick = (uint16_t)(place[0] | place[1] << 8);
	e->rising = (place[2] & _BV(ICES1)) != 0;
	GPIOR1 = (uint8_t)(tail + 4);
	return true;
}

uint16_t capture_lost(void)
{
	uint16_t lost;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
	{
		lost = capture_dropped;
		capture_dropped = 0;
	}
	return lost;
}
