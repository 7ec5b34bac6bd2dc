/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/avr/board.h"

#include <stdlib.h>
#include <string.h>
#include <sysexits.h>
#include <unistd.h>

/* The emulator's headers are not clean at our warnings. */
#pragma GCC diagnostic push
#pragma GCC diagnostic ignored "-Wconversion"
#pragma GCC diagnostic ignored "-Wpedantic"
#pragma GCC diagnostic ignored "-Wunused-parameter"
#include <simavr/avr_adc.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>
#include <simavr/sim_interrupts.h>
#pragma GCC diagnostic pop

#define FIRST_COIL 4
#define MILLIVOLTS 5000
/* ATmega328P data sheet, 7.7.1: four cycles into an interrupt, which the
 * emulator does not count, and four for the return, at whose beginning it tells. */
#define ENTRY_CYCLES 4
#define RETURN_CYCLES 4
#define SLEEP_OPCODE 0x9588
#define TIFR1_ADDRESS 0x36
#define MCUSR_ADDRESS 0x54
#define TCCR1B_ADDRESS 0x81
#define MCUSR_EXTRF 0x02
#define MCUSR_BORF 0x04
#define MCUSR_WDRF 0x08

struct event {
	uint64_t cycle;
	enum board_pin pin;
	bool high;
};

struct board {
	avr_t *avr;
	elf_firmware_t elf;
	struct board_world world;
	struct event event[BOARD_EVENTS_MAX]; /* latest first */
	size_t events;
	bool coil[BOARD_VALVES];
	bool level[BOARD_PINS]; /* of each pin, from outside */
	uint64_t held;          /* cycles in reset: the emulator does not count them */
	uint64_t asleep, clock_started;
	unsigned watchdog_resets;
	struct vector {
		struct board *board;
		enum board_vector number;
		uint64_t raised, entered;
		struct board_isr isr;
	} vector[BOARD_VECTORS];
	unsigned stack_most;
	uint32_t function[BOARD_FUNCTIONS_MAX]; /* addresses whose calls are counted */
	size_t functions;
	uint64_t calls;
};

static uint64_t now(const struct board *b)
{
	return b->held + b->avr->cycle;
}

/* --- the world outside the chip --- */

/* Without this the emulator lets the pull-up win whenever the port is written. */
static void hold_levels(struct board *b)
{
	avr_ioport_external_t d = {
	    .name = 'D',
	    .mask = 1 << 0 | 1 << 2 | 1 << 3,
	    .value = (unsigned char)(b->level[BOARD_LINE] << 0 | b->level[BOARD_INDEX] << 2 |
	                             b->level[BOARD_RUN] << 3),
	};
	avr_ioport_external_t tooth = {
	    .name = 'B',
	    .mask = 1 << 0,
	    .value = (unsigned char)b->level[BOARD_TOOTH],
	};
	avr_ioctl(b->avr, AVR_IOCTL_IOPORT_SET_EXTERNAL('D'), &d);
	avr_ioctl(b->avr, AVR_IOCTL_IOPORT_SET_EXTERNAL('B'), &tooth);
}

static void set_pin(struct board *b, enum board_pin pin, bool high)
{
	static const struct {
		char port;
		int bit;
	} where[] = {[BOARD_TOOTH] = {'B', 0},
	             [BOARD_INDEX] = {'D', 2},
	             [BOARD_RUN] = {'D', 3},
	             [BOARD_LINE] = {'D', 0}};
	b->level[pin] = high;
	hold_levels(b);
	uint32_t port = (uint32_t)AVR_IOCTL_IOPORT_GETIRQ(where[pin].port);
	avr_raise_irq(avr_io_getirq(b->avr, port, where[pin].bit), high);
}

/* The emulator tells a pin only of changes. */
static void assert_levels(struct board *b)
{
	for (int pin = BOARD_TOOTH; pin < BOARD_PINS; pin++) {
		bool level = b->level[pin];
		set_pin(b, (enum board_pin)pin, !level);
		set_pin(b, (enum board_pin)pin, level);
	}
}

static void take_events(struct board *b)
{
	while (b->events > 0 && b->event[b->events - 1].cycle <= now(b)) {
		b->events--;
		set_pin(b, b->event[b->events].pin, b->event[b->events].high);
	}
}

static avr_cycle_count_t next_event(struct avr_t *avr, avr_cycle_count_t when, void *param)
{
	struct board *b = param;
	(void)when;
	(void)avr;
	take_events(b);
	return b->events > 0 ? b->event[b->events - 1].cycle - b->held : 0;
}

static void arm_events(struct board *b)
{
	avr_cycle_timer_cancel(b->avr, next_event, b);
	if (b->events == 0)
		return;
	uint64_t when = b->event[b->events - 1].cycle;
	avr_cycle_timer_register(b->avr, when > now(b) ? when - now(b) : 1, next_event, b);
}

bool board_pin_at(struct board *b, uint64_t cycle, enum board_pin pin, bool high)
{
	if (b->events == BOARD_EVENTS_MAX)
		return false;
	size_t at = b->events++;
	for (; at > 0 && b->event[at - 1].cycle <= cycle; at--)
		b->event[at] = b->event[at - 1];
	b->event[at] = (struct event){cycle, pin, high};
	arm_events(b);
	return true;
}

static void on_byte(struct avr_irq_t *irq, uint32_t value, void *param)
{
	struct board *b = param;
	(void)irq;
	if (b->world.byte != NULL)
		b->world.byte(b->world.ctx, now(b), (uint8_t)value);
}

static void set_coil(struct board *b, unsigned valve, bool on)
{
	if (b->coil[valve] == on)
		return;
	b->coil[valve] = on;
	if (b->world.coil != NULL)
		b->world.coil(b->world.ctx, now(b), valve, on);
}

static void on_coil_pin(struct avr_irq_t *irq, uint32_t value, void *param)
{
	set_coil(param, (unsigned)irq->irq - FIRST_COIL, value != 0);
}

/* The converter holds its sample: the emulator wants millivolts. */
static void on_conversion(struct avr_irq_t *irq, uint32_t value, void *param)
{
	struct board *b = param;
	union {
		avr_adc_mux_t mux;
		uint32_t bits;
	} e = {.bits = value};
	(void)irq;
	if (e.mux.kind != ADC_MUX_SINGLE || b->world.sample == NULL)
		return;
	unsigned counts = b->world.sample(b->world.ctx, now(b), e.mux.src);
	unsigned millivolts = (counts * MILLIVOLTS + 1022) / 1023;
	avr_raise_irq(avr_io_getirq(b->avr, AVR_IOCTL_ADC_GETIRQ, (int)e.mux.src), millivolts);
}

/* --- interrupts: cost, and the trigger that the emulator lacks --- */

static void on_pending(struct avr_irq_t *irq, uint32_t value, void *param)
{
	struct vector *v = param;
	struct board *b = v->board;
	(void)irq;
	if (value == 0)
		return;
	v->raised = now(b);
	if (v->number == BOARD_COMPB)
		avr_raise_irq(avr_io_getirq(b->avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_IN_TRIGGER), 1);
}

static void on_running(struct avr_irq_t *irq, uint32_t value, void *param)
{
	struct vector *v = param;
	uint64_t cycle = now(v->board);
	(void)irq;
	if (value != 0) {
		v->entered = cycle;
		uint64_t wait = cycle - v->raised + ENTRY_CYCLES;
		v->isr.wait_max = wait > v->isr.wait_max ? wait : v->isr.wait_max;
		return;
	}
	uint64_t cost = cycle - v->entered + ENTRY_CYCLES + RETURN_CYCLES;
	v->isr.count++;
	v->isr.cycles_sum += cost;
	v->isr.cycles_max = cost > v->isr.cycles_max ? cost : v->isr.cycles_max;
}

static void watch_vector(struct board *b, enum board_vector n)
{
	struct vector *v = &b->vector[n];
	avr_irq_t *irq = avr_get_interrupt_irq(b->avr, (uint8_t)n);
	*v = (struct vector){.board = b, .number = n};
	avr_irq_register_notify(irq + AVR_INT_IRQ_PENDING, on_pending, v);
	avr_irq_register_notify(irq + AVR_INT_IRQ_RUNNING, on_running, v);
}

const struct board_isr *board_isr(const struct board *b, enum board_vector v)
{
	return &b->vector[v].isr;
}

void board_isr_clear(struct board *b)
{
	for (int i = 0; i < BOARD_VECTORS; i++)
		b->vector[i].isr = (struct board_isr){0};
}

/* --- the chip --- */

/* Asked by the leak checker of sanitized builds: the emulator never frees a
 * program's symbols and its pins. */
const char *__lsan_default_suppressions(void);
const char *__lsan_default_suppressions(void)
{
	return "leak:libsimavr\n";
}

/* Writing a flag of timer 1 clears that flag; the emulator clears them all. */
static void clear_timer_flags(struct avr_t *avr, avr_io_addr_t addr, uint8_t v, void *param)
{
	static const struct {
		uint8_t flag, vector;
	} flags[] = {{1 << 0, BOARD_OVF}, {1 << 1, BOARD_COMPA}, {1 << 2, BOARD_COMPB}, {1 << 5, BOARD_CAPT}};
	(void)addr;
	(void)param;
	for (size_t i = 0; i < sizeof flags / sizeof flags[0]; i++)
		for (uint8_t k = 0; (v & flags[i].flag) && k < avr->interrupts.vector_count; k++)
			if (avr->interrupts.vector[k]->vector == flags[i].vector)
				avr_clear_interrupt(avr, avr->interrupts.vector[k]);
}

static void no_sleep(avr_t *avr, avr_cycle_count_t how_long)
{
	(void)avr;
	(void)how_long;
}

static void no_log(avr_t *avr, const int level, const char *format, va_list ap)
{
	(void)avr;
	(void)level;
	(void)format;
	(void)ap;
}

static void wire(struct board *b)
{
	uint32_t flags = 0;
	avr_ioctl(b->avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
	avr_irq_register_notify(avr_io_getirq(b->avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), on_byte,
	                        b);
	avr_irq_register_notify(avr_io_getirq(b->avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_OUT_TRIGGER),
	                        on_conversion, b);
	for (int i = 0; i < BOARD_VALVES; i++)
		avr_irq_register_notify(avr_io_getirq(b->avr, AVR_IOCTL_IOPORT_GETIRQ('D'), FIRST_COIL + i),
		                        on_coil_pin, b);
	b->avr->io[AVR_DATA_TO_IO(TIFR1_ADDRESS)].w.c = clear_timer_flags;
	static const enum board_vector watched[] = {BOARD_INT0,  BOARD_CAPT, BOARD_COMPA,
	                                            BOARD_COMPB, BOARD_UDRE, BOARD_ADC};
	for (size_t i = 0; i < sizeof watched / sizeof watched[0]; i++)
		watch_vector(b, watched[i]);
}

static int load(struct board *b, const char *elf, struct fault *fault)
{
	if (access(elf, R_OK) != 0 || elf_read_firmware(elf, &b->elf) != 0)
		return fault_set(fault, EX_NOINPUT, "%s: cannot read it as an AVR program; build it first",
		                 elf);
	b->avr = avr_make_mcu_by_name("atmega328p");
	if (b->avr == NULL || avr_init(b->avr) != 0)
		return fault_set(fault, EX_SOFTWARE, "the emulator has no atmega328p");
	b->elf.frequency = BOARD_HZ;
	avr_load_firmware(b->avr, &b->elf);
	b->avr->vcc = b->avr->avcc = b->avr->aref = MILLIVOLTS;
	b->avr->sleep = no_sleep;
	b->avr->log = LOG_NONE;
	return 0;
}

struct board *board_new(const char *elf, const struct board_world *world, struct fault *fault)
{
	struct board *b = calloc(1, sizeof *b);
	if (b == NULL) {
		fault_set(fault, EX_OSERR, "out of memory");
		return NULL;
	}
	avr_global_logger_set(no_log);
	b->world = *world;
	if (load(b, elf, fault) != 0) {
		board_free(b);
		return NULL;
	}
	wire(b);
	b->level[BOARD_INDEX] = b->level[BOARD_LINE] = true;
	assert_levels(b);
	return b;
}

void board_free(struct board *b)
{
	if (b->avr != NULL)
		avr_terminate(b->avr);
	free(b->avr);
	free(b);
}

uint64_t board_cycle(const struct board *b)
{
	return now(b);
}

/* A jump to itself in the last word of the flash, which no program fills. */
void board_hang(struct board *b)
{
	uint32_t at = b->avr->flashend - 1;
	b->avr->flash[at] = 0xff;
	b->avr->flash[at + 1] = 0xcf;
	b->avr->pc = at;
	b->avr->state = cpu_Running;
	b->avr->sreg[S_I] = 1;
}

bool board_coil(const struct board *b, unsigned valve)
{
	return b->coil[valve];
}

uint64_t board_clock_started(const struct board *b)
{
	return b->clock_started;
}

uint64_t board_asleep(const struct board *b)
{
	return b->asleep;
}

unsigned board_watchdog_resets(const struct board *b)
{
	return b->watchdog_resets;
}

unsigned board_stack_most(const struct board *b)
{
	return b->stack_most;
}

bool board_count_calls(struct board *b, const char *function)
{
	for (uint32_t i = 0; i < b->elf.symbolcount && b->functions < BOARD_FUNCTIONS_MAX; i++) {
		const avr_symbol_t *s = b->elf.symbol[i];
		if (strcmp(s->symbol, function) == 0) {
			b->function[b->functions++] = s->addr;
			return true;
		}
	}
	return false;
}

uint64_t board_calls(const struct board *b)
{
	return b->calls;
}

/* An interrupt at a function's first instruction has taken the counter away
 * already: it is seen there once, when the instruction is to run. */
static void look_at_calls(struct board *b)
{
	for (size_t i = 0; i < b->functions; i++)
		b->calls += b->avr->pc == b->function[i];
}

static void look_at_stack(struct board *b)
{
	unsigned sp = (unsigned)(b->avr->data[0x5d] | b->avr->data[0x5e] << 8);
	if (sp > 0x100 && sp <= b->avr->ramend && b->avr->ramend - sp > b->stack_most)
		b->stack_most = (unsigned)(b->avr->ramend - sp);
}

static avr_cycle_count_t wake_up(struct avr_t *avr, avr_cycle_count_t when, void *param)
{
	(void)avr;
	(void)when;
	(void)param;
	return 0;
}

static bool sleeps(const avr_t *avr)
{
	return avr->state == cpu_Sleeping ||
	       (avr->flash[avr->pc] | avr->flash[avr->pc + 1] << 8) == SLEEP_OPCODE;
}

/* Registers are gone, and with them the coils; the levels from outside stay. */
static void after_reset(struct board *b, uint8_t cause)
{
	b->avr->data[MCUSR_ADDRESS] = cause;
	for (unsigned i = 0; i < BOARD_VALVES; i++)
		set_coil(b, i, false);
	assert_levels(b);
	arm_events(b);
}

void board_reset(struct board *b, enum board_reset why, uint64_t until)
{
	avr_reset(b->avr);
	after_reset(b, why == BOARD_RESET_PIN ? MCUSR_EXTRF : MCUSR_BORF);
	if (until > now(b))
		b->held += until - now(b);
	take_events(b);
	arm_events(b);
}

void board_run(struct board *b, uint64_t until)
{
	avr_t *avr = b->avr;
	if (until <= now(b))
		return;
	avr_cycle_timer_register(avr, until - now(b), wake_up, b);
	while (now(b) < until && avr->state != cpu_Done && avr->state != cpu_Crashed) {
		bool asleep = sleeps(avr);
		uint64_t before = now(b);
		avr_run(avr);
		look_at_stack(b);
		look_at_calls(b);
		if (b->clock_started == 0 && avr->data[TCCR1B_ADDRESS] != 0)
			b->clock_started = now(b);
		if (asleep)
			b->asleep += now(b) - before;
		if (avr->pc == 0 && (avr->data[MCUSR_ADDRESS] & MCUSR_WDRF)) {
			b->watchdog_resets++;
			after_reset(b, MCUSR_WDRF);
			avr_cycle_timer_register(avr, until - now(b), wake_up, b);
		}
	}
}
