/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The course of calls on the AVR, its bytes out of the serial port. */
#include "tests/avr/calls.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>

static void byte(uint8_t b)
{
	while (!(UCSR0A & _BV(UDRE0)))
		;
	UDR0 = b;
}

int main(void)
{
	TCCR1B = _BV(CS11); /* the bench waits for this clock */
	UCSR0A = _BV(U2X0);
	UBRR0 = 0;
	UCSR0B = _BV(TXEN0);
	calls_run(byte);
	cli();
	sleep_cpu();
	for (;;)
		;
}
