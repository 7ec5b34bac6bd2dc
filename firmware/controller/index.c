/* SPDX-License-Identifier: 0BSD */
#include "index.h"
#include "wake.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#define PLACES 16

static volatile struct index_change ring[PLACES];
static volatile uint8_t head, tail, lost;

ISR(INT0_vect)
{
	uint16_t tick = TCNT1;
	uint8_t at = head, next = (uint8_t)(at + 1) & (PLACES - 1);
	if (next == tail) {
		if (lost < 255)
			lost++;
		return;
	}
	ring[at].tick = tick;
	ring[at].closed = !(PIND & _BV(PIND2));
	head = next;
	wake = true;
}

void index_start(void)
{
	PORTD |= _BV(PORTD2); /* pull-up */
	EICRA = _BV(ISC00);   /* any change */
	EIFR = _BV(INTF0);
	EIMSK |= _BV(INT0);
}

bool index_take(struct index_change *c)
{
	uint8_t at = tail;
	if (at == head)
		return false;
	c->tick = ring[at].tick;
	c->closed = ring[at].closed;
	tail = (uint8_t)(at + 1) & (PLACES - 1);
	return true;
}

uint8_t index_lost(void)
{
	uint8_t n;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
	{
		n = lost;
		lost = 0;
	}
	return n;
}
