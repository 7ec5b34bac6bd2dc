/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/text_page.h"

#include "analyse/escape.h"

#include <stdarg.h>
#include <string.h>

#define PARA_MAX 1600

static const char *tone_code(enum text_tone tone)
{
	static const char *const CODE[] = {
	    [TONE_PLAIN] = "",        [TONE_HEADING] = "\x1b[1m", [TONE_BAD] = "\x1b[1;33m",
	    [TONE_GOOD] = "\x1b[36m", [TONE_FAINT] = "\x1b[2m",
	};
	return CODE[tone];
}

static void start_tone(const struct text_page *p, enum text_tone tone)
{
	if (p->colour)
		fputs(tone_code(tone), p->out);
}

static void end_tone(const struct text_page *p, enum text_tone tone)
{
	if (p->colour && tone != TONE_PLAIN)
		fputs("\x1b[0m", p->out);
}

/* Bytes of the next line: as many whole words as fit, at least one. */
static size_t line_bytes(const char *text, size_t columns)
{
	size_t best = 0;
	for (size_t i = 0;; i++) {
		if (text[i] != ' ' && text[i] != '\0')
			continue;
		if (best > 0 && escape_columns(text, i) > columns)
			return best;
		best = i;
		if (text[i] == '\0')
			return best;
	}
}

void text_para(const struct text_page *p, unsigned first, unsigned rest, enum text_tone tone,
               const char *format, ...)
{
	char raw[PARA_MAX], text[PARA_MAX];
	va_list args;
	va_start(args, format);
	vsnprintf(raw, sizeof raw, format, args);
	va_end(args);
	const char *at = escape_plain(text, sizeof text, raw);
	unsigned indent = first;
	do {
		size_t n = line_bytes(at, TEXT_PAGE_COLUMNS - indent);
		fprintf(p->out, "%*s", (int)indent, "");
		start_tone(p, tone);
		fwrite(at, 1, n, p->out);
		end_tone(p, tone);
		fputc('\n', p->out);
		at += n;
		at += strspn(at, " ");
		indent = rest;
	} while (*at != '\0');
}

void text_heading(const struct text_page *p, const char *text)
{
	fputc('\n', p->out);
	text_line(p, TONE_HEADING, "%s", text);
}

void text_line(const struct text_page *p, enum text_tone tone, const char *format, ...)
{
	va_list args;
	start_tone(p, tone);
	va_start(args, format);
	vfprintf(p->out, format, args);
	va_end(args);
	end_tone(p, tone);
	fputc('\n', p->out);
}
