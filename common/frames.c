/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "common/frames.h"

#include "common/bytes.h"
#include "common/crc.h"

#include <string.h>

/* Low four bits of a tag, by kind. */
#define TAG_LEVEL 0x1        /* edges, valve: level or state */
#define TAG_INTENDED 0x2     /* valve: intended angle follows */
#define TAG_CONTROLLER 0x4   /* valve: controller's angle follows */
#define TAG_CHANNEL_NEXT 0xf /* sample: channel 15 or more, in the next byte */

#define RECORD_BYTES_MAX (1 + 5 + 5 + 1 + RECORD_TEXT_MAX) /* tag, time, number, text */

/* --- reading one record's fields: NULL, or what is wrong --- */

static const char *read_text(struct bytes_in *in, struct record *r)
{
	size_t len = bytes_in_u8(in);
	const char *text = (const char *)bytes_in_take(in, len);
	if (text == NULL || len == 0)
		return NULL;
	r->text = text;
	r->text_len = (uint16_t)len;
	return link_text_fault(text, len);
}

static const char *read_angle(struct bytes_in *in, int16_t *ddeg)
{
	*ddeg = (int16_t)bytes_in_u16(in);
	return *ddeg == RECORD_ANGLE_NONE && !in->bad ? "angle out of range" : NULL;
}

static const char *read_valve(struct bytes_in *in, unsigned low, struct record *r)
{
	const char *why = NULL;
	r->value = low & TAG_LEVEL;
	r->channel = bytes_in_u8(in);
	if (low & TAG_INTENDED)
		why = read_angle(in, &r->intended_ddeg);
	if (why == NULL && low & TAG_CONTROLLER)
		why = read_angle(in, &r->controller_ddeg);
	return why;
}

static void read_sample(struct bytes_in *in, unsigned low, struct record *r)
{
	r->channel = (uint8_t)(low == TAG_CHANNEL_NEXT ? bytes_in_u8(in) : low);
	/* 32 bits: unzigzag of a 32-bit varint fits int32_t. */
	r->value = bytes_unzigzag(bytes_in_varint(in, 32));
}

/* Which of the low bits a kind knows; a record with others set comes from a
 * later version of the format. */
static unsigned low_bits_known(unsigned kind)
{
	static const uint8_t known[16] = {
	    [RECORD_TOOTH] = TAG_LEVEL, [RECORD_TOOTH2] = TAG_LEVEL,
	    [RECORD_INDEX] = TAG_LEVEL, [RECORD_VALVE] = TAG_LEVEL | TAG_INTENDED | TAG_CONTROLLER,
	    [RECORD_SAMPLE] = 0xf,
	};
	return known[kind];
}

static const char *read_payload(struct bytes_in *in, unsigned low, struct record *r)
{
	switch (r->kind) {
	case RECORD_VALVE:
		return read_valve(in, low, r);
	case RECORD_SAMPLE:
		read_sample(in, low, r);
		return NULL;
	case RECORD_LOST:
		r->value = (int64_t)bytes_in_varint(in, 32);
		return NULL;
	case RECORD_MARK:
		return read_text(in, r);
	case RECORD_HELLO:
		r->value = bytes_in_u8(in);
		return read_text(in, r);
	default:
		r->value = low & TAG_LEVEL;
		return NULL;
	}
}

/* One record; `t_us` is the time of the one before and is moved on. */
static const char *read_record(struct bytes_in *in, uint32_t *t_us, struct record *r)
{
	unsigned tag = bytes_in_u8(in), kind = tag >> 4, low = tag & 0xf;
	if (kind < RECORD_TOOTH || kind > RECORD_HELLO || (low & ~low_bits_known(kind)) != 0)
		return "unknown record in the frame";
	*r = record_make((enum record_kind)kind, 0, 0, 0);
	if (kind != RECORD_HELLO) {
		*t_us += (uint32_t)bytes_unzigzag(bytes_in_varint(in, 32));
		r->t_us = *t_us;
	}
	const char *why = read_payload(in, low, r);
	return in->bad ? "record cut short in the frame" : why;
}

/* --- frames --- */

/* A sender that has started again begins with frame 0 and a hello. */
static bool is_start(const uint8_t *raw, size_t n)
{
	return raw[0] == 0 && n > FRAMES_HEAD + FRAMES_CHECK && raw[FRAMES_HEAD] >> 4 == RECORD_HELLO;
}

static void check_sequence(struct frames *f, const uint8_t *raw, size_t n, const struct link_out *out)
{
	uint8_t missing = (uint8_t)(raw[0] - f->next_sequence);
	if (f->have_sequence && missing != 0 && !is_start(raw, n))
		link_out_frames_lost(out, missing);
	f->have_sequence = true;
	f->next_sequence = (uint8_t)(raw[0] + 1);
}

/* The records of a good frame.  Stuffing moved every byte by one, so a place
 * in the frame is known in the stream too. */
static void take_records(struct frames *f, const uint8_t *raw, size_t n, size_t wire,
                         const struct link_out *out)
{
	struct bytes_in in = {raw + FRAMES_HEAD, raw + n - FRAMES_CHECK, false};
	uint32_t t_us = bytes_get_u32(raw + 1);
	while (in.at < in.end) {
		struct record r;
		size_t begin = (size_t)(in.at - raw) + 1;
		const char *why = read_record(&in, &t_us, &r);
		if (why != NULL) {
			link_out_damage(out, &(struct link_damage){f->offset + begin, 0, wire - begin, why});
			return;
		}
		link_out_record(out, &r);
	}
	out->counts->units++;
}

static const char *check_frame(const uint8_t *wire, size_t n, uint8_t *raw, ptrdiff_t *len)
{
	if (n > FRAMES_WIRE_MAX)
		return "frame is too long";
	*len = cobs_decode(wire, n, raw);
	if (*len < 0)
		return "frame is not stuffed rightly";
	if (*len < FRAMES_HEAD + FRAMES_CHECK)
		return "frame is too short";
	if (*len > FRAMES_RAW_MAX)
		return "frame is too long";
	size_t body = (size_t)*len - FRAMES_CHECK;
	return crc16(raw, body) == bytes_get_u16(raw + body) ? NULL : "checksum does not match";
}

/* A frame of n bytes that a zero ended. */
static void take_frame(struct frames *f, const uint8_t *wire, size_t n, const struct link_out *out)
{
	uint8_t raw[FRAMES_WIRE_MAX];
	ptrdiff_t len = 0;
	const char *why = check_frame(wire, n, raw, &len);
	if (why != NULL) {
		link_out_damage(out, &(struct link_damage){f->offset, 0, n + 1, why});
	} else {
		check_sequence(f, raw, (size_t)len, out);
		take_records(f, raw, (size_t)len, n + 1, out);
	}
}

void frames_init(struct frames *f)
{
	memset(f, 0, sizeof *f);
}

static void keep_piece(struct frames *f, const uint8_t *bytes, size_t n)
{
	if (f->len < FRAMES_WIRE_MAX) {
		size_t room = FRAMES_WIRE_MAX - f->len;
		memcpy(f->wire + f->len, bytes, n < room ? n : room);
	}
	f->len += n;
}

void frames_decode(struct frames *f, const uint8_t *bytes, size_t n, const struct link_out *out)
{
	while (n > 0) {
		const uint8_t *end = memchr(bytes, 0, n);
		if (end == NULL) {
			keep_piece(f, bytes, n);
			return;
		}
		size_t piece = (size_t)(end - bytes), len = f->len + piece;
		if (f->len == 0 && piece > 0) {
			take_frame(f, bytes, piece, out);
		} else if (len > 0) {
			keep_piece(f, bytes, piece);
			take_frame(f, f->wire, len, out);
		}
		f->offset += len + 1;
		f->len = 0;
		bytes += piece + 1;
		n -= piece + 1;
	}
}

void frames_decode_end(struct frames *f, const struct link_out *out)
{
	if (f->len > 0)
		link_out_damage(out, &(struct link_damage){f->offset, 0, f->len, "frame cut off by the end"});
	f->offset += f->len;
	f->len = 0;
}

void frames_reset(struct frames *f)
{
	f->offset += f->len;
	f->len = 0;
	f->have_sequence = false;
}

/* --- encoding --- */

void frames_encoder_init(struct frames_encoder *e)
{
	memset(e, 0, sizeof *e);
}

static uint8_t *put_text(uint8_t *p, const struct record *r)
{
	p = bytes_put_u8(p, r->text_len);
	if (r->text_len > 0)
		memcpy(p, r->text, r->text_len);
	return p + r->text_len;
}

static unsigned low_bits(const struct record *r)
{
	unsigned level = r->value == 1 ? TAG_LEVEL : 0;
	switch (r->kind) {
	case RECORD_TOOTH:
	case RECORD_TOOTH2:
	case RECORD_INDEX:
		return level;
	case RECORD_VALVE:
		return level | (r->intended_ddeg != RECORD_ANGLE_NONE ? TAG_INTENDED : 0) |
		       (r->controller_ddeg != RECORD_ANGLE_NONE ? TAG_CONTROLLER : 0);
	case RECORD_SAMPLE:
		return r->channel < TAG_CHANNEL_NEXT ? r->channel : TAG_CHANNEL_NEXT;
	default:
		return 0;
	}
}

static uint8_t *put_valve(uint8_t *p, const struct record *r)
{
	p = bytes_put_u8(p, r->channel);
	if (r->intended_ddeg != RECORD_ANGLE_NONE)
		p = bytes_put_u16(p, (uint16_t)r->intended_ddeg);
	if (r->controller_ddeg != RECORD_ANGLE_NONE)
		p = bytes_put_u16(p, (uint16_t)r->controller_ddeg);
	return p;
}

static uint8_t *put_payload(uint8_t *p, const struct record *r)
{
	switch (r->kind) {
	case RECORD_VALVE:
		return put_valve(p, r);
	case RECORD_SAMPLE:
		if (r->channel >= TAG_CHANNEL_NEXT)
			p = bytes_put_u8(p, r->channel);
		return bytes_put_varint(p, bytes_zigzag(r->value));
	case RECORD_LOST:
		return bytes_put_varint(p, (uint64_t)r->value);
	case RECORD_MARK:
		return put_text(p, r);
	case RECORD_HELLO:
		return put_text(bytes_put_u8(p, (unsigned)r->value), r);
	default:
		return p;
	}
}

static size_t put_record(uint8_t *begin, uint32_t last_t_us, const struct record *r)
{
	uint8_t *p = bytes_put_u8(begin, (unsigned)r->kind << 4 | low_bits(r));
	if (r->kind != RECORD_HELLO)
		p = bytes_put_varint(p, bytes_zigzag((int32_t)(r->t_us - last_t_us)));
	return (size_t)(put_payload(p, r) - begin);
}

/* The base time is that of the first record that has one. */
static void set_base(struct frames_encoder *e, const struct record *r)
{
	if (e->have_base || r->kind == RECORD_HELLO)
		return;
	bytes_put_u32(e->raw + 1, r->t_us);
	e->last_t_us = r->t_us;
	e->have_base = true;
}

static void begin_frame(struct frames_encoder *e)
{
	memset(e->raw, 0, FRAMES_HEAD);
	e->raw[0] = e->sequence++;
	e->len = FRAMES_HEAD;
	e->have_base = false;
}

static void append(struct frames_encoder *e, const uint8_t *packed, size_t n, const struct record *r)
{
	memcpy(e->raw + e->len, packed, n);
	e->len += n;
	if (r->kind != RECORD_HELLO)
		e->last_t_us = r->t_us;
}

size_t frames_encode(struct frames_encoder *e, const struct record *r, uint8_t out[LINK_ENCODE_MAX])
{
	uint8_t packed[RECORD_BYTES_MAX];
	size_t finished = 0;
	if (e->len == 0)
		begin_frame(e);
	set_base(e, r);
	size_t n = put_record(packed, e->last_t_us, r);
	if (e->len + n + FRAMES_CHECK > FRAMES_RAW_MAX) {
		finished = frames_encode_end(e, out);
		begin_frame(e);
		set_base(e, r);
		n = put_record(packed, e->last_t_us, r);
	}
	append(e, packed, n, r);
	return finished;
}

size_t frames_encode_end(struct frames_encoder *e, uint8_t out[LINK_ENCODE_MAX])
{
	if (e->len == 0)
		return 0;
	bytes_put_u16(e->raw + e->len, crc16(e->raw, e->len));
	size_t n = cobs_encode(e->raw, e->len + FRAMES_CHECK, out);
	out[n] = 0;
	e->len = 0;
	return n + 1;
}
