/* SPDX-License-Identifier: 0BSD */
#include "analog.h"
#include "config.h"
#include "wake.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#define PLACES 16
#define REFERENCE _BV(REFS0) /* supply of the board: right for ratiometric sensors */

static const uint8_t channels[] = {CHANNELS};
#define COUNT (sizeof channels)
#define STEP ((uint16_t)(2000000ul / RATE_HZ / COUNT)) /* ticks from sample to sample */
#if RATE_HZ < 31
#error "RATE_HZ: at least 31, so that two samples lie within a turn of timer 1"
#endif

/* An auto-triggered conversion holds its sample two converter clocks after
 * the trigger (ATmega328P data sheet, 24.4): 2 x 128 / 16 MHz = 16 us. */
#define HOLD_TICKS 32
/* A comparator set less than this ahead might be passed before it is set. */
#define MARGIN_TICKS 20

static volatile struct analog_sample ring[PLACES];
static volatile uint8_t head, tail, lost;
static uint8_t turn; /* place in `channels` of the conversion that runs */
static uint16_t last[6];

static void select(void)
{
	ADMUX = REFERENCE | channels[turn];
}

/* Sets the comparator for the next sample.  One that would be late is left out:
 * the gap shows in the stamps. */
static void aim(uint16_t triggered)
{
	uint16_t next = (uint16_t)(triggered + STEP);
	while ((int16_t)(next - TCNT1) < MARGIN_TICKS)
		next = (uint16_t)(next + STEP);
	OCR1B = next;
	TIFR1 = _BV(OCF1B); /* its rise is the trigger */
}

ISR(ADC_vect)
{
	uint16_t counts = ADC, triggered = OCR1B;
	uint8_t channel = channels[turn], at = head, next = (uint8_t)(at + 1) & (PLACES - 1);
	if (++turn == COUNT)
		turn = 0;
	select();
	aim(triggered);
	if (next == tail) {
		if (lost < 255)
			lost++;
		return;
	}
	ring[at].tick = (uint16_t)(triggered + HOLD_TICKS);
	ring[at].counts = counts;
	ring[at].channel = channel;
	head = next;
	wake = true;
}

void analog_start(void)
{
	for (uint8_t i = 0; i < COUNT; i++)
		DIDR0 = (uint8_t)(DIDR0 | _BV(channels[i]));
	select();
	ADCSRB = _BV(ADTS2) | _BV(ADTS0); /* timer 1, comparator B */
	ADCSRA = _BV(ADEN) | _BV(ADATE) | _BV(ADIE) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0);
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
	{
		aim(TCNT1);
	}
}

bool analog_take(struct analog_sample *s)
{
	uint8_t at = tail;
	if (at == head)
		return false;
	s->tick = ring[at].tick;
	s->counts = ring[at].counts;
	s->channel = ring[at].channel;
	tail = (uint8_t)(at + 1) & (PLACES - 1);
	last[s->channel] = s->counts;
	return true;
}

uint8_t analog_lost(void)
{
	uint8_t n;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
	{
		n = lost;
		lost = 0;
	}
	return n;
}

uint16_t analog_last(uint8_t channel)
{
	return last[channel];
}
