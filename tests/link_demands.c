/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/fuzz_link.h"

#include "common/crc.h"

#include <stdlib.h>
#include <string.h>

void fuzz_demand(bool good)
{
	if (!good)
		abort();
}

struct sum {
	uint32_t crc;
	uint64_t damaged_to; /* end of the last damage */
	uint64_t limit;      /* bytes in all */
	enum link_kind kind;
};

static void mix(struct sum *s, const void *bytes, size_t n)
{
	uint8_t b[256];
	memcpy(b, &s->crc, 4);
	memcpy(b + 4, bytes, n);
	s->crc = crc32c(b, n + 4);
}

/* The record over the same link once more. */
struct echo {
	const struct record *sent;
	unsigned came;
};

static void on_echo(void *ctx, const struct record *r)
{
	struct echo *e = ctx;
	fuzz_demand(record_equal(r, e->sent));
	e->came++;
}

static void send_again(enum link_kind kind, const struct record *r)
{
	uint8_t wire[LINK_ENCODE_MAX];
	struct echo e = {r, 0};
	struct link_sink sink = {.ctx = &e, .record = on_echo};
	struct link_encoder *enc = link_encoder_new(kind);
	struct link_decoder *dec = link_decoder_new(kind);
	fuzz_demand(enc != NULL && dec != NULL);
	size_t n = link_encode(enc, r, wire);
	n += link_encode_end(enc, wire + n);
	link_decode(dec, wire, n, &sink);
	fuzz_demand(e.came == 1);
	link_encoder_free(enc);
	link_decoder_free(dec);
}

static void on_record(void *ctx, const struct record *r)
{
	struct sum *s = ctx;
	int64_t numbers[] = {r->t_us, r->kind, r->channel, r->value, r->intended_ddeg, r->controller_ddeg};
	fuzz_demand(link_can_carry(r));
	mix(s, numbers, sizeof numbers);
	if (r->text_len > 0)
		mix(s, r->text, r->text_len);
	send_again(s->kind, r);
}

static void on_damage(void *ctx, const struct link_damage *d)
{
	struct sum *s = ctx;
	uint64_t numbers[] = {d->offset, d->line, d->bytes};
	fuzz_demand(d->bytes > 0 && d->offset >= s->damaged_to && d->offset + d->bytes <= s->limit);
	s->damaged_to = d->offset + d->bytes;
	mix(s, numbers, sizeof numbers);
	mix(s, d->why, strlen(d->why));
}

static void on_lost(void *ctx, unsigned frames)
{
	mix(ctx, &frames, sizeof frames);
}

static uint32_t decode(enum link_kind kind, const uint8_t *bytes, size_t n, size_t piece,
                       struct link_counts *counts)
{
	struct sum s = {.limit = n, .kind = kind};
	struct link_sink sink = {&s, on_record, on_damage, on_lost};
	struct link_decoder *d = link_decoder_new(kind);
	fuzz_demand(d != NULL);
	for (size_t at = 0; at < n; at += piece)
		link_decode(d, bytes + at, n - at < piece ? n - at : piece, &sink);
	link_decode_end(d, &sink);
	*counts = *link_decoder_counts(d);
	link_decoder_free(d);
	return s.crc;
}

void fuzz_link(enum link_kind kind, const uint8_t *bytes, size_t n)
{
	struct link_counts whole, pieces;
	uint32_t a = decode(kind, bytes, n, n == 0 ? 1 : n, &whole);
	uint32_t b = decode(kind, bytes, n, n == 0 ? 1 : 1 + bytes[0] % 7, &pieces);
	fuzz_demand(a == b && memcmp(&whole, &pieces, sizeof whole) == 0);
	fuzz_demand(whole.bytes == n && whole.damaged_bytes <= n);
}
