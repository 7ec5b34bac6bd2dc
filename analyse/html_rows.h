/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Rows along one scale, a row for each ride of a group: stretches as bars, or a value with its
 * interval.  Our own SVG: it comes without gnuplot. */
#ifndef TRAMMEL_HTML_ROWS_H
#define TRAMMEL_HTML_ROWS_H

#include "analyse/report_words.h"

#include <stddef.h>
#include <stdio.h>

/* Rides are told apart by letter, A the first, as well as by colour. */
#define HTML_RIDES_MAX 4
const char *html_ride_colour(size_t ride); /* "blue": ends the name of a class of the page's style */

#define HTML_ROW_BARS_MAX 8

struct html_row_entry {
	const char *group; /* in front of its first row; NULL = the group of the row above */
	size_t ride;
	struct {
		double from, to;
	} bar[HTML_ROW_BARS_MAX];
	size_t bars;
	double value, low, high;     /* NAN = none */
	char text[WORDS_NUMBER_MAX]; /* at the row's end */
};

struct html_rows {
	const char *what; /* for those who do not see it */
	const char *axis; /* "crank angle (deg)" */
	double from, to;  /* of the scale */
	double step;      /* between its marks; 0 = a round number */
	const struct html_row_entry *row;
	size_t n;
};

/* Writes an <svg> element.  Texts are our own: none from a log. */
void html_rows_svg(FILE *out, const struct html_rows *p);

#endif
