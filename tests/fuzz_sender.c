/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Fuzzer of the controller's sender: the first byte chooses the buffer, the rest are calls.
 * Whatever the order of calls and however little is taken at a time, the decoder must
 * find no damage in what went out, all records that were taken, and every one that was dropped told. */
#include "firmware/trammel_send.h"

#include "common/link.h"

#include "firmware/trammel_send.c" /* the firmware is in none of the host's libraries */

#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t n);

struct heard {
	uint64_t records, lost;
};

static void hear_record(void *ctx, const struct record *r)
{
	struct heard *h = ctx;
	if (r->kind == RECORD_LOST)
		h->lost += (uint64_t)r->value;
	else
		h->records++;
}

static void hear_damage(void *ctx, const struct link_damage *d)
{
	(void)ctx;
	(void)d;
	abort();
}

struct wire {
	struct link_decoder *decoder;
	struct link_sink sink;
	struct heard heard;
	uint64_t taken, dropped;
	uint32_t now_us;
};

static void count(struct wire *w, enum trammel_put_result got)
{
	w->taken += got == TRAMMEL_PUT_OK;
	w->dropped += got == TRAMMEL_PUT_DROPPED;
}

/* One call of a put function, chosen and filled from four bytes. */
static void put(struct wire *w, struct trammel_send *s, const uint8_t *b)
{
	char text[16];
	w->now_us += (uint32_t)b[1] << (b[2] % 20);
	memset(text, 'a' + b[3] % 26, sizeof text);
	text[b[2] % sizeof text] = '\0';
	switch (b[0] % 6) {
	case 0:
		count(w, trammel_send_tooth(s, w->now_us, b[3] & 1));
		break;
	case 1:
		count(w, trammel_send_index(s, w->now_us, b[3] & 1));
		break;
	case 2:
		count(w,
		      trammel_send_valve(s, w->now_us, b[3] % 8, b[3] & 1, b[2] & 1 ? 85 : TRAMMEL_ANGLE_NONE,
		                         b[2] & 2 ? -15 : TRAMMEL_ANGLE_NONE));
		break;
	case 3:
		count(w, trammel_send_sample(s, w->now_us, b[3] % 8, (int32_t)b[2] * 257 - 1000));
		break;
	case 4:
		count(w, trammel_send_mark(s, w->now_us, text));
		break;
	default:
		count(w, trammel_send_hello(s, text));
		break;
	}
}

static void carry(struct wire *w, struct trammel_send *s, size_t most)
{
	const uint8_t *out;
	size_t n = trammel_send_poll(s, w->now_us, &out);
	n = n < most ? n : most;
	link_decode(w->decoder, out, n, &w->sink);
	trammel_send_done(s, n);
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t n)
{
	if (n < 1)
		return 0;
	size_t size = TRAMMEL_SEND_BUFFER_MIN + bytes[0];
	uint8_t *buffer = malloc(size);
	struct trammel_send s;
	struct wire w = {.decoder = link_decoder_new(LINK_FRAMES)};
	w.sink = (struct link_sink){.ctx = &w.heard, .record = hear_record, .damage = hear_damage};
	if (buffer == NULL || w.decoder == NULL || trammel_send_init(&s, buffer, size) != TRAMMEL_INIT_OK)
		abort();
	for (size_t i = 1; i + 4 <= n; i += 4) {
		if (bytes[i] & 0x40)
			carry(&w, &s, bytes[i + 1]);
		else
			put(&w, &s, bytes + i);
		if (bytes[i] & 0x80)
			trammel_send_finish(&s);
	}
	for (unsigned i = 0; i < 2000; i++) { /* all that is left goes out; what was dropped is told */
		trammel_send_finish(&s);
		carry(&w, &s, size);
	}
	if (w.heard.records != w.taken || w.heard.lost != w.dropped)
		abort();
	link_decoder_free(w.decoder);
	free(buffer);
	return 0;
}
