/* SPDX-License-Identifier: 0BSD */
/* Example controller for an ATmega328P at 16 MHz: counts teeth, fires four
 * solenoid valves, samples the sensors, and says everything it does over the
 * serial line.  README.md has the wiring; config.h the machine.
 *
 * Interrupts only stamp and store (capture_isr.S, index.c, analog.c), switch
 * what was planned (valves.c) and feed the port (uart.c).  All thinking is in
 * the loop below, which comes round at least every 16 ms or the watchdog
 * resets the board, and a reset shuts the valves. */
#include "../trammel_send.h"
#include "analog.h"
#include "capture.h"
#include "clock.h"
#include "config.h"
#include "crank.h"
#include "firing.h"
#include "heat.h"
#include "index.h"
#include "line.h"
#include "timing.h"
#include "uart.h"
#include "valves.h"
#include "wake.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <stdlib.h>
#include <string.h>

#define LOOK_US 1000
#define EDGES_AT_ONCE 8

struct controller {
	struct trammel_send send;
	struct crank crank;
	struct firing firing;
	struct heat heat;
	struct line line;
	uint8_t valves;  /* those with a timing */
	uint8_t allowed; /* those that may be on now */
	bool running;    /* the rider's switch or lever is open */
	bool too_fast;
	size_t sending; /* bytes the port is working on */
	uint32_t hello_us, looked_us;
	char hello[sizeof SENDER_NAME + sizeof CHANNELS_WORDS + 16];
};

volatile bool wake;
static struct controller controller;
static uint8_t send_buffer[SEND_BUFFER];
static uint8_t reset_cause __attribute__((section(".noinit")));

/* Before anything else: the valves shut, and the watchdog, which stays on over
 * a reset of its own, off until the loop runs. */
void first_of_all(void) __attribute__((naked, used, section(".init3")));
void first_of_all(void)
{
	valves_shut();
	reset_cause = MCUSR;
	MCUSR = 0;
	wdt_disable();
}

static PGM_P reset_words(void)
{
	if (reset_cause & _BV(WDRF))
		return PSTR("start: watchdog");
	if (reset_cause & _BV(BORF))
		return PSTR("start: supply voltage too low");
	if (reset_cause & _BV(EXTRF))
		return PSTR("start: reset pin");
	return PSTR("start: power on");
}

static PGM_P crank_words(enum crank_note note)
{
	switch (note) {
	case CRANK_FOUND:
		return PSTR("index found");
	case CRANK_FOUND_AGAIN:
		return PSTR("index found: checking a turn");
	case CRANK_PROVED:
		return PSTR("count right: inlets free");
	case CRANK_NOISE:
		return PSTR("tooth pulses that no crank makes: inlets shut");
	case CRANK_NO_INDEX:
		return PSTR("a turn without index: inlets shut");
	case CRANK_WRONG_COUNT:
		return PSTR("index with a wrong count of teeth: inlets shut");
	default:
		return PSTR("crank stands: all valves off");
	}
}

/* --- what the log is told --- */

static void say_hello(struct controller *c, uint32_t now_us)
{
	c->hello_us = now_us;
	trammel_send_hello(&c->send, c->hello);
}

/* Words are kept in flash. */
static void say(struct controller *c, uint32_t now_us, PGM_P words)
{
	char text[52];
	strlcpy_P(text, words, sizeof text);
	trammel_send_mark(&c->send, now_us, text);
}

static void make_hello(struct controller *c)
{
	char number[6];
	utoa(timing_version(), number, 10);
	strcpy_P(c->hello, PSTR(SENDER_NAME " timing="));
	strcat(c->hello, number);
	strcat_P(c->hello, PSTR(" " CHANNELS_WORDS));
}

static void report_valves(struct controller *c)
{
	struct valves_event e;
	while (valves_take(&e)) {
		uint32_t t_us = clock_of(e.tick);
		bool known = c->crank.placed;
		trammel_send_valve(&c->send, t_us, e.valve, e.on,
		                   e.planned ? firing_setting(&c->crank, e.valve, e.on) : TRAMMEL_ANGLE_NONE,
		                   known ? CRANK_DDEG(crank_at(&c->crank, t_us)) : TRAMMEL_ANGLE_NONE);
	}
}

static void report_lost(struct controller *c)
{
	uint16_t lost = capture_lost();
	lost = (uint16_t)(lost + index_lost() + analog_lost() + valves_lost());
	if (lost > 0)
		trammel_send_lost(&c->send, lost);
}

/* --- what may be on --- */

static bool rider_runs(void)
{
	if (PIND & _BV(PIND3))
		return false;
#if THROTTLE_CHANNEL != 255
	return analog_last(THROTTLE_CHANNEL) >= THROTTLE_SHUT;
#else
	return true;
#endif
}

/* A tenth slower before it counts as slow enough again. */
static void watch_speed(struct controller *c, uint32_t now_us)
{
	uint32_t turn_us = c->crank.turn_us;
	bool fast = turn_us != 0 && turn_us < SHORTEST_TURN_US + (c->too_fast ? SHORTEST_TURN_US / 10 : 0);
	if (fast && !c->too_fast)
		say(c, now_us, PSTR("too fast: inlets shut"));
	c->too_fast = fast;
}

static uint8_t allowed(const struct controller *c)
{
	uint8_t may = (uint8_t)(c->valves & ~c->heat.hot);
	if (c->crank.edges == 0)
		return 0;
	if (c->crank.state != CRANK_KNOWN || !c->crank.placed || !c->running || c->too_fast || c->line.away)
		may &= (uint8_t)~INLETS;
	return may;
}

/* A crank that turns at an unknown angle gets its exhausts opened: shut in, the
 * air would stop it before it finds the index. */
static void allow(struct controller *c)
{
	c->allowed = allowed(c);
	firing_limit(&c->firing, c->allowed);
	if (!c->crank.placed)
		firing_open(c->allowed & (uint8_t)~INLETS);
}

static void watch_rider(struct controller *c, uint32_t now_us)
{
	bool runs = rider_runs();
	if (runs != c->running)
		say(c, now_us, runs ? PSTR("throttle open") : PSTR("throttle shut"));
	c->running = runs;
}

/* A receiver that has just come wants a hello. */
static void say_back(struct controller *c, uint32_t now_us)
{
	char text[32];
	strcpy_P(text, PSTR("link back after "));
	ultoa((now_us - c->line.gone_us) / 1000, text + strlen(text), 10);
	strcat_P(text, PSTR(" ms"));
	say_hello(c, now_us);
	trammel_send_mark(&c->send, now_us, text);
}

/* The words of the loss go out into the open: the log will hold the hole in the
 * frames, and the words of the return. */
static void watch_line(struct controller *c, uint32_t now_us)
{
	switch (line_look(&c->line, now_us)) {
	case LINE_LOST:
		say(c, now_us, PSTR("link lost: inlets shut"));
		break;
	case LINE_BACK:
		crank_doubt(&c->crank);
		say_back(c, now_us);
		break;
	case LINE_AS_BEFORE:
		break;
	}
}

static void watch_heat(struct controller *c, uint32_t now_us)
{
	if (heat_account(&c->heat, now_us) != 0)
		say(c, now_us, PSTR("a coil was on too long: kept off"));
}

static uint16_t supply_mbar(void)
{
	uint16_t counts = analog_last(SUPPLY_CHANNEL);
	if (counts <= SUPPLY_ZERO)
		return 0;
	return (uint16_t)((uint32_t)(counts - SUPPLY_ZERO) * 10000ul / SUPPLY_10_BAR);
}

/* --- what comes in --- */

static void take_edge(struct controller *c, const struct capture_edge *e)
{
	uint32_t t_us = clock_of(e->tick);
	trammel_send_tooth(&c->send, t_us, e->rising);
	if (!e->rising || !crank_edge(&c->crank, t_us))
		return;
	watch_speed(c, t_us);
	allow(c);
	if (c->crank.placed)
		firing_edge(&c->firing, &c->crank, c->allowed);
}

static void take_index(struct controller *c, const struct index_change *i)
{
	uint32_t t_us = clock_of(i->tick);
	trammel_send_index(&c->send, t_us, i->closed);
	crank_index(&c->crank, t_us, i->closed);
	if (i->closed)
		timing_supply(supply_mbar());
}

/* Both rings in the order of time: the index tells which edge is the first.
 * Not more than a few edges at a time, so that a storm of them (they are
 * counted as lost then) cannot keep the loop from its other duties. */
static void take_motion(struct controller *c)
{
	static struct index_change i;
	static bool holds;
	struct capture_edge e;
	for (uint8_t n = 0; n < EDGES_AT_ONCE && capture_take(&e); n++) {
		while ((holds = holds || index_take(&i)) && (int16_t)(i.tick - e.tick) <= 0) {
			take_index(c, &i);
			holds = false;
		}
		take_edge(c, &e);
	}
	if (holds || index_take(&i))
		take_index(c, &i);
	holds = false;
}

static void take_samples(struct controller *c)
{
	struct analog_sample s;
	while (analog_take(&s))
		trammel_send_sample(&c->send, clock_of(s.tick), s.channel, s.counts);
}

/* --- the loop --- */

static void feed_port(struct controller *c, uint32_t now_us)
{
	const uint8_t *bytes;
	bool idle = !uart_busy();
	if (idle) {
		trammel_send_done(&c->send, c->sending);
		c->sending = 0;
	}
	size_t n = trammel_send_poll(&c->send, now_us, &bytes);
	if (!idle || n == 0)
		return;
	c->sending = n < 255 ? n : 255;
	uart_send(bytes, (uint8_t)c->sending);
}

/* What need not be looked at more often than once in LOOK_US. */
static void look_around(struct controller *c, uint32_t now_us)
{
	if (now_us - c->looked_us < LOOK_US)
		return;
	c->looked_us = now_us;
	crank_rest(&c->crank, now_us);
	watch_rider(c, now_us);
	watch_heat(c, now_us);
	if (LINK_LOSS_SHUTS)
		watch_line(c, now_us);
	allow(c);
	if (c->crank.note != CRANK_NOTHING)
		say(c, now_us, crank_words(c->crank.note));
	c->crank.note = CRANK_NOTHING;
	if (now_us - c->hello_us >= HELLO_US)
		say_hello(c, now_us);
}

/* Until an interrupt leaves something to do.  Idle sleep: timer, converter and
 * port run on.  The instruction after sei() runs before any interrupt, so none
 * can slip in between the question and the sleep. */
static void rest(void)
{
	for (;;) {
		cli();
		if (wake || GPIOR0 != GPIOR1)
			break;
		SMCR = _BV(SE);
		sei();
		sleep_cpu();
		SMCR = 0;
	}
	wake = false;
	sei();
}

static void start(struct controller *c)
{
	DDRD |= _BV(PORTD1);
	PORTD |= _BV(PORTD3); /* pull-up of the run switch */
	trammel_send_init(&c->send, send_buffer, sizeof send_buffer);
	crank_start(&c->crank);
	c->valves = timing_valves();
	make_hello(c);
	say_hello(c, 0);
	say(c, 0, reset_words());
	clock_start();
	capture_start();
	index_start();
	valves_start();
	uart_start();
	analog_start();
	wdt_enable(WDTO_15MS);
	sei();
}

int main(void)
{
	struct controller *c = &controller;
	start(c);
	for (;;) {
		wdt_reset();
		uint32_t now_us = clock_now();
		take_motion(c);
		firing_rest(&c->firing, now_us);
		report_valves(c);
		take_samples(c);
		report_lost(c);
		look_around(c, now_us);
		feed_port(c, now_us);
		rest();
	}
}
