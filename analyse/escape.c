/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/escape.h"

#include <stdbool.h>
#include <stdint.h>
#include <string.h>

/* Length of the UTF-8 character at s and its code; 0 when it is none (RFC 3629:
 * shortest form, no surrogates, at most U+10FFFF). */
static size_t character(const unsigned char *s, uint32_t *code)
{
	static const uint32_t LEAST[] = {0, 0, 0x80, 0x800, 0x10000};
	size_t len = s[0] < 0x80 ? 1 : s[0] >> 5 == 6 ? 2 : s[0] >> 4 == 14 ? 3 : s[0] >> 3 == 30 ? 4 : 0;
	if (len < 2) {
		*code = s[0];
		return len;
	}
	uint32_t c = s[0] & (0x7fU >> len);
	for (size_t k = 1; k < len; k++) {
		if (s[k] >> 6 != 2)
			return 0;
		c = c << 6 | (s[k] & 0x3fU);
	}
	*code = c;
	bool surrogate = c >= 0xd800 && c <= 0xdfff;
	return c < LEAST[len] || surrogate || c > 0x10ffff ? 0 : len;
}

static bool harmful(uint32_t c)
{
	bool control = c < 0x20 || (c >= 0x7f && c <= 0x9f);
	bool turns = (c >= 0x200e && c <= 0x200f) || (c >= 0x2028 && c <= 0x202e) ||
	             (c >= 0x2066 && c <= 0x2069) || c == 0x61c;
	return control || turns;
}

static const char *reference(uint32_t c)
{
	switch (c) {
	case '&':
		return "&amp;";
	case '<':
		return "&lt;";
	case '>':
		return "&gt;";
	case '"':
		return "&quot;";
	case '\'':
		return "&#39;";
	default:
		return NULL;
	}
}

static char *escape(char *out, size_t size, const char *text, bool html)
{
	size_t at = 0;
	const unsigned char *s = (const unsigned char *)text;
	while (size > 0 && *s != '\0') {
		uint32_t code;
		size_t len = character(s, &code);
		bool bad = len == 0 || harmful(code);
		const char *put = bad                               ? "?"
		                  : html && reference(code) != NULL ? reference(code)
		                                                    : (const char *)s;
		size_t put_len = put == (const char *)s ? len : strlen(put);
		if (at + put_len >= size)
			break;
		memcpy(out + at, put, put_len);
		at += put_len;
		s += len == 0 ? 1 : len;
	}
	if (size > 0)
		out[at] = '\0';
	return out;
}

char *escape_plain(char *out, size_t size, const char *text)
{
	return escape(out, size, text, false);
}

char *escape_html(char *out, size_t size, const char *text)
{
	return escape(out, size, text, true);
}

size_t escape_columns(const char *text, size_t bytes)
{
	size_t columns = 0;
	for (size_t i = 0; i < bytes; i++)
		columns += ((unsigned char)text[i] & 0xc0) != 0x80;
	return columns;
}
