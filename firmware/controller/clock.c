/* SPDX-License-Identifier: 0BSD */
#include "clock.h"

#include <avr/io.h>
#include <util/atomic.h>

#define PAST 57344u /* ticks that clock_of looks back */

static uint32_t now_us;
static uint16_t now_tick; /* stands for now_us; always even */

void clock_start(void)
{
	TCCR1A = 0;
	TCCR1B = _BV(ICNC1) | _BV(ICES1) | _BV(CS11);
}

uint16_t clock_read(void)
{
	uint16_t tick;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
	{
		tick = TCNT1;
	}
	return tick;
}

uint32_t clock_now(void)
{
	uint16_t passed = (uint16_t)(clock_read() - now_tick) & 0xfffe;
	now_tick = (uint16_t)(now_tick + passed);
	now_us += passed >> 1;
	return now_us;
}

uint32_t clock_of(uint16_t tick)
{
	uint16_t since = (uint16_t)(tick - now_tick + PAST);
	return now_us - PAST / 2 + (since >> 1);
}

uint16_t clock_tick(uint32_t t_us)
{
	return (uint16_t)(now_tick + ((uint16_t)(t_us - now_us) << 1));
}
