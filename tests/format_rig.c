/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/format_rig.h"

#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

uint64_t rig_random(uint64_t *state)
{
	uint64_t x = *state;
	x ^= x >> 12;
	x ^= x << 25;
	x ^= x >> 27;
	*state = x;
	return x * UINT64_C(2685821657736338717);
}

uint64_t rig_below(uint64_t *state, uint64_t limit)
{
	return (rig_random(state) >> 11) % limit;
}

bool rig_full(void)
{
	const char *full = getenv("TRAMMEL_FULL");
	return full != NULL && strcmp(full, "1") == 0;
}

/* --- records --- */

static const char *const texts[] = {
    "",
    "hill",
    "a,b, c",
    "*4F",
    " blanks ",
    "# no comment",
    "kurze Stra\xc3\x9f"
    "e",
    "\"quoted\"",
    "x*58",
    "Number 7 tick_us=4",
    "\xf0\x9f\x9a\x82",
    ",",
    "0123456789012345678901234567890123456789012345678901234567890123456789"
    "01234567890123456789012345678901234567890123456789",
};
#define TEXTS (sizeof texts / sizeof *texts)

static int64_t any_value(uint64_t *state, int64_t low, int64_t high)
{
	switch (rig_below(state, 4)) {
	case 0:
		return low;
	case 1:
		return high;
	case 2:
		return low < 0 ? (int64_t)rig_below(state, 100) - 50 : (int64_t)rig_below(state, 100);
	default:
		return (int64_t)((uint64_t)low + rig_random(state) % ((uint64_t)high - (uint64_t)low));
	}
}

static void any_text(uint64_t *state, struct record *r)
{
	const char *t = texts[rig_below(state, TEXTS)];
	r->text_len = (uint16_t)strlen(t);
	r->text = r->text_len > 0 ? t : NULL;
}

static int16_t any_angle(uint64_t *state)
{
	if (rig_below(state, 3) == 0)
		return RECORD_ANGLE_NONE;
	return (int16_t)any_value(state, -INT16_MAX, INT16_MAX);
}

static uint32_t any_time(uint64_t *state)
{
	static const uint32_t edge[] = {0, 1, UINT32_MAX, 0x80000000, 0x7fffffff};
	uint64_t pick = rig_below(state, 10);
	return pick < 5 ? edge[pick] : (uint32_t)rig_random(state);
}

/* One number after the other: C leaves the order of arguments open, and a seed is to mean the same
 * records with any compiler. */
static struct record linkable(uint64_t *state)
{
	uint32_t t_us = any_time(state);
	struct record r = record_make((enum record_kind)(1 + rig_below(state, RECORD_HELLO)), t_us, 0, 0);
	switch (r.kind) {
	case RECORD_VALVE:
		r.channel = (uint8_t)rig_random(state);
		r.value = (int64_t)rig_below(state, 2);
		r.intended_ddeg = any_angle(state);
		r.controller_ddeg = any_angle(state);
		break;
	case RECORD_SAMPLE:
		r.channel = (uint8_t)(rig_below(state, 2) ? rig_below(state, 18) : rig_random(state));
		r.value = any_value(state, INT32_MIN, INT32_MAX);
		break;
	case RECORD_MARK:
		any_text(state, &r);
		break;
	case RECORD_LOST:
		r.value = any_value(state, 0, UINT32_MAX);
		break;
	case RECORD_HELLO:
		r.t_us = 0;
		r.value = (int64_t)rig_below(state, 256);
		any_text(state, &r);
		break;
	default:
		r.value = (int64_t)rig_below(state, 2);
	}
	return r;
}

struct record rig_record(uint64_t *state, bool for_link)
{
	if (for_link || rig_below(state, 2) == 0)
		return linkable(state);
	int64_t value = any_value(state, INT64_MIN, INT64_MAX);
	unsigned channel = (unsigned)rig_below(state, 256);
	uint32_t t_us = any_time(state);
	struct record r = record_make((enum record_kind)(1 + rig_below(state, 15)), t_us, channel, value);
	if (rig_below(state, 2))
		any_text(state, &r);
	if (rig_below(state, 2))
		r.intended_ddeg = any_angle(state);
	return r;
}

/* Near enough to normal: the sum of twelve. */
static double normal(uint64_t *state)
{
	double sum = -6;
	for (int i = 0; i < 12; i++)
		sum += (double)(rig_random(state) >> 11) * 0x1p-53;
	return sum;
}

/* Time of the next tooth edge of a crank whose speed sways by a fifth. */
static double next_edge(double t_us, unsigned edge)
{
	return t_us + 1e6 / (150 * (1 + 0.2 * sin(edge * 6.283185307 / 72)));
}

static size_t edge_and_what_goes_with_it(struct record *r, size_t room, double t_us, unsigned edge)
{
	struct record made[3] = {record_make(RECORD_TOOTH, (uint32_t)(int64_t)t_us, 0, edge & 1)};
	size_t n = 1;
	if (edge % 72 < 2)
		made[n++] = record_make(RECORD_INDEX, made[0].t_us + 30, 0, edge % 72 == 0);
	if (edge % 9 == 0) {
		made[n] = record_make(RECORD_VALVE, made[0].t_us + 40, edge / 9 % 4, edge / 36 % 2);
		made[n].intended_ddeg = (int16_t)(edge % 72 * 50);
		made[n].controller_ddeg = (int16_t)(edge % 72 * 50 + 7);
		n++;
	}
	n = n < room ? n : room;
	memcpy(r, made, n * sizeof *r);
	return n;
}

void rig_ride(uint64_t *state, struct record *r, size_t n)
{
	double edge_at = 5000;
	unsigned edge = 0;
	for (size_t i = 0, sample = 0; i < n;) {
		double t_us = (double)(sample / 4) * 1000 + (double)(sample % 4) * 100 + 3 * normal(state);
		if (edge_at < t_us) {
			i += edge_and_what_goes_with_it(r + i, n - i, edge_at, edge++);
			edge_at = next_edge(edge_at, edge);
			continue;
		}
		double counts = 400 + 50 * (double)(sample % 4) + 5 * normal(state);
		r[i++] = record_make(RECORD_SAMPLE, (uint32_t)(int64_t)t_us, sample % 4, (int64_t)counts);
		sample++;
	}
}

/* --- capture --- */

static void keep_record(void *ctx, const struct record *r)
{
	struct rig_capture *c = ctx;
	ck_assert_uint_lt(c->n, RIG_CAPTURE_MAX);
	c->record[c->n] = *r;
	if (r->text_len > 0) {
		ck_assert_uint_le(r->text_len, RECORD_TEXT_MAX);
		memcpy(c->text[c->n], r->text, r->text_len);
		c->record[c->n].text = c->text[c->n];
	}
	c->n++;
}

static void keep_damage(void *ctx, const struct link_damage *d)
{
	struct rig_capture *c = ctx;
	c->damage = *d;
	c->damages++;
	c->damaged_bytes += d->bytes;
}

static void keep_lost(void *ctx, unsigned frames)
{
	((struct rig_capture *)ctx)->frames_lost += frames;
}

struct link_sink rig_sink(struct rig_capture *c)
{
	return (struct link_sink){c, keep_record, keep_damage, keep_lost};
}

static unsigned kind_named(const char *name)
{
	unsigned k = RECORD_TOOTH;
	while (k < RECORD_KIND_END && strcmp(name, record_kind_name(k)) != 0)
		k++;
	ck_assert_msg(k < RECORD_KIND_END, "unknown kind %s", name);
	return k;
}

static int16_t angle_named(const char *word)
{
	return strcmp(word, "-") == 0 ? (int16_t)RECORD_ANGLE_NONE : (int16_t)atoi(word);
}

void rig_capture_words(struct rig_capture *c, const char *line)
{
	char kind[16], intended[16], controller[16];
	unsigned t_us, channel;
	long long value;
	int used = 0;
	ck_assert_int_eq(sscanf(line, "%15s %u %u %lld %15s %15s%n", kind, &t_us, &channel, &value, intended,
	                        controller, &used),
	                 6);
	struct record r = record_make((enum record_kind)kind_named(kind), t_us, channel, value);
	r.intended_ddeg = angle_named(intended);
	r.controller_ddeg = angle_named(controller);
	const char *text = line + used + (line[used] == ' ');
	r.text_len = (uint16_t)strlen(text);
	r.text = text;
	keep_record(c, &r);
}

int rig_differs(const struct rig_capture *a, const struct rig_capture *b)
{
	for (size_t i = 0; i < a->n && i < b->n; i++)
		if (!record_equal(&a->record[i], &b->record[i]))
			return (int)i;
	return a->n == b->n ? -1 : (int)(a->n < b->n ? a->n : b->n);
}

/* --- segment files --- */

static void append(struct rig_file *f, const uint8_t *block, size_t len, uint64_t first, size_t records)
{
	f->bytes = realloc(f->bytes, f->len + len);
	f->block = realloc(f->block, (f->blocks + 1) * sizeof *f->block);
	ck_assert(f->bytes != NULL && f->block != NULL);
	memcpy(f->bytes + f->len, block, len);
	f->block[f->blocks++] = (struct rig_block){f->len, len, first, records};
	f->len += len;
}

/* Takes what is there; block times rise by 1 ms a block. */
static void take_all(struct segment_writer *w, struct rig_file *f, const struct segment_facts *facts)
{
	uint8_t block[SEGMENT_BLOCK_MAX];
	size_t len, pending = segment_writer_pending(w);
	while ((len = segment_writer_take(w, (int64_t)(f->blocks + 1) * 1000, block)) > 0) {
		size_t records = pending - segment_writer_pending(w);
		uint64_t after = facts->first_record + segment_writer_records(w);
		append(f, block, len, after - pending, records);
		pending -= records;
	}
}

struct rig_file rig_file_make(const struct segment_facts *facts, const struct record *r, size_t n,
                              size_t flush_every)
{
	struct rig_file f = {0};
	struct segment_writer *w = segment_writer_new();
	ck_assert_ptr_nonnull(w);
	segment_writer_start(w, facts);
	for (size_t i = 0; i < n;) {
		bool full = flush_every != 0 && segment_writer_pending(w) >= flush_every;
		if (!full && segment_writer_add(w, &r[i]))
			i++;
		else
			take_all(w, &f, facts);
	}
	take_all(w, &f, facts);
	uint8_t block[SEGMENT_BLOCK_MAX];
	size_t len = segment_writer_close(w, (int64_t)(f.blocks + 1) * 1000, block);
	append(&f, block, len, facts->first_record + n, 0);
	segment_writer_free(w);
	return f;
}

void rig_file_free(struct rig_file *f)
{
	free(f->bytes);
	free(f->block);
	*f = (struct rig_file){0};
}

/* --- documents --- */

char *rig_slurp(const char *path)
{
	FILE *in = fopen(path, "rb");
	ck_assert_msg(in != NULL, "%s: run the tests from the top of the tree", path);
	size_t size = 1 << 20;
	char *text = malloc(size);
	ck_assert_ptr_nonnull(text);
	size_t n = fread(text, 1, size - 1, in);
	text[n] = '\0';
	fclose(in);
	return text;
}

bool rig_fence(const char **at, const char *name, char *arg, size_t arg_size, char *out, size_t out_size)
{
	char mark[32];
	snprintf(mark, sizeof mark, "\n```%s", name);
	const char *open = strstr(*at, mark);
	if (open == NULL)
		return false;
	const char *head = open + strlen(mark), *body = strchr(head, '\n') + 1;
	const char *end = strstr(body, "\n```");
	ck_assert_ptr_nonnull(end);
	snprintf(arg, arg_size, "%.*s", (int)(body - 1 - head), head);
	ck_assert_uint_lt((size_t)(end + 1 - body), out_size);
	snprintf(out, out_size, "%.*s", (int)(end + 1 - body), body);
	*at = end;
	return true;
}

size_t rig_hex(const char *text, uint8_t *bytes, size_t size)
{
	size_t n = 0;
	unsigned value;
	for (int used; sscanf(text, " %2x%n", &value, &used) == 1; text += used) {
		ck_assert_uint_lt(n, size);
		bytes[n++] = (uint8_t)value;
	}
	return n;
}
