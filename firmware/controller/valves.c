/* SPDX-License-Identifier: 0BSD */
#include "valves.h"
#include "clock.h"
#include "config.h"
#include "wake.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#define FIRST_PIN 4
#define PINS 0xf0
#define PLACES 16

static volatile uint16_t due[VALVES];
static volatile uint8_t planned, planned_on; /* a bit per valve */
static volatile struct valves_event ring[PLACES];
static volatile uint8_t head, tail, lost;

static void note(uint8_t valve, bool on, bool in_turn, uint16_t tick)
{
	uint8_t at = head, next = (uint8_t)(at + 1) & (PLACES - 1);
	if (next == tail) {
		if (lost < 255)
			lost++;
		return;
	}
	ring[at].tick = tick;
	ring[at].valve = valve;
	ring[at].on = on;
	ring[at].planned = in_turn;
	head = next;
	wake = true;
}

static void change(uint8_t valve, uint8_t bit, bool on, bool in_turn)
{
	uint8_t pin = (uint8_t)(bit << FIRST_PIN);
	planned &= (uint8_t)~bit;
	if (((PORTD & pin) != 0) == on)
		return;
	PORTD ^= pin;
	note(valve, on, in_turn, clock_read());
}

/* Carries out what is due; returns ticks until the next, 0 = nothing is planned. */
static uint16_t carry_out(void)
{
	uint16_t nearest = 0;
	for (uint8_t v = 0, bit = 1; v < VALVES; v++, bit = (uint8_t)(bit << 1)) {
		if (!(planned & bit))
			continue;
		int16_t wait = (int16_t)(due[v] - clock_read());
		if (wait <= 0)
			change(v, bit, (planned_on & bit) != 0, true);
		else if (nearest == 0 || (uint16_t)wait < nearest)
			nearest = (uint16_t)wait;
	}
	return nearest;
}

/* Sets the comparator; what came due while it was set is carried out here.
 * Runs in the comparator's interrupt, or while that is off. */
static void work(void)
{
	for (uint16_t wait; (wait = carry_out()) != 0;) {
		bool ahead;
		ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
		{
			uint16_t now = TCNT1, next = (uint16_t)(now + wait);
			OCR1A = next;
			ahead = wait > 1 && (int16_t)(next - TCNT1) > 0;
		}
		if (ahead)
			return;
	}
}

ISR(TIMER1_COMPA_vect)
{
	work();
}

static void hold(void)
{
	TIMSK1 &= (uint8_t)~_BV(OCIE1A);
}

static void release(void)
{
	TIMSK1 |= _BV(OCIE1A);
}

void valves_shut(void)
{
	PORTD &= (uint8_t)~PINS;
	DDRD |= PINS;
}

void valves_start(void)
{
	TIFR1 = _BV(OCF1A);
	release();
}

bool valves_on(uint8_t valve)
{
	return (PORTD >> (valve + FIRST_PIN) & 1) != 0;
}

uint8_t valves_active(void)
{
	return (uint8_t)(PORTD >> FIRST_PIN | planned);
}

void valves_plan(uint8_t valve, bool on, uint16_t tick)
{
	uint8_t bit = (uint8_t)(1 << valve);
	hold();
	due[valve] = tick;
	planned |= bit;
	planned_on = (uint8_t)(on ? planned_on | bit : planned_on & ~bit);
	work();
	release();
}

void valves_forget(uint8_t valve)
{
	hold();
	planned &= (uint8_t) ~(1 << valve);
	release();
}

void valves_switch(uint8_t valve, bool on)
{
	hold();
	change(valve, (uint8_t)(1 << valve), on, false);
	release();
}

bool valves_take(struct valves_event *e)
{
	uint8_t at = tail;
	if (at == head)
		return false;
	e->tick = ring[at].tick;
	e->valve = ring[at].valve;
	e->on = ring[at].on;
	e->planned = ring[at].planned;
	tail = (uint8_t)(at + 1) & (PLACES - 1);
	return true;
}

uint8_t valves_lost(void)
{
	uint8_t n;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
	{
		n = lost;
		lost = 0;
	}
	return n;
}
