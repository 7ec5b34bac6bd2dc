/* SPDX-License-Identifier: 0BSD */
/* trammel_print: the same records as text lines (common/LINK.md, part 1), for
 * sketches that have a print statement and nothing else.  One line at a time:
 *
 *	struct trammel_line l;
 *	trammel_event(&l, "tooth", micros(), level);
 *	Serial.write(l.text, l.len);              "tooth,100000,1*58\n"
 *
 * Every line bears its checksum.  Send a hello first after every start and
 * every few seconds.  C99 and C++; no heap, no floating point. */
#ifndef TRAMMEL_PRINT_H
#define TRAMMEL_PRINT_H

#include <stdbool.h>
#include <stdint.h>

#define TRAMMEL_LINE_MAX 96 /* longest line; hello and mark are cut to fit */

struct trammel_line {
	char text[TRAMMEL_LINE_MAX];
	uint8_t len, check;
};

/* The last 4 bytes are kept for the checksum and the end of the line. */
static inline void trammel_char(struct trammel_line *l, char c)
{
	if (l->len >= TRAMMEL_LINE_MAX - 4)
		return;
	l->text[l->len++] = c;
	l->check ^= (uint8_t)c;
}

static inline void trammel_word(struct trammel_line *l, const char *word)
{
	while (*word != '\0')
		trammel_char(l, *word++);
}

static inline void trammel_number(struct trammel_line *l, uint32_t n)
{
	char digit[10];
	uint8_t count = 0;
	trammel_char(l, ',');
	do {
		digit[count++] = (char)('0' + n % 10);
		n /= 10;
	} while (n != 0);
	while (count > 0)
		trammel_char(l, digit[--count]);
}

static inline void trammel_begin(struct trammel_line *l, const char *word)
{
	l->len = l->check = 0;
	trammel_word(l, word);
}

static inline void trammel_end(struct trammel_line *l)
{
	const char *hex = "0123456789ABCDEF";
	uint8_t check = l->check;
	l->text[l->len++] = '*';
	l->text[l->len++] = hex[check >> 4];
	l->text[l->len++] = hex[check & 15];
	l->text[l->len++] = '\n';
}

/* `word`: "tooth", "tooth2" or "index" with its level, or "lost" with how many. */
static inline void trammel_event(struct trammel_line *l, const char *word, uint32_t t_us, uint32_t value)
{
	trammel_begin(l, word);
	trammel_number(l, t_us);
	trammel_number(l, value);
	trammel_end(l);
}

static inline void trammel_valve(struct trammel_line *l, uint32_t t_us, uint8_t valve, bool on)
{
	trammel_begin(l, "valve");
	trammel_number(l, t_us);
	trammel_number(l, valve);
	trammel_number(l, on);
	trammel_end(l);
}

static inline void trammel_sample(struct trammel_line *l, uint32_t t_us, uint8_t channel, uint16_t counts)
{
	trammel_begin(l, "sample");
	trammel_number(l, t_us);
	trammel_number(l, channel);
	trammel_number(l, counts);
	trammel_end(l);
}

/* Who sends: name, then key=value words. */
static inline void trammel_hello(struct trammel_line *l, const char *name)
{
	trammel_begin(l, "hello,1,");
	trammel_word(l, name);
	trammel_end(l);
}

static inline void trammel_mark(struct trammel_line *l, uint32_t t_us, const char *note)
{
	trammel_begin(l, "mark");
	trammel_number(l, t_us);
	trammel_char(l, ',');
	trammel_word(l, note);
	trammel_end(l);
}

#endif
