/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Text from files and links, made harmless for the place it goes to.  Names
 * and marks are anybody's bytes: nothing of them reaches a terminal or a page raw. */
#ifndef TRAMMEL_ESCAPE_H
#define TRAMMEL_ESCAPE_H

#include <stddef.h>

/* Copies into `out` (always terminated, cut at a character's border to fit): bytes that are no
 * UTF-8, control characters (C0, DEL, C1) and the characters that turn the direction
 * of writing become '?'.  Returns out. */
char *escape_plain(char *out, size_t size, const char *text);

/* The same, and & < > " ' as character references: for HTML text and attributes. */
char *escape_html(char *out, size_t size, const char *text);

/* Columns that plain text takes: its number of characters. */
size_t escape_columns(const char *text, size_t bytes);

#endif
