/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Text from outside: is it UTF-8 that a terminal and a report can show? */
#ifndef TRAMMEL_UTF8_H
#define TRAMMEL_UTF8_H

#include <stddef.h>

/* Index of the first byte that is not well-formed UTF-8 (Unicode 15, table
 * 3-7: no overlong forms, no surrogates, at most U+10FFFF) or that begins a
 * control character (U+0000 to U+001F, U+007F to U+009F); n when all is well. */
size_t utf8_check(const char *text, size_t n);

#endif
