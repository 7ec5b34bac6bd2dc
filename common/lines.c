/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "common/lines.h"

#include <stdio.h>
#include <string.h>

#define FIELDS_MAX 6 /* the longest kind (valve) has 6 */

/* A line's fields, each terminated. */
struct fields {
	const char *at[FIELDS_MAX];
	size_t count; /* may be larger than FIELDS_MAX: the rest is not kept */
	size_t used;
	char room[LINES_MAX + FIELDS_MAX + 1];
};

/* --- numbers --- */

static bool all_digits(const char *s)
{
	if (*s == '\0')
		return false;
	for (; *s != '\0'; s++)
		if (*s < '0' || *s > '9')
			return false;
	return true;
}

/* Any whole number, modulo 2^32: some sketches print a wider counter. */
static bool read_time(const char *s, uint32_t *t_us)
{
	uint32_t t = 0;
	if (!all_digits(s))
		return false;
	for (; *s != '\0'; s++)
		t = t * 10 + (uint32_t)(*s - '0');
	*t_us = t;
	return true;
}

static bool read_whole(const char *s, int64_t low, int64_t high, int64_t *value)
{
	bool negative = *s == '-';
	int64_t v = 0;
	s += negative || *s == '+';
	if (!all_digits(s))
		return false;
	for (; *s != '\0'; s++) {
		v = v * 10 + (*s - '0');
		if (v > INT64_C(1) << 40)
			return false;
	}
	*value = negative ? -v : v;
	return *value >= low && *value <= high;
}

/* Degrees with any number of decimals, to the nearest 0.1 deg, halves away
 * from zero; an empty field means not sent. */
static bool read_angle(const char *s, int16_t *ddeg)
{
	char digits[LINES_MAX + 1];
	int64_t whole = 0, tenths = 0;
	if (*s == '\0')
		return true;
	bool negative = *s == '-';
	s += negative || *s == '+';
	size_t before = strcspn(s, ".");
	memcpy(digits, s, before);
	digits[before] = '\0';
	const char *decimals = s[before] == '.' ? s + before + 1 : "0";
	if (!all_digits(decimals) || !read_whole(digits, 0, 3276, &whole) || digits[0] == '+')
		return false;
	tenths = whole * 10 + (decimals[0] - '0') + (decimals[1] >= '5');
	if (tenths > INT16_MAX)
		return false;
	*ddeg = (int16_t)(negative ? -tenths : tenths);
	return true;
}

/* --- one line of each kind: NULL, or what is wrong --- */

static const char *read_edge(const struct fields *f, struct record *r)
{
	return read_whole(f->at[2], 0, 1, &r->value) ? NULL : "level is not 0 or 1";
}

static const char *read_valve(const struct fields *f, struct record *r)
{
	int64_t valve;
	if (!read_whole(f->at[2], 0, UINT8_MAX, &valve))
		return "valve number is not a whole number from 0 to 255";
	r->channel = (uint8_t)valve;
	if (!read_whole(f->at[3], 0, 1, &r->value))
		return "valve state is not 0 or 1";
	if (f->count > 4 && !read_angle(f->at[4], &r->intended_ddeg))
		return "intended angle is not a number of degrees within +-3276.7";
	if (f->count > 5 && !read_angle(f->at[5], &r->controller_ddeg))
		return "controller's angle is not a number of degrees within +-3276.7";
	return NULL;
}

static const char *read_sample(const struct fields *f, struct record *r)
{
	int64_t channel;
	if (!read_whole(f->at[2], 0, UINT8_MAX, &channel))
		return "channel is not a whole number from 0 to 255";
	r->channel = (uint8_t)channel;
	return read_whole(f->at[3], INT32_MIN, INT32_MAX, &r->value)
	           ? NULL
	           : "counts are not a whole number of 32 bits";
}

static const char *read_lost(const struct fields *f, struct record *r)
{
	return read_whole(f->at[2], 0, UINT32_MAX, &r->value)
	           ? NULL
	           : "records lost is not a whole number of 32 bits";
}

/* The text of mark and hello runs to the end of the line, commas included. */
static const char *read_text(const char *text, size_t len, struct record *r)
{
	const char *why = link_text_fault(text, len);
	if (why == NULL && len > 0) {
		r->text = text;
		r->text_len = (uint16_t)len;
	}
	return why;
}

/* What follows the word: `timed` kinds have a time in the second field. */
struct line_kind {
	const char *word;
	enum record_kind kind;
	bool timed, text;
	size_t fields_min, fields_max;
	const char *(*read)(const struct fields *f, struct record *r);
};

static const struct line_kind kinds[] = {
    {"tooth", RECORD_TOOTH, true, false, 3, 3, read_edge},
    {"tooth2", RECORD_TOOTH2, true, false, 3, 3, read_edge},
    {"index", RECORD_INDEX, true, false, 3, 3, read_edge},
    {"valve", RECORD_VALVE, true, false, 4, 6, read_valve},
    {"sample", RECORD_SAMPLE, true, false, 4, 4, read_sample},
    {"mark", RECORD_MARK, true, true, 2, 2, NULL},
    {"lost", RECORD_LOST, true, false, 3, 3, read_lost},
    {"hello", RECORD_HELLO, false, true, 2, 2, NULL},
};

/* --- splitting --- */

struct span {
	const char *at;
	size_t len;
};

static bool is_blank(char c)
{
	return c == ' ' || c == '\t';
}

static void trim_end(struct span *s)
{
	while (s->len > 0 && is_blank(s->at[s->len - 1]))
		s->len--;
}

static void trim_start(struct span *s)
{
	for (; s->len > 0 && is_blank(*s->at); s->at++)
		s->len--;
}

static const struct line_kind *kind_of(const struct span *line)
{
	const char *comma = memchr(line->at, ',', line->len);
	struct span word = {line->at, comma == NULL ? line->len : (size_t)(comma - line->at)};
	trim_end(&word);
	for (size_t i = 0; i < sizeof kinds / sizeof kinds[0]; i++)
		if (strlen(kinds[i].word) == word.len && memcmp(kinds[i].word, word.at, word.len) == 0)
			return &kinds[i];
	return NULL;
}

/* A blank and `#` begin a comment.  (Without the blank, a single damaged byte
 * could turn the end of a line into a comment.) */
static void cut_comment(struct span *line)
{
	for (size_t i = 1; i < line->len; i++)
		if (line->at[i] == '#' && is_blank(line->at[i - 1]))
			line->len = i;
	trim_end(line);
}

static int hex_digit(char c)
{
	if (c >= '0' && c <= '9')
		return c - '0';
	if (c >= 'A' && c <= 'F')
		return c - 'A' + 10;
	return c >= 'a' && c <= 'f' ? c - 'a' + 10 : -1;
}

static unsigned xor_of(const char *s, size_t n)
{
	unsigned sum = 0;
	for (size_t i = 0; i < n; i++)
		sum ^= (unsigned char)s[i];
	return sum;
}

/* Takes `*HH` off the end, if it is there.  False: it is there and wrong. */
static bool cut_checksum(struct span *line)
{
	if (line->len < 3 || line->at[line->len - 3] != '*')
		return true;
	int high = hex_digit(line->at[line->len - 2]), low = hex_digit(line->at[line->len - 1]);
	if (high < 0 || low < 0)
		return true;
	line->len -= 3;
	return xor_of(line->at, line->len) == (unsigned)(high << 4 | low);
}

/* libcsv's call for one field; its buffer is used again for the next. */
static void keep_field(void *field, size_t len, void *ctx)
{
	struct fields *f = ctx;
	if (f->count < FIELDS_MAX) {
		char *at = f->room + f->used;
		memcpy(at, field, len);
		at[len] = '\0';
		f->at[f->count] = at;
		f->used += len + 1;
	}
	f->count++;
}

static bool split(struct csv_parser *csv, const struct span *line, struct fields *f)
{
	f->count = f->used = 0;
	return csv_parse(csv, line->at, line->len, keep_field, NULL, f) == line->len &&
	       csv_fini(csv, keep_field, NULL, f) == 0;
}

/* Splits off the text after the second comma, if the kind has one. */
static struct span cut_text(const struct line_kind *kind, struct span *line)
{
	struct span text = {NULL, 0};
	const char *comma = kind->text ? memchr(line->at, ',', line->len) : NULL;
	if (comma != NULL)
		comma = memchr(comma + 1, ',', line->len - (size_t)(comma + 1 - line->at));
	if (comma != NULL) {
		text = (struct span){comma + 1, line->len - (size_t)(comma + 1 - line->at)};
		line->len = (size_t)(comma - line->at);
	}
	return text;
}

static const char *read_second(const struct line_kind *kind, const char *field, struct record *r)
{
	if (kind->timed)
		return read_time(field, &r->t_us) ? NULL : "time is not a whole number of microseconds";
	return read_whole(field, 0, UINT8_MAX, &r->value) ? NULL
	                                                  : "version is not a whole number from 0 to 255";
}

static const char *read_fields(const struct line_kind *kind, const struct fields *f, const struct span *text,
                               struct record *r)
{
	if (f->count < kind->fields_min)
		return "a field is missing";
	if (f->count > kind->fields_max)
		return "too many fields";
	const char *why = read_second(kind, f->at[1], r);
	if (why != NULL)
		return why;
	return kind->text ? read_text(text->at, text->len, r) : kind->read(f, r);
}

static bool has_control(const struct span *line)
{
	for (size_t i = 0; i < line->len; i++)
		if (((unsigned char)line->at[i] < 0x20 && line->at[i] != '\t') || line->at[i] == 0x7f)
			return true;
	return false;
}

/* NULL when `r` is a record, or (its kind 0) the line holds none. */
static const char *read_line(struct lines *l, struct span line, struct record *r)
{
	r->kind = 0;
	if (line.len > 0 && line.at[line.len - 1] == '\r')
		line.len--;
	if (has_control(&line))
		return "control character in the line";
	struct span begin = line; /* blanks before the word count for the checksum */
	trim_start(&begin);
	if (begin.len == 0 || begin.at[0] == '#')
		return NULL;
	const struct line_kind *kind = kind_of(&begin);
	if (kind != NULL && !kind->text)
		cut_comment(&line);
	if (!cut_checksum(&line))
		return "checksum does not match";
	if (kind == NULL)
		return "unknown word at the start of the line";
	struct fields f;
	struct span text = cut_text(kind, &line);
	if (!split(&l->csv, &line, &f))
		return "line cannot be split into fields";
	*r = record_make(kind->kind, 0, 0, 0);
	return read_fields(kind, &f, &text, r);
}

/* --- the stream --- */

int lines_init(struct lines *l)
{
	memset(l, 0, sizeof *l);
	if (csv_init(&l->csv, 0) != 0)
		return -1;
	csv_set_quote(&l->csv, '\0'); /* no quoting: a line never holds a zero byte */
	csv_set_blk_size(&l->csv, LINES_MAX + 1);
	/* The parser's buffer is made now and suffices for good. */
	if (csv_parse(&l->csv, "x", 1, NULL, NULL, NULL) != 1 || csv_fini(&l->csv, NULL, NULL, NULL) != 0) {
		csv_free(&l->csv);
		return -1;
	}
	return 0;
}

void lines_free(struct lines *l)
{
	csv_free(&l->csv);
}

/* The line in `text`, with `ended` bytes of line end behind it. */
static void take_line(struct lines *l, const char *text, size_t len, size_t ended, const struct link_out *out)
{
	struct record r;
	l->number++;
	const char *why = len > LINES_MAX ? "line is too long" : read_line(l, (struct span){text, len}, &r);
	if (why != NULL) {
		link_out_damage(out, &(struct link_damage){l->offset, l->number, len + ended, why});
	} else if (r.kind != 0) {
		out->counts->units++;
		link_out_record(out, &r);
	}
	l->offset += len + ended;
	l->len = 0;
}

/* Keeps a piece of a line that has not ended; beyond LINES_MAX it only counts. */
static void keep_piece(struct lines *l, const uint8_t *bytes, size_t n)
{
	if (l->len < LINES_MAX) {
		size_t room = LINES_MAX - l->len;
		memcpy(l->line + l->len, bytes, n < room ? n : room);
	}
	l->len += n;
}

void lines_decode(struct lines *l, const uint8_t *bytes, size_t n, const struct link_out *out)
{
	while (n > 0) {
		const uint8_t *end = memchr(bytes, '\n', n);
		if (end == NULL) {
			keep_piece(l, bytes, n);
			return;
		}
		size_t len = (size_t)(end - bytes);
		if (l->len == 0) {
			take_line(l, (const char *)bytes, len, 1, out);
		} else {
			keep_piece(l, bytes, len);
			take_line(l, l->line, l->len, 1, out);
		}
		bytes += len + 1;
		n -= len + 1;
	}
}

void lines_decode_end(struct lines *l, const struct link_out *out)
{
	if (l->len > 0)
		take_line(l, l->line, l->len, 0, out);
}

void lines_reset(struct lines *l)
{
	l->offset += l->len;
	l->len = 0;
}

/* --- encoding --- */

/* ",12.5", "," for an angle that is not sent. */
static size_t put_angle(char *s, size_t size, int16_t ddeg)
{
	if (ddeg == RECORD_ANGLE_NONE)
		return (size_t)snprintf(s, size, ",");
	int a = ddeg < 0 ? -ddeg : ddeg;
	return (size_t)snprintf(s, size, ",%s%d.%d", ddeg < 0 ? "-" : "", a / 10, a % 10);
}

static size_t put_valve(char *s, size_t size, const struct record *r)
{
	size_t n = (size_t)snprintf(s, size, "valve,%u,%u,%d", r->t_us, r->channel, (int)r->value);
	if (r->intended_ddeg != RECORD_ANGLE_NONE || r->controller_ddeg != RECORD_ANGLE_NONE)
		n += put_angle(s + n, size - n, r->intended_ddeg);
	if (r->controller_ddeg != RECORD_ANGLE_NONE)
		n += put_angle(s + n, size - n, r->controller_ddeg);
	return n;
}

static size_t put_text(char *s, size_t size, const char *word, uint32_t number, const struct record *r)
{
	size_t n = (size_t)snprintf(s, size, "%s,%u", word, number);
	if (r->text_len == 0)
		return n;
	s[n] = ',';
	memcpy(s + n + 1, r->text, r->text_len);
	return n + 1 + r->text_len;
}

static size_t put_record(char *s, size_t size, const struct record *r)
{
	const char *word = record_kind_name(r->kind);
	switch (r->kind) {
	case RECORD_VALVE:
		return put_valve(s, size, r);
	case RECORD_SAMPLE:
		return (size_t)snprintf(s, size, "%s,%u,%u,%lld", word, r->t_us, r->channel,
		                        (long long)r->value);
	case RECORD_MARK:
		return put_text(s, size, word, r->t_us, r);
	case RECORD_HELLO:
		return put_text(s, size, word, (uint32_t)r->value, r);
	default:
		return (size_t)snprintf(s, size, "%s,%u,%lld", word, r->t_us, (long long)r->value);
	}
}

size_t lines_encode(const struct record *r, uint8_t out[LINK_ENCODE_MAX])
{
	char *s = (char *)out;
	size_t n = put_record(s, LINK_ENCODE_MAX, r);
	return n + (size_t)snprintf(s + n, LINK_ENCODE_MAX - n, "*%02X\n", xor_of(s, n));
}
