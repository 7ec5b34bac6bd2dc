/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A figure of a page: heading, picture, caption, and its numbers as a table for readers who do not
 * see it.  Call in this order. */
#ifndef TRAMMEL_HTML_FIGURE_H
#define TRAMMEL_HTML_FIGURE_H

#include "analyse/plot_xy.h"

void html_figure_open(FILE *out, const char *heading);
/* gnuplot's picture, or in its place why there is none. */
void html_figure_plot(FILE *out, const struct plot_xy *p);
void html_figure_caption(FILE *out, const char *text);
/* Opens the table: heading cells separated by '|'; rows by html_row(). */
void html_figure_numbers(FILE *out, const char *heading);
/* Closes table and figure. */
void html_figure_close(FILE *out);

#endif
