/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/avr/heard.h"

#include <stdlib.h>
#include <string.h>

static void on_record(void *ctx, const struct record *r)
{
	struct heard *h = ctx;
	if (h->n == h->room) {
		h->room = h->room == 0 ? 4096 : 2 * h->room;
		h->record = realloc(h->record, h->room * sizeof *h->record);
		if (h->record == NULL)
			abort();
	}
	struct record *kept = &h->record[h->n++];
	*kept = *r;
	if (r->text_len > 0)
		kept->text = strndup(r->text, r->text_len);
	h->kinds[r->kind]++;
	if (r->kind == RECORD_LOST)
		h->lost += (uint64_t)r->value;
}

static void on_damage(void *ctx, const struct link_damage *d)
{
	(void)d;
	((struct heard *)ctx)->damages++;
}

static void on_frames_lost(void *ctx, unsigned frames)
{
	((struct heard *)ctx)->frames_lost += frames;
}

struct heard heard_make(enum link_kind link)
{
	struct heard h = {.decoder = link_decoder_new(link)};
	if (h.decoder == NULL)
		abort();
	return h;
}

void heard_free(struct heard *h)
{
	for (size_t i = 0; i < h->n; i++)
		if (h->record[i].text_len > 0)
			free((char *)(uintptr_t)h->record[i].text);
	free(h->record);
	link_decoder_free(h->decoder);
}

void heard_byte(struct heard *h, uint8_t byte)
{
	const struct link_sink sink = {h, on_record, on_damage, on_frames_lost};
	h->bytes++;
	link_decode(h->decoder, &byte, 1, &sink);
}

void heard_file(struct heard *h, FILE *f)
{
	rewind(f);
	for (int c; (c = getc(f)) != EOF;)
		heard_byte(h, (uint8_t)c);
}

const struct record *heard_mark(const struct heard *h, size_t from, const char *begins)
{
	size_t len = strlen(begins);
	for (size_t i = from; i < h->n; i++) {
		const struct record *r = &h->record[i];
		if (r->kind == RECORD_MARK && r->text_len >= len && memcmp(r->text, begins, len) == 0)
			return r;
	}
	return NULL;
}
