/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "common/utf8.h"

#include <stdint.h>

/* How a character of several bytes begins: bytes in all, and the range of the
 * second byte (Unicode 15, table 3-7).  U+0080 to U+009F are left out. */
struct lead {
	uint8_t first, last, bytes, low, high;
};

static const struct lead leads[] = {
    {0xc2, 0xc2, 2, 0xa0, 0xbf}, {0xc3, 0xdf, 2, 0x80, 0xbf}, {0xe0, 0xe0, 3, 0xa0, 0xbf},
    {0xe1, 0xec, 3, 0x80, 0xbf}, {0xed, 0xed, 3, 0x80, 0x9f}, {0xee, 0xef, 3, 0x80, 0xbf},
    {0xf0, 0xf0, 4, 0x90, 0xbf}, {0xf1, 0xf3, 4, 0x80, 0xbf}, {0xf4, 0xf4, 4, 0x80, 0x8f},
};

static size_t many_bytes(const unsigned char *s, size_t n, const struct lead *lead)
{
	if (n < lead->bytes || s[1] < lead->low || s[1] > lead->high)
		return 0;
	for (size_t i = 2; i < lead->bytes; i++)
		if (s[i] < 0x80 || s[i] > 0xbf)
			return 0;
	return lead->bytes;
}

/* Bytes of the character at s, or 0. */
static size_t character(const unsigned char *s, size_t n)
{
	if (s[0] < 0x80)
		return s[0] >= 0x20 && s[0] != 0x7f;
	for (size_t i = 0; i < sizeof leads / sizeof leads[0]; i++)
		if (s[0] >= leads[i].first && s[0] <= leads[i].last)
			return many_bytes(s, n, &leads[i]);
	return 0;
}

size_t utf8_check(const char *text, size_t n)
{
	const unsigned char *s = (const unsigned char *)text;
	for (size_t at = 0; at < n;) {
		size_t bytes = character(s + at, n - at);
		if (bytes == 0)
			return at;
		at += bytes;
	}
	return n;
}
