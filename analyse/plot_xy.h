/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Plots of y against x, drawn by gnuplot, put into a page as inline SVG.
 * All text of a plot is our own: names from logs never go to gnuplot. */
#ifndef TRAMMEL_PLOT_XY_H
#define TRAMMEL_PLOT_XY_H

#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>

enum plot_style { PLOT_LINE, PLOT_DASHED, PLOT_DOTTED, PLOT_DASH_DOT, PLOT_POINTS, PLOT_STEMS };

/* The plots' own colours: apart in brightness as well as in hue, for every kind of colour sight,
 * on white and on dark ground. */
enum plot_colour { PLOT_BLUE, PLOT_AMBER, PLOT_PLUM, PLOT_SLATE, PLOT_COLOURS };
const char *plot_colour_hex(enum plot_colour c); /* "#rrggbb" */

struct plot_series {
	const char *title; /* in the key; NULL = none */
	enum plot_style style;
	enum plot_colour colour;
	bool second_axis;    /* y belongs to the axis on the right */
	const double *x, *y; /* borrowed; NAN in y breaks the line */
	size_t n;
};

struct plot_xy {
	const char *id;                           /* letters and digits, one of a kind on its page */
	const char *x_label, *y_label, *y2_label; /* y2_label NULL = no second axis */
	const char *setting;                      /* further gnuplot settings, whole lines; or NULL */
	const char *what;                         /* what it shows, for those who do not see it */
	unsigned width, height;
	const struct plot_series *series;
	size_t n;
};

/* Writes an <svg> element.  0; or -1 with the reason in `why` and nothing written. */
int plot_xy_svg(const struct plot_xy *p, FILE *out, char *why, size_t why_size);

/* Writes gnuplot's SVG document as an element fit for a page: prolog, title and
 * description dropped, every id made the page's own by `id` in front.  0, or -1 when
 * it is no SVG. */
int plot_svg_inline(const char *svg, const char *id, const char *what, FILE *out);

#endif
