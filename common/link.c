/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "common/link.h"

#include "common/frames.h"
#include "common/lines.h"
#include "common/utf8.h"

#include <stdlib.h>

struct link_decoder {
	enum link_kind kind;
	struct link_counts counts;
	struct lines lines;
	struct frames frames;
};

struct link_encoder {
	enum link_kind kind;
	struct frames_encoder frames;
};

/* --- results --- */

void link_out_record(const struct link_out *out, const struct record *r)
{
	out->counts->records++;
	if (out->sink->record != NULL)
		out->sink->record(out->sink->ctx, r);
}

void link_out_damage(const struct link_out *out, const struct link_damage *d)
{
	out->counts->damaged_bytes += d->bytes;
	out->counts->damaged_units++;
	if (out->sink->damage != NULL)
		out->sink->damage(out->sink->ctx, d);
}

void link_out_frames_lost(const struct link_out *out, unsigned frames)
{
	out->counts->frames_lost += frames;
	if (out->sink->frames_lost != NULL)
		out->sink->frames_lost(out->sink->ctx, frames);
}

/* --- what may travel --- */

const char *link_text_fault(const char *text, size_t len)
{
	if (len > RECORD_TEXT_MAX)
		return "text is longer than 120 bytes";
	return utf8_check(text, len) == len ? NULL : "text is not UTF-8, or holds a control character";
}

static bool within(int64_t v, int64_t low, int64_t high)
{
	return v >= low && v <= high;
}

static bool no_angles(const struct record *r)
{
	return r->intended_ddeg == RECORD_ANGLE_NONE && r->controller_ddeg == RECORD_ANGLE_NONE;
}

static bool text_can_travel(const struct record *r)
{
	return link_text_fault(r->text, r->text_len) == NULL;
}

bool link_can_carry(const struct record *r)
{
	if (r->kind != RECORD_VALVE && !no_angles(r))
		return false;
	if (r->kind != RECORD_MARK && r->kind != RECORD_HELLO && r->text_len != 0)
		return false;
	if (r->kind != RECORD_VALVE && r->kind != RECORD_SAMPLE && r->channel != 0)
		return false;
	switch (r->kind) {
	case RECORD_TOOTH:
	case RECORD_TOOTH2:
	case RECORD_INDEX:
	case RECORD_VALVE:
		return within(r->value, 0, 1);
	case RECORD_SAMPLE:
		return within(r->value, INT32_MIN, INT32_MAX);
	case RECORD_MARK:
		return r->value == 0 && text_can_travel(r);
	case RECORD_LOST:
		return within(r->value, 0, UINT32_MAX);
	case RECORD_HELLO:
		return r->t_us == 0 && within(r->value, 0, UINT8_MAX) && text_can_travel(r);
	default:
		return false;
	}
}

/* --- decoding --- */

struct link_decoder *link_decoder_new(enum link_kind kind)
{
	struct link_decoder *d = calloc(1, sizeof *d);
	if (d == NULL)
		return NULL;
	d->kind = kind;
	frames_init(&d->frames);
	if (kind == LINK_LINES && lines_init(&d->lines) != 0) {
		free(d);
		return NULL;
	}
	return d;
}

void link_decoder_free(struct link_decoder *d)
{
	if (d != NULL && d->kind == LINK_LINES)
		lines_free(&d->lines);
	free(d);
}

void link_decode(struct link_decoder *d, const uint8_t *bytes, size_t n, const struct link_sink *sink)
{
	struct link_out out = {&d->counts, sink};
	d->counts.bytes += n;
	if (d->kind == LINK_LINES)
		lines_decode(&d->lines, bytes, n, &out);
	else
		frames_decode(&d->frames, bytes, n, &out);
}

void link_decode_end(struct link_decoder *d, const struct link_sink *sink)
{
	struct link_out out = {&d->counts, sink};
	if (d->kind == LINK_LINES)
		lines_decode_end(&d->lines, &out);
	else
		frames_decode_end(&d->frames, &out);
}

void link_decoder_reset(struct link_decoder *d)
{
	lines_reset(&d->lines);
	frames_reset(&d->frames);
}

const struct link_counts *link_decoder_counts(const struct link_decoder *d)
{
	return &d->counts;
}

/* --- encoding --- */

struct link_encoder *link_encoder_new(enum link_kind kind)
{
	struct link_encoder *e = calloc(1, sizeof *e);
	if (e == NULL)
		return NULL;
	e->kind = kind;
	frames_encoder_init(&e->frames);
	return e;
}

void link_encoder_free(struct link_encoder *e)
{
	free(e);
}

size_t link_encode(struct link_encoder *e, const struct record *r, uint8_t out[LINK_ENCODE_MAX])
{
	if (!link_can_carry(r))
		return 0;
	return e->kind == LINK_LINES ? lines_encode(r, out) : frames_encode(&e->frames, r, out);
}

size_t link_encode_end(struct link_encoder *e, uint8_t out[LINK_ENCODE_MAX])
{
	return e->kind == LINK_LINES ? 0 : frames_encode_end(&e->frames, out);
}
