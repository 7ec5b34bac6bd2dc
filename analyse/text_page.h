/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Plain text for a terminal: wrapped to 80 columns, names made harmless,
 * colour only when asked for. */
#ifndef TRAMMEL_TEXT_PAGE_H
#define TRAMMEL_TEXT_PAGE_H

#include <stdbool.h>
#include <stdio.h>

#define TEXT_PAGE_COLUMNS 80

struct text_page {
	FILE *out;
	bool colour;
};

enum text_tone { TONE_PLAIN, TONE_HEADING, TONE_BAD, TONE_GOOD, TONE_FAINT };

/* A blank line and a heading. */
void text_heading(const struct text_page *p, const char *text);

/* A paragraph: `first` columns before its first line, `rest` before the others. */
void text_para(const struct text_page *p, unsigned first, unsigned rest, enum text_tone tone,
               const char *format, ...) __attribute__((format(printf, 5, 6)));

/* A finished line as it is (tables), harmless text only. */
void text_line(const struct text_page *p, enum text_tone tone, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

#endif
