/* SPDX-License-Identifier: 0BSD */
#include "trammel_send.h"

enum { HEAD = 5, CHECK = 2, AROUND = 2 }; /* sequence and base; CRC; stuffing byte and zero */
enum {
	FRAME_MAX = 254,
	LATER = 4
}; /* LATER: bytes by which a time may be longer than the first in a frame */
enum {
	TAG_TOOTH = 0x10,
	TAG_TOOTH2 = 0x20,
	TAG_INDEX = 0x30,
	TAG_VALVE = 0x40,
	TAG_SAMPLE = 0x50,
	TAG_MARK = 0x60,
	TAG_LOST = 0x70,
	TAG_HELLO = 0x80
};

static uint8_t *behind(const struct trammel_send *s, uint8_t *at)
{
	at++;
	return at == s->end ? s->buffer : at;
}

/* --- side of the put functions: all with the lock held --- */

static void emit(struct trammel_send *s, uint8_t b)
{
	*s->head = b;
	s->head = behind(s, s->head);
	s->frame_len++;
}

static void emit_varint(struct trammel_send *s, uint32_t v)
{
	while (v > 0x7f) {
		uint8_t low = (uint8_t)v;
		emit(s, low | 0x80);
		v = (v >> 8) << 1 | low >> 7; /* v >> 7, by whole bytes: small processors shift slowly */
	}
	emit(s, (uint8_t)v);
}

/* A signed number as 2 v or -2 v - 1; `v` holds it in two's complement. */
static void emit_signed(struct trammel_send *s, uint32_t v)
{
	emit_varint(s, v & 0x80000000u ? ~(v << 1) : v << 1);
}

static void emit_angle(struct trammel_send *s, int16_t ddeg)
{
	if (ddeg == TRAMMEL_ANGLE_NONE)
		return;
	emit(s, (uint8_t)((uint16_t)ddeg & 0xff));
	emit(s, (uint8_t)((uint16_t)ddeg >> 8));
}

/* Free bytes, without the one that stays free. */
static uint16_t room(const struct trammel_send *s)
{
	uint16_t free_bytes = (uint16_t)(s->tail - s->head - 1);
	if (s->tail <= s->head)
		free_bytes = (uint16_t)(free_bytes + (uint16_t)(s->end - s->buffer));
	return free_bytes;
}

/* The base time follows with the first record that has a time. */
static void open_frame(struct trammel_send *s)
{
	emit(s, 0); /* will be the stuffing byte */
	emit(s, s->sequence++);
	for (uint8_t i = 1; i < HEAD; i++)
		emit(s, 0);
	s->frame_len = HEAD;
	s->base_known = s->age_known = false;
}

static void set_base(struct trammel_send *s, uint32_t t_us)
{
	uint8_t *at = behind(s, s->closed);
	for (uint8_t i = 1; i < HEAD; i++) {
		at = behind(s, at);
		*at = (uint8_t)t_us;
		t_us >>= 8;
	}
	s->base_known = true;
}

/* Leaves the length where the stuffing byte will be, for the sealing side.
 * Room for check and zero was kept free. */
static void close_frame(struct trammel_send *s)
{
	if (s->frame_len == 0)
		return;
	*s->closed = (uint8_t)(s->frame_len + CHECK);
	for (uint8_t i = 0; i < CHECK + 1; i++)
		emit(s, 0);
	s->frame_len = 0;
	s->closed = s->head;
}

static void emit_time(struct trammel_send *s, uint32_t t_us)
{
	if (!s->base_known) {
		set_base(s, t_us);
		s->last_us = t_us;
	}
	emit_signed(s, t_us - s->last_us);
	s->last_us = t_us;
}

/* Makes room for a record of at most `most` bytes with a time of one byte,
 * then writes tag and time.  False: no room. */
static bool begin(struct trammel_send *s, uint8_t tag, uint32_t t_us, uint8_t most)
{
	uint8_t need = (uint8_t)(most + LATER);
	if (need > s->frame_max - s->frame_len)
		close_frame(s);
	if (s->frame_len == 0)
		need = (uint8_t)(most + 1 + HEAD);
	if (room(s) < (uint16_t)(need + CHECK + 1))
		return false;
	if (s->frame_len == 0)
		open_frame(s);
	emit(s, tag);
	if (tag != TAG_HELLO)
		emit_time(s, t_us);
	return true;
}

static void count_lost(struct trammel_send *s, uint32_t records)
{
	s->lost = s->lost + records < records ? UINT32_MAX : s->lost + records;
	s->lost_total += records;
}

static void report_lost(struct trammel_send *s, uint32_t t_us)
{
	if (s->lost == 0 || !begin(s, TAG_LOST, t_us, 7))
		return;
	emit_varint(s, s->lost);
	s->lost = 0;
}

/* As begin; before it, what was lost; what has no room is counted.  A hello
 * goes first: it must be able to stand at the very beginning. */
static bool take(struct trammel_send *s, uint8_t tag, uint32_t t_us, uint8_t most)
{
	if (tag != TAG_HELLO)
		report_lost(s, t_us);
	if (begin(s, tag, t_us, most))
		return true;
	count_lost(s, 1);
	return false;
}

static enum trammel_put_result put_edge(struct trammel_send *s, uint8_t tag, uint32_t t_us)
{
	TRAMMEL_SEND_LOCK();
	bool ok = take(s, tag, t_us, 2);
	TRAMMEL_SEND_UNLOCK();
	return ok ? TRAMMEL_PUT_OK : TRAMMEL_PUT_DROPPED;
}

static enum trammel_put_result put_text(struct trammel_send *s, uint8_t tag, uint32_t t_us, const char *text)
{
	uint8_t n = 0;
	for (; text != NULL && text[n] != '\0'; n++) {
		if (n == trammel_send_text_max(s))
			return TRAMMEL_PUT_TOO_LONG;
		if ((uint8_t)text[n] < 0x20 || text[n] == 0x7f)
			return TRAMMEL_PUT_BAD_TEXT;
	}
	TRAMMEL_SEND_LOCK();
	bool ok = take(s, tag, t_us, (uint8_t)(n + 3));
	if (ok) {
		if (tag == TAG_HELLO)
			emit(s, TRAMMEL_SEND_VERSION);
		emit(s, n);
		for (uint8_t i = 0; i < n; i++)
			emit(s, (uint8_t)text[i]);
	}
	TRAMMEL_SEND_UNLOCK();
	return ok ? TRAMMEL_PUT_OK : TRAMMEL_PUT_DROPPED;
}

/* --- public: putting in --- */

enum trammel_init_result trammel_send_init(struct trammel_send *s, uint8_t *buffer, size_t size)
{
	if (buffer == NULL || size < TRAMMEL_SEND_BUFFER_MIN || size > UINT16_MAX)
		return TRAMMEL_INIT_BAD_BUFFER;
	*s = (struct trammel_send){0};
	s->buffer = buffer;
	s->end = buffer + size;
	uint16_t most = (uint16_t)((size - 1) / 2 - AROUND);
	if (most > FRAME_MAX)
		most = FRAME_MAX;
	if (size < 2 * (TRAMMEL_SEND_FRAME_MIN + AROUND) + 1)
		most = TRAMMEL_SEND_FRAME_MIN;
	s->frame_max = (uint8_t)(most - CHECK);
	*buffer = 0; /* ends whatever noise came before */
	s->tail = buffer;
	s->head = s->closed = s->sealed = s->at = buffer + 1;
	return TRAMMEL_INIT_OK;
}

uint8_t trammel_send_text_max(const struct trammel_send *s)
{
	uint8_t most = (uint8_t)(s->frame_max - HEAD - 3); /* tag; version or time; length */
	return most < TRAMMEL_SEND_TEXT_MAX ? most : TRAMMEL_SEND_TEXT_MAX;
}

enum trammel_put_result trammel_send_hello(struct trammel_send *s, const char *text)
{
	return put_text(s, TAG_HELLO, 0, text);
}

enum trammel_put_result trammel_send_tooth(struct trammel_send *s, uint32_t t_us, bool level)
{
	return put_edge(s, (uint8_t)(TAG_TOOTH | level), t_us);
}

enum trammel_put_result trammel_send_tooth2(struct trammel_send *s, uint32_t t_us, bool level)
{
	return put_edge(s, (uint8_t)(TAG_TOOTH2 | level), t_us);
}

enum trammel_put_result trammel_send_index(struct trammel_send *s, uint32_t t_us, bool closed)
{
	return put_edge(s, (uint8_t)(TAG_INDEX | closed), t_us);
}

enum trammel_put_result trammel_send_valve(struct trammel_send *s, uint32_t t_us, uint8_t valve, bool on,
                                           int16_t intended_ddeg, int16_t controller_ddeg)
{
	uint8_t tag = (uint8_t)(TAG_VALVE | on);
	if (intended_ddeg != TRAMMEL_ANGLE_NONE)
		tag |= 2;
	if (controller_ddeg != TRAMMEL_ANGLE_NONE)
		tag |= 4;
	TRAMMEL_SEND_LOCK();
	bool ok = take(s, tag, t_us, 7);
	if (ok) {
		emit(s, valve);
		emit_angle(s, intended_ddeg);
		emit_angle(s, controller_ddeg);
	}
	TRAMMEL_SEND_UNLOCK();
	return ok ? TRAMMEL_PUT_OK : TRAMMEL_PUT_DROPPED;
}

enum trammel_put_result trammel_send_sample(struct trammel_send *s, uint32_t t_us, uint8_t channel,
                                            int32_t counts)
{
	uint8_t low = channel < 15 ? channel : 15;
	TRAMMEL_SEND_LOCK();
	bool ok = take(s, (uint8_t)(TAG_SAMPLE | low), t_us, 8);
	if (ok) {
		if (low == 15)
			emit(s, channel);
		emit_signed(s, (uint32_t)counts);
	}
	TRAMMEL_SEND_UNLOCK();
	return ok ? TRAMMEL_PUT_OK : TRAMMEL_PUT_DROPPED;
}

enum trammel_put_result trammel_send_mark(struct trammel_send *s, uint32_t t_us, const char *text)
{
	return put_text(s, TAG_MARK, t_us, text);
}

void trammel_send_lost(struct trammel_send *s, uint32_t records)
{
	TRAMMEL_SEND_LOCK();
	count_lost(s, records);
	TRAMMEL_SEND_UNLOCK();
}

void trammel_send_finish(struct trammel_send *s)
{
	TRAMMEL_SEND_LOCK();
	close_frame(s);
	TRAMMEL_SEND_UNLOCK();
}

/* --- sealing: check and stuffing of closed frames, byte by byte --- */

/* CRC-16, polynomial 0x1021, most significant bit first, a byte at a time
 * without a table: the eight steps of the shift register done as shifts of the
 * whole byte. */
static uint16_t crc_step(uint16_t crc, uint8_t b)
{
	uint8_t x = (uint8_t)(crc >> 8 ^ b);
	x = (uint8_t)(x ^ x >> 4);
	return (uint16_t)((uint16_t)(crc << 8) ^ (uint16_t)(x << 12) ^ (uint16_t)(x << 5) ^ x);
}

/* Up to `n` bytes of the frame that is being sealed: its content, then the
 * check of all content.  COBS in place: a zero's place takes the distance to the
 * next one.  State stays in registers for the run of it. */
static uint8_t *seal_bytes(struct trammel_send *s, uint8_t *at, uint8_t n)
{
	uint8_t left = s->left, run = s->run;
	uint16_t crc = s->crc;
	const uint8_t *end = s->end;
	for (; n > 0; n--) {
		uint8_t b = *at;
		if (left > CHECK)
			crc = crc_step(crc, b);
		else
			b = (uint8_t)(left == CHECK ? crc : crc >> 8);
		*at = b;
		if (b == 0) {
			*s->code = run;
			s->code = at;
			run = 0;
		}
		run++;
		left--;
		if (++at == end)
			at = s->buffer;
	}
	s->left = left;
	s->run = run;
	s->crc = crc;
	return at;
}

/* Goes on with the frame at hand, or begins the next. */
static void seal(struct trammel_send *s, const uint8_t *closed)
{
	uint8_t *at = s->at;
	if (at == closed)
		return;
	if (s->left == 0) {
		s->left = *at;
		s->code = at;
		s->run = 1;
		s->crc = 0xffff;
		at = behind(s, at);
	}
	at = seal_bytes(s, at, s->left < TRAMMEL_SEND_SLICE ? s->left : TRAMMEL_SEND_SLICE);
	if (s->left == 0) {
		*s->code = s->run;
		at = behind(s, at); /* the zero that close_frame wrote */
		s->sealed = at;
	}
	s->at = at;
}

/* --- public: taking out --- */

static void close_when_old(struct trammel_send *s, uint32_t now_us)
{
	if (!s->age_known) {
		s->age_known = true;
		s->age_us = now_us;
	} else if (now_us - s->age_us >= TRAMMEL_SEND_FLUSH_US) {
		close_frame(s);
	}
}

static const uint8_t *look_for_closed(struct trammel_send *s, uint32_t now_us)
{
	TRAMMEL_SEND_LOCK();
	report_lost(s, now_us);
	close_when_old(s, now_us);
	const uint8_t *closed = s->closed;
	TRAMMEL_SEND_UNLOCK();
	return closed;
}

static size_t ready(const struct trammel_send *s)
{
	return (size_t)((s->sealed >= s->tail ? s->sealed : s->end) - s->tail);
}

size_t trammel_send_poll(struct trammel_send *s, uint32_t now_us, const uint8_t **bytes)
{
	seal(s, look_for_closed(s, now_us));
	size_t n = ready(s);
	if (n > 0)
		*bytes = s->tail;
	return n;
}

void trammel_send_done(struct trammel_send *s, size_t n)
{
	size_t most = ready(s);
	uint8_t *tail = s->tail + (n < most ? n : most);
	if (tail == s->end)
		tail = s->buffer;
	TRAMMEL_SEND_LOCK();
	s->tail = tail;
	TRAMMEL_SEND_UNLOCK();
}
