/* SPDX-License-Identifier: 0BSD */
#include "uart.h"

#include <avr/io.h>

#define BAUD 500000ul

/* What the interrupt (uart_isr.S) works off. */
const uint8_t *volatile uart_next;
volatile uint8_t uart_left;

void uart_start(void)
{
	UCSR0A = _BV(U2X0);
	UBRR0 = (uint16_t)(F_CPU / 8 / BAUD - 1);
	UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
	UCSR0B = _BV(TXEN0);
}

bool uart_busy(void)
{
	return uart_left > 0;
}

void uart_send(const uint8_t *bytes, uint8_t n)
{
	uart_next = bytes;
	uart_left = n;
	UCSR0B = _BV(TXEN0) | _BV(UDRIE0);
}
