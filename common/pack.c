/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "common/pack.h"

#include "common/bytes.h"

#include <assert.h>
#include <string.h>

/* First byte, by its low bits:
 *   .......0  short, 2 bytes:  stream in bits 1-3, 12 bits of content above
 *   ......01  middle, 3 bytes: stream in bits 2-5, 18 bits of content above
 *   .....011  full:  kind in bits 3-6; bit 7: a byte of flags follows
 *   .....111  long:  stream in bits 3-6; bit 7 is 0
 * Content of a stream of edges: time against the prediction.  Of samples: the
 * lower half is time against prediction, the upper half value against the last
 * one.  Of arrivals: value against prediction; the time is that of the record
 * before. */
#define SHORT_STREAMS 8
#define FLAG_ANGLES 0x1u
#define FLAG_TEXT 0x2u

/* How fast the predicted time and interval follow what arrives, in 1/256.
 * Edges: the last interval again.  Samples are taken by a timer, so their
 * jitter is averaged out. */
#define EDGE_TIME_GAIN 256
#define EDGE_INTERVAL_GAIN 256
#define SAMPLE_TIME_GAIN 96
#define SAMPLE_INTERVAL_GAIN 8

/* Kinds begin with those of edges and none is 0 here (the first comparison never fails): a reader
 * refuses it before. */
static bool is_edge(unsigned kind)
{
	return kind >= RECORD_TOOTH && kind <= RECORD_INDEX;
}

/* A record that can belong to a stream: nothing set but what its kind has. */
static bool is_streamed(const struct record *r)
{
	if (r->text_len != 0 || r->intended_ddeg != RECORD_ANGLE_NONE ||
	    r->controller_ddeg != RECORD_ANGLE_NONE)
		return false;
	if (is_edge(r->kind))
		return r->channel == 0 && (r->value & ~INT64_C(1)) == 0;
	return r->kind == RECORD_SAMPLE || (r->kind == RECORD_ARRIVAL && r->channel == 0);
}

static void state_start(struct pack_state *s, uint32_t t_us)
{
	s->streams = 0;
	s->t_us = t_us;
}

/* A full record begins a stream of its kind while there is room for one.  Callers have asked for one that
 * is streamed: that it is not, never happens. */
static bool begin_stream(struct pack_state *s, const struct record *r)
{
	if (s->streams == PACK_STREAMS || !is_streamed(r))
		return false;
	s->stream[s->streams++] = (struct pack_stream){*r, (uint64_t)r->t_us << 8, 0};
	return true;
}

static inline uint32_t predicted_time(const struct pack_stream *s)
{
	return (uint32_t)(s->next_q8 >> 8);
}

/* Host time runs with sender time. */
static inline int64_t predicted_arrival(const struct pack_stream *s, uint32_t t_us)
{
	return (int64_t)((uint64_t)s->last.value + (uint64_t)(int64_t)(int32_t)(t_us - s->last.t_us));
}

/* Moves the prediction on after a record that came `late_us` after it. */
static inline void follow(struct pack_stream *s, int32_t late_us)
{
	bool edge = s->last.kind != RECORD_SAMPLE;
	uint64_t late = (uint64_t)(int64_t)late_us;
	s->interval_q8 += late * (edge ? EDGE_INTERVAL_GAIN : SAMPLE_INTERVAL_GAIN);
	s->next_q8 += s->interval_q8 + late * (edge ? EDGE_TIME_GAIN : SAMPLE_TIME_GAIN);
}

/* The prediction begins afresh from the last two times. */
static void follow_afresh(struct pack_stream *s, uint32_t t_us)
{
	s->interval_q8 = (uint64_t)(int64_t)(int32_t)(t_us - s->last.t_us) << 8;
	s->next_q8 = ((uint64_t)t_us << 8) + s->interval_q8;
}

static inline int64_t wrapping_sum(int64_t a, int64_t b)
{
	return (int64_t)((uint64_t)a + (uint64_t)b);
}

static inline int64_t wrapping_difference(int64_t a, int64_t b)
{
	return (int64_t)((uint64_t)a - (uint64_t)b);
}

/* --- writing --- */

static uint8_t *stream_number(struct pack_writer *w, const struct record *r)
{
	if (r->kind == RECORD_SAMPLE)
		return &w->stream_of[7 + r->channel];
	if (r->kind == RECORD_ARRIVAL)
		return &w->stream_of[6];
	return &w->stream_of[(r->kind - RECORD_TOOTH) * 2 + (r->value & 1)];
}

static bool fits(int64_t v, unsigned bits)
{
	int64_t limit = INT64_C(1) << (bits - 1);
	return v >= -limit && v < limit;
}

/* What a record differs by from its stream's prediction. */
struct surprise {
	int32_t late_us;
	int64_t value;
};

static struct surprise surprise_of(const struct pack_stream *s, const struct pack_state *state,
                                   const struct record *r)
{
	if (r->kind == RECORD_ARRIVAL)
		return (struct surprise){(int32_t)(r->t_us - state->t_us),
		                         wrapping_difference(r->value, predicted_arrival(s, r->t_us))};
	return (struct surprise){(int32_t)(r->t_us - predicted_time(s)),
	                         wrapping_difference(r->value, s->last.value)};
}

/* True, and the content, when it fits 2 * half bits. */
static bool content_of(const struct record *r, const struct surprise *d, unsigned half, uint32_t *content)
{
	uint32_t mask = (1u << 2 * half) - 1, half_mask = (1u << half) - 1;
	if (r->kind == RECORD_ARRIVAL) {
		*content = (uint32_t)d->value & mask;
		return d->late_us == 0 && fits(d->value, 2 * half);
	}
	if (r->kind == RECORD_SAMPLE) {
		*content = ((uint32_t)d->late_us & half_mask) | ((uint32_t)d->value << half & mask);
		return fits(d->late_us, half) && fits(d->value, half);
	}
	*content = (uint32_t)d->late_us & mask;
	return fits(d->late_us, 2 * half);
}

static uint8_t *put_long(uint8_t *p, unsigned stream, uint32_t last_t_us, const struct surprise *d,
                         const struct record *r)
{
	p = bytes_put_u8(p, 7 | stream << 3);
	p = bytes_put_varint(p, bytes_zigzag((int32_t)(r->t_us - last_t_us)));
	return is_edge(r->kind) ? p : bytes_put_varint(p, bytes_zigzag(d->value));
}

/* A record of a known stream, in the shortest form. */
static uint8_t *put_streamed(struct pack_state *state, unsigned number, uint8_t *p, const struct record *r)
{
	struct pack_stream *s = &state->stream[number];
	struct surprise d = surprise_of(s, state, r);
	uint32_t content;
	if (number < SHORT_STREAMS && content_of(r, &d, 6, &content)) {
		p = bytes_put_u16(p, number << 1 | content << 4);
		follow(s, d.late_us);
	} else if (content_of(r, &d, 9, &content)) {
		p = bytes_put_u16(p, 1 | number << 2 | (content << 6 & 0xffff));
		p = bytes_put_u8(p, content >> 10);
		follow(s, d.late_us);
	} else {
		p = put_long(p, number, state->t_us, &d, r);
		follow_afresh(s, r->t_us);
	}
	s->last.t_us = r->t_us;
	s->last.value = r->value;
	return p;
}

static uint8_t *put_full(uint8_t *p, uint32_t last_t_us, const struct record *r)
{
	bool angles = r->intended_ddeg != RECORD_ANGLE_NONE || r->controller_ddeg != RECORD_ANGLE_NONE;
	unsigned flags = (angles ? FLAG_ANGLES : 0) | (r->text_len > 0 ? FLAG_TEXT : 0);
	p = bytes_put_u8(p, 3u | (unsigned)r->kind << 3 | (flags != 0 ? 0x80u : 0));
	if (flags != 0)
		p = bytes_put_u8(p, flags);
	p = bytes_put_varint(p, bytes_zigzag((int32_t)(r->t_us - last_t_us)));
	p = bytes_put_u8(p, r->channel);
	p = bytes_put_varint(p, bytes_zigzag(r->value));
	if (angles) {
		p = bytes_put_u16(p, (uint16_t)r->intended_ddeg);
		p = bytes_put_u16(p, (uint16_t)r->controller_ddeg);
	}
	if (r->text_len > 0) {
		unsigned len = r->text_len < RECORD_TEXT_MAX ? r->text_len : RECORD_TEXT_MAX;
		p = bytes_put_u8(p, len);
		memcpy(p, r->text, len);
		p += len;
	}
	return p;
}

void pack_writer_start(struct pack_writer *w, uint8_t *bytes, size_t size, uint32_t t_us)
{
	state_start(&w->state, t_us);
	w->begin = w->at = bytes;
	w->end = bytes + size;
	memset(w->stream_of, 0, sizeof w->stream_of);
}

/* Bytes that this record can take at most. */
static size_t worst_case(const struct record *r)
{
	return PACK_RECORD_MAX - RECORD_TEXT_MAX + r->text_len;
}

bool pack_write(struct pack_writer *w, const struct record *r)
{
	assert(r->kind >= 1 && r->kind <= 15);
	if ((size_t)(w->end - w->at) < worst_case(r))
		return false;
	uint8_t *number = is_streamed(r) ? stream_number(w, r) : NULL;
	if (number != NULL && *number != 0) {
		w->at = put_streamed(&w->state, *number - 1u, w->at, r);
	} else {
		w->at = put_full(w->at, w->state.t_us, r);
		if (number != NULL && begin_stream(&w->state, r))
			*number = (uint8_t)w->state.streams;
	}
	w->state.t_us = r->t_us;
	return true;
}

size_t pack_written(const struct pack_writer *w)
{
	return (size_t)(w->at - w->begin);
}

/* --- reading --- */

static inline struct record record_of_stream(uint8_t kind, uint32_t t_us, uint8_t channel, int64_t value)
{
	return (struct record){.t_us = t_us,
	                       .kind = kind,
	                       .channel = channel,
	                       .value = value,
	                       .intended_ddeg = RECORD_ANGLE_NONE,
	                       .controller_ddeg = RECORD_ANGLE_NONE};
}

void pack_reader_start(struct pack_reader *p, const uint8_t *bytes, size_t n, uint32_t records, uint32_t t_us)
{
	state_start(&p->state, t_us);
	p->at = bytes;
	p->end = bytes + n;
	p->left = records;
}

static int read_full(struct pack_reader *p, struct record *r)
{
	struct bytes_in in = {p->at, p->end, false};
	unsigned first = bytes_in_u8(&in);
	unsigned flags = first & 0x80 ? bytes_in_u8(&in) : 0;
	*r = record_make((enum record_kind)(first >> 3 & 15), 0, 0, 0);
	r->t_us = p->state.t_us + (uint32_t)bytes_unzigzag(bytes_in_varint(&in, 32));
	r->channel = bytes_in_u8(&in);
	r->value = bytes_unzigzag(bytes_in_varint(&in, 64));
	if (flags & FLAG_ANGLES) {
		r->intended_ddeg = (int16_t)bytes_in_u16(&in);
		r->controller_ddeg = (int16_t)bytes_in_u16(&in);
	}
	if (flags & FLAG_TEXT) {
		r->text_len = bytes_in_u8(&in);
		r->text = (const char *)bytes_in_take(&in, r->text_len);
	}
	if (in.bad || r->kind == 0 || (flags & FLAG_TEXT && r->text_len == 0) ||
	    r->text_len > RECORD_TEXT_MAX || (flags & ~(FLAG_ANGLES | FLAG_TEXT)) != 0)
		return -1;
	if (is_streamed(r))
		begin_stream(&p->state, r);
	p->at = in.at;
	return 1;
}

static int read_long(struct pack_reader *p, struct record *r)
{
	struct bytes_in in = {p->at, p->end, false};
	unsigned first = bytes_in_u8(&in), number = first >> 3;
	if (number >= p->state.streams)
		return -1;
	struct pack_stream *s = &p->state.stream[number];
	*r = s->last;
	r->t_us = p->state.t_us + (uint32_t)bytes_unzigzag(bytes_in_varint(&in, 32));
	if (!is_edge(r->kind)) {
		int64_t base = r->kind == RECORD_ARRIVAL ? predicted_arrival(s, r->t_us) : s->last.value;
		r->value = wrapping_sum(base, bytes_unzigzag(bytes_in_varint(&in, 64)));
	}
	if (in.bad)
		return -1;
	follow_afresh(s, r->t_us);
	s->last = *r;
	p->at = in.at;
	return 1;
}

/* `content` holds the 2 * half bits at its top, so that shifts extend signs.
 * The record is made from parts and kept in parts: reading it back whole,
 * right after a part was stored, would stall the processor. */
static inline int read_streamed(struct pack_state *state, unsigned number, uint32_t content, unsigned half,
                                struct record *r)
{
	if (number >= state->streams)
		return -1;
	struct pack_stream *s = &state->stream[number];
	int32_t late;
	int64_t value = s->last.value;
	uint32_t t_us = state->t_us;
	if (s->last.kind == RECORD_SAMPLE) {
		late = (int32_t)(content << half) >> (32 - half);
		value = wrapping_sum(value, (int32_t)content >> (32 - half));
		t_us = predicted_time(s) + (uint32_t)late;
	} else if (s->last.kind == RECORD_ARRIVAL) {
		late = 0;
		value = wrapping_sum(predicted_arrival(s, t_us), (int32_t)content >> (32 - 2 * half));
	} else {
		late = (int32_t)content >> (32 - 2 * half);
		t_us = predicted_time(s) + (uint32_t)late;
	}
	*r = record_of_stream(s->last.kind, t_us, s->last.channel, value);
	follow(s, late);
	s->last.t_us = t_us;
	s->last.value = value;
	return 1;
}

int pack_read(struct pack_reader *p, struct record *r)
{
	int got;
	if (p->left == 0)
		return p->at == p->end ? 0 : -1;
	uint32_t word = bytes_get_u32(p->at);
	if ((word & 1) == 0) {
		got = read_streamed(&p->state, word >> 1 & 7, word << 16 & 0xfff00000, 6, r);
		p->at += 2;
	} else if ((word & 2) == 0) {
		got = read_streamed(&p->state, word >> 2 & 15, word << 8 & 0xffffc000, 9, r);
		p->at += 3;
	} else {
		got = word & 4 ? read_long(p, r) : read_full(p, r);
	}
	if (got < 0 || p->at > p->end)
		return -1;
	p->state.t_us = r->t_us;
	p->left--;
	return 1;
}
