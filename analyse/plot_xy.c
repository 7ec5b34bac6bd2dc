/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/plot_xy.h"

#include "analyse/escape.h"
#include "analyse/plot_child.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define GNUPLOT_MS 20000

const char *plot_colour_hex(enum plot_colour c)
{
	static const char *const HEX[PLOT_COLOURS] = {
	    [PLOT_BLUE] = "#1f78c8",
	    [PLOT_AMBER] = "#e08a00",
	    [PLOT_PLUM] = "#a0459b",
	    [PLOT_SLATE] = "#7d8791",
	};
	return HEX[c];
}

static void write_data(FILE *f, const struct plot_series *s, size_t k)
{
	fprintf(f, "$d%zu << END\n", k);
	for (size_t i = 0; i < s->n; i++) {
		if (isfinite(s->y[i]) && isfinite(s->x[i]))
			fprintf(f, "%.6g %.6g\n", s->x[i], s->y[i]);
		else
			fputc('\n', f); /* breaks the line */
	}
	fputs("END\n", f);
}

static void write_style(FILE *f, const struct plot_series *s)
{
	/* A shape for each colour: the series can be told apart without colour. */
	static const int SHAPE[PLOT_COLOURS] = {7, 9, 5, 13};
	const char *hex = plot_colour_hex(s->colour);
	switch (s->style) {
	case PLOT_LINE:
		fprintf(f, "with lines lw 2 lc rgb \"%s\"", hex);
		break;
	case PLOT_DASHED:
		fprintf(f, "with lines lw 2 dt (8,5) lc rgb \"%s\"", hex);
		break;
	case PLOT_DOTTED:
		fprintf(f, "with lines lw 2 dt (2,4) lc rgb \"%s\"", hex);
		break;
	case PLOT_DASH_DOT:
		fprintf(f, "with lines lw 2 dt (9,4,2,4) lc rgb \"%s\"", hex);
		break;
	case PLOT_POINTS:
		fprintf(f, "with points pt %d ps 0.45 lc rgb \"%s\"", SHAPE[s->colour], hex);
		break;
	case PLOT_STEMS:
		fprintf(f, "with impulses lw 4 lc rgb \"%s\"", hex);
		break;
	}
}

static void write_program(FILE *f, const struct plot_xy *p)
{
	fprintf(f, "set terminal svg size %u,%u dynamic font \"sans-serif,13\" name \"%s\"\n", p->width,
	        p->height, p->id);
	fputs("set encoding utf8\nset border 3 lw 0.6\nset grid lw 0.5\nset tics nomirror\n"
	      "set key above left reverse Left samplen 1.5 width -1\nset lmargin 8\n",
	      f);
	fprintf(f, "set xlabel \"%s\"\nset ylabel \"%s\"\n", p->x_label, p->y_label);
	if (p->y2_label != NULL)
		fprintf(f, "set y2label \"%s\"\nset y2tics\nset border 11\n", p->y2_label);
	if (p->setting != NULL)
		fputs(p->setting, f);
	for (size_t k = 0; k < p->n; k++)
		write_data(f, &p->series[k], k);
	for (size_t k = 0; k < p->n; k++) {
		const struct plot_series *s = &p->series[k];
		fprintf(f, "%s $d%zu using 1:2 axes x1y%d ", k == 0 ? "plot" : ",", k,
		        s->second_axis ? 2 : 1);
		write_style(f, s);
		if (s->title != NULL)
			fprintf(f, " title \"%s\"", s->title);
		else
			fputs(" notitle", f);
	}
	fputc('\n', f);
}

/* --- gnuplot's document to an element of the page ------------------------ */

/* Places where an id is set or used. */
static const char *const ID_MARKS[] = {" id='", " id=\"", "href='#", "href=\"#", "url(#"};

static size_t id_mark(const char *at)
{
	for (size_t i = 0; i < sizeof ID_MARKS / sizeof *ID_MARKS; i++)
		if (strncmp(at, ID_MARKS[i], strlen(ID_MARKS[i])) == 0)
			return strlen(ID_MARKS[i]);
	return 0;
}

int plot_svg_inline(const char *svg, const char *id, const char *what, FILE *out)
{
	char safe[600];
	const char *box = strstr(svg, "viewBox=\""), *body = strstr(svg, "<g id=\"gnuplot_canvas\">");
	const char *end = strstr(svg, "</svg>");
	if (box == NULL || body == NULL || end == NULL || body > end)
		return -1;
	int box_n = (int)strcspn(box + 9, "\"");
	fprintf(out, "<svg class=\"plot\" role=\"img\" aria-label=\"%s\" viewBox=\"%.*s\">",
	        escape_html(safe, sizeof safe, what), box_n, box + 9);
	for (const char *at = body; at < end;) {
		size_t n = id_mark(at);
		if (n == 0) {
			fputc(*at++, out);
			continue;
		}
		fprintf(out, "%.*s%s", (int)n, at, id);
		at += n;
	}
	fputs("</svg>\n", out);
	return 0;
}

int plot_xy_svg(const struct plot_xy *p, FILE *out, char *why, size_t why_size)
{
	char *program = NULL, *svg = NULL;
	size_t program_n = 0, svg_n = 0;
	FILE *f = open_memstream(&program, &program_n);
	if (f == NULL) {
		snprintf(why, why_size, "out of memory");
		return -1;
	}
	write_program(f, p);
	int status = fclose(f) == 0 ? 0 : -1;
	if (status != 0)
		snprintf(why, why_size, "out of memory");
	else
		status =
		    plot_child_run("gnuplot", GNUPLOT_MS, program, program_n, &svg, &svg_n, why, why_size);
	if (status == 0 && plot_svg_inline(svg, p->id, p->what, out) != 0) {
		snprintf(why, why_size, "gnuplot gave no SVG picture");
		status = -1;
	}
	free(program);
	free(svg);
	return status;
}
