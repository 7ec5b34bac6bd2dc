/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Pieces of a self-contained page: no script, nothing fetched, light and dark, print. */
#ifndef TRAMMEL_HTML_PAGE_H
#define TRAMMEL_HTML_PAGE_H

#include "analyse/report.h"

/* Head with style, up to the opening of <main>. */
void html_open(FILE *out, const char *title);
void html_close(FILE *out);

/* Formatted text, escaped; "+/-" is written as the sign. */
void html_text(FILE *out, const char *format, ...) __attribute__((format(printf, 2, 3)));

/* <tag class="...">text</tag>; `class_name` may be NULL. */
void html_element(FILE *out, const char *tag, const char *class_name, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

/* A table; heading cells separated by '|'. */
void html_table_open(FILE *out, const char *heading);
/* A row: cells separated by '|', escaped. */
void html_row(FILE *out, const char *format, ...) __attribute__((format(printf, 2, 3)));
/* The same with a class of its own. */
void html_row_of(FILE *out, const char *class_name, const char *format, ...)
    __attribute__((format(printf, 3, 4)));
void html_table_close(FILE *out);

/* Heading and list; nothing when there are no lines. */
void html_lines(FILE *out, const char *heading, const char *class_name, const struct report_lines *l);

/* The caution that ends every page. */
void html_caution(FILE *out);

#endif
