/* SPDX-License-Identifier: 0BSD */
/* trammel_send: what happens at an engine, as binary frames for a serial line.
 *
 * The bytes are those of common/LINK.md, part 2.  C99; no heap, no operating
 * system, no floating point, nothing of the C library.  Everything lives in
 * two pieces of memory that the caller owns: a struct trammel_send (visible,
 * so that it can be static) and a buffer of any size from
 * TRAMMEL_SEND_BUFFER_MIN to 65535 bytes.
 *
 * Records go in by the put functions (trammel_send_tooth, _sample, ...).  Bytes
 * come out by trammel_send_poll and trammel_send_done.  No call ever waits.
 * When the buffer is full a record is dropped and counted, and the count goes
 * out in a `lost` record as soon as there is room again.  Nothing else is
 * ever lost.
 *
 * Use:
 *
 *	static uint8_t memory[512];
 *	static struct trammel_send send;
 *	trammel_send_init(&send, memory, sizeof memory);
 *	trammel_send_hello(&send, "Number 7 tick_us=4");
 *	...
 *	trammel_send_tooth(&send, micros, level);          wherever it happens
 *	...
 *	const uint8_t *bytes;                              again and again
 *	size_t n = trammel_send_poll(&send, micros, &bytes);
 *	n = (hand up to n of these bytes to the port, without waiting);
 *	trammel_send_done(&send, n);
 *
 * Interrupts.  Two sides may meet: the put functions and
 * trammel_send_finish (one side), trammel_send_poll and trammel_send_done (the
 * other; call these two from one place only, never from two levels of
 * interrupt).  As it stands, both sides must run in one context.  To call put
 * functions from interrupts, or both sides from different levels, define the
 * two macros below before this file is compiled (-DTRAMMEL_SEND_CONFIG='"my.h"'
 * includes a file of yours), so that nothing else that calls the sender can run
 * between them.  They stand at the top and at the bottom of one block, so LOCK
 * may declare a variable.  For an AVR:
 *
 *	#define TRAMMEL_SEND_LOCK() uint8_t sreg = SREG; cli()
 *	#define TRAMMEL_SEND_UNLOCK() SREG = sreg; __asm__ volatile("" ::: "memory")
 *
 * for an ARM Cortex-M:
 *
 *	#define TRAMMEL_SEND_LOCK() uint32_t primask = __get_PRIMASK(); __disable_irq()
 *	#define TRAMMEL_SEND_UNLOCK() __set_PRIMASK(primask)
 *
 * The lock is held for one record at a time, never while a frame is sealed.
 * trammel_send_init is to be called before any of them. */
#ifndef TRAMMEL_SEND_H
#define TRAMMEL_SEND_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#ifdef TRAMMEL_SEND_CONFIG
#include TRAMMEL_SEND_CONFIG
#endif

#ifdef __cplusplus
extern "C" {
#endif

#ifndef TRAMMEL_SEND_LOCK
#define TRAMMEL_SEND_LOCK() (void)0
#define TRAMMEL_SEND_UNLOCK() (void)0
#endif

/* A frame that is not full goes out when it is this old, us. */
#ifndef TRAMMEL_SEND_FLUSH_US
#define TRAMMEL_SEND_FLUSH_US 20000u
#endif

/* Bytes of a frame that one call of trammel_send_poll seals at most (check
 * and stuffing): what bounds the time of that call. */
#ifndef TRAMMEL_SEND_SLICE
#define TRAMMEL_SEND_SLICE 32
#endif

#define TRAMMEL_SEND_VERSION 1    /* of the format, sent in every hello */
#define TRAMMEL_SEND_TEXT_MAX 120 /* bytes of text in a hello or mark */

/* The smallest frame must hold the largest record without text: sequence 1,
 * base time 4, record 8, check 2; in the buffer it has a stuffing byte in
 * front and a zero behind, the zero that begins a start may still be there,
 * and one byte stays free. */
#define TRAMMEL_SEND_FRAME_MIN 15
#define TRAMMEL_SEND_BUFFER_MIN (TRAMMEL_SEND_FRAME_MIN + 4)

/* In place of an angle: not sent. */
#define TRAMMEL_ANGLE_NONE INT16_MIN

enum trammel_init_result {
	TRAMMEL_INIT_OK,
	TRAMMEL_INIT_BAD_BUFFER /* NULL, or fewer than TRAMMEL_SEND_BUFFER_MIN or more than 65535 bytes */
};

enum trammel_put_result {
	TRAMMEL_PUT_OK,
	TRAMMEL_PUT_DROPPED,  /* no room now; counted, will be reported */
	TRAMMEL_PUT_TOO_LONG, /* text longer than trammel_send_text_max; not counted */
	TRAMMEL_PUT_BAD_TEXT  /* a control character in the text; not counted */
};

/* Ring of bytes from `buffer` to `end`: [tail, sealed) can go out, [sealed,
 * closed) are whole frames to be sealed, [closed, head) is the frame that
 * takes records.  One byte is always free, so that head == tail means empty.
 * For reading in a debugger; only lost_total may be written, to start its
 * count anew. */
struct trammel_send {
	uint8_t *buffer, *end;
	/* side of the put functions */
	uint8_t *head, *closed;
	uint8_t frame_len; /* bytes in the open frame, check not counted; 0 = none is open */
	uint8_t frame_max; /* longest frame, check not counted */
	uint8_t sequence;  /* of the next frame */
	bool base_known;   /* the open frame has its base time */
	bool age_known;    /* trammel_send_poll has seen the open frame, at age_us */
	uint32_t last_us;  /* of the last record in the open frame */
	uint32_t lost;     /* dropped and not yet reported */
	uint32_t lost_total;
	/* side of poll and done */
	uint8_t *tail, *sealed;
	uint8_t *at, *code; /* sealing: next byte, last stuffing byte */
	uint16_t crc;
	uint8_t left, run; /* bytes of this frame to go; distance from the stuffing byte */
	uint32_t age_us;
};

/* Sets up an empty sender.  Frames are at most half the buffer long (and at
 * most 254 bytes), so that one can go out while the next one fills. */
enum trammel_init_result trammel_send_init(struct trammel_send *s, uint8_t *buffer, size_t size);

/* Longest text, bytes, that this sender can carry: TRAMMEL_SEND_TEXT_MAX, less
 * with a buffer below 265 bytes, down to 5. */
uint8_t trammel_send_text_max(const struct trammel_send *s);

/* Who sends.  First after every start, and again every few seconds.  `text`:
 * name, then key=value words (common/LINK.md); UTF-8, terminated, no control
 * characters, copied; NULL = empty. */
enum trammel_put_result trammel_send_hello(struct trammel_send *s, const char *text);

/* An edge.  `t_us`: when it happened, 32-bit counter of microseconds. */
enum trammel_put_result trammel_send_tooth(struct trammel_send *s, uint32_t t_us, bool level);
enum trammel_put_result trammel_send_tooth2(struct trammel_send *s, uint32_t t_us, bool level);
enum trammel_put_result trammel_send_index(struct trammel_send *s, uint32_t t_us, bool closed);

/* A coil was switched at t_us.  Angles in 0.1 degree or TRAMMEL_ANGLE_NONE:
 * what was asked for, and where the controller believed the crank to be. */
enum trammel_put_result trammel_send_valve(struct trammel_send *s, uint32_t t_us, uint8_t valve, bool on,
                                           int16_t intended_ddeg, int16_t controller_ddeg);

/* A channel was sampled at t_us. */
enum trammel_put_result trammel_send_sample(struct trammel_send *s, uint32_t t_us, uint8_t channel,
                                            int32_t counts);

/* A note in the log: rider's button, stall, anything.  Text as for hello. */
enum trammel_put_result trammel_send_mark(struct trammel_send *s, uint32_t t_us, const char *text);

/* For records that were dropped before they came here (a queue of yours that
 * was full): counts them among the lost. */
void trammel_send_lost(struct trammel_send *s, uint32_t records);

/* Closes the frame that is open, for instance before the board sleeps; what
 * there is then comes out of trammel_send_poll without delay. */
void trammel_send_finish(struct trammel_send *s);

/* Bytes that can go out now: their number, and in *bytes where they stand, in
 * the buffer itself (good for a transfer by DMA).  0 = none at present; then
 * *bytes is untouched.  They stay until trammel_send_done.  `now_us`: the
 * counter that stamps the records.  One call seals at most TRAMMEL_SEND_SLICE
 * bytes, so call it again before resting. */
size_t trammel_send_poll(struct trammel_send *s, uint32_t now_us, const uint8_t **bytes);

/* The first n bytes of the last trammel_send_poll have gone out.  n is limited
 * to what that call returned. */
void trammel_send_done(struct trammel_send *s, size_t n);

#ifdef __cplusplus
}
#endif

#endif
