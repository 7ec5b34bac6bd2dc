/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Cycles that the sender's calls take on an AVR, by timer 1 at the processor's
 * clock: mean and most of each, as text out of the serial port. */
#include "firmware/trammel_send.h"

#include <avr/io.h>
#include <stdlib.h>

#define ROUNDS 2000

struct cost {
	const char *name;
	uint32_t sum;
	uint16_t most, n;
};

static void print(const char *text)
{
	for (; *text != '\0'; text++) {
		while (!(UCSR0A & _BV(UDRE0)))
			;
		UDR0 = (uint8_t)*text;
	}
}

static void print_number(uint16_t n)
{
	char digits[6];
	utoa(n, digits, 10);
	print(digits);
}

static void print_cost(const struct cost *c)
{
	print("  ");
	print(c->name);
	print_number((uint16_t)(c->sum / c->n));
	print(" cycles mean, ");
	print_number(c->most);
	print(" most\n");
}

/* `overhead`: of reading the timer twice. */
static void take(struct cost *c, uint16_t from, uint16_t overhead)
{
	uint16_t cycles = (uint16_t)(TCNT1 - from - overhead);
	c->sum += cycles;
	c->n++;
	if (cycles > c->most)
		c->most = cycles;
}

static uint16_t timer_overhead(void)
{
	uint16_t from = TCNT1;
	return (uint16_t)(TCNT1 - from);
}

int main(void)
{
	static uint8_t memory[512];
	static struct trammel_send s;
	struct cost tooth = {"trammel_send_tooth                 ", 0, 0, 0};
	struct cost sample = {"trammel_send_sample                ", 0, 0, 0};
	struct cost poll = {"trammel_send_poll and _done        ", 0, 0, 0};
	uint32_t t_us = 0;
	UCSR0A = _BV(U2X0);
	UBRR0 = 0;
	UCSR0B = _BV(TXEN0);
	TCCR1B = _BV(CS10);
	uint16_t overhead = timer_overhead();
	trammel_send_init(&s, memory, sizeof memory);
	for (uint16_t i = 0; i < ROUNDS; i++) {
		const uint8_t *bytes;
		t_us += 333;
		uint16_t from = TCNT1;
		trammel_send_tooth(&s, t_us, i & 1);
		take(&tooth, from, overhead);
		from = TCNT1;
		trammel_send_sample(&s, t_us + 20, 1, 512);
		take(&sample, from, overhead);
		from = TCNT1;
		trammel_send_done(&s, trammel_send_poll(&s, t_us, &bytes));
		take(&poll, from, overhead);
	}
	print_cost(&tooth);
	print_cost(&sample);
	print_cost(&poll);
	for (;;)
		;
}
