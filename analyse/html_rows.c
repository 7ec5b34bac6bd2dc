/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/html_rows.h"

#include <math.h>

static const double WIDTH = 460, LEFT = 138, RIGHT = 80, STEP = 18, BETWEEN = 8, FOOT = 44;

const char *html_ride_colour(size_t ride)
{
	static const char *const COLOUR[HTML_RIDES_MAX] = {"blue", "amber", "plum", "slate"};
	return COLOUR[ride];
}

static double x_of(const struct html_rows *p, double value)
{
	return LEFT + (value - p->from) / (p->to - p->from) * (WIDTH - LEFT - RIGHT);
}

static double height_of(const struct html_rows *p)
{
	double y = FOOT;
	for (size_t i = 0; i < p->n; i++)
		y += STEP + (p->row[i].group != NULL ? BETWEEN : 0);
	return y;
}

/* 1, 2 or 5 times a power of ten; about five marks. */
static double round_step(double span)
{
	double rough = span / 5, power = pow(10, floor(log10(rough))), part = rough / power;
	return power * (part < 1.5 ? 1 : part < 3.5 ? 2 : part < 7.5 ? 5 : 10);
}

static void scale(FILE *out, const struct html_rows *p, double foot)
{
	double step = p->step > 0 ? p->step : round_step(p->to - p->from);
	long first = lround(ceil(p->from / step - 1e-9)), last = lround(floor(p->to / step + 1e-9));
	char number[WORDS_CELL_MAX];
	for (long i = first; i <= last; i++) {
		double x = x_of(p, (double)i * step);
		fprintf(out,
		        "<path d=\"M%.2f 4V%g\" class=\"%s\" stroke-width=\"1\"/><text x=\"%.2f\" y=\"%g\" "
		        "text-anchor=\"middle\">%s</text>\n",
		        x, foot, i == 0 ? "s-ink" : "s-rule", x, foot + 16,
		        words_cell(number, (double)i * step, step < 1 ? 1 : 0));
	}
	fprintf(out, "<text x=\"%g\" y=\"%g\" text-anchor=\"middle\">%s</text>\n", (LEFT + WIDTH - RIGHT) / 2,
	        foot + 34, p->axis);
}

static void entry(FILE *out, const struct html_rows *p, const struct html_row_entry *e, double y)
{
	const char *colour = html_ride_colour(e->ride);
	if (e->group != NULL)
		fprintf(out, "<text x=\"%g\" y=\"%g\" text-anchor=\"end\">%s</text>", LEFT - 26, y + 13,
		        e->group);
	fprintf(out, "<text x=\"%g\" y=\"%g\" text-anchor=\"middle\">%c</text>", LEFT - 14, y + 13,
	        (char)('A' + e->ride));
	for (size_t i = 0; i < e->bars; i++)
		fprintf(out, "<rect x=\"%.2f\" y=\"%g\" width=\"%.2f\" height=\"12\" class=\"f-%s\"/>",
		        x_of(p, e->bar[i].from), y + 3,
		        fmax(x_of(p, e->bar[i].to) - x_of(p, e->bar[i].from), 0.5), colour);
	if (isfinite(e->low) && isfinite(e->high))
		fprintf(out, "<path d=\"M%.2f %gH%.2f\" class=\"s-%s\" stroke-width=\"3\"/>", x_of(p, e->low),
		        y + 9, x_of(p, e->high), colour);
	if (isfinite(e->value))
		fprintf(out, "<circle cx=\"%.2f\" cy=\"%g\" r=\"5\" class=\"f-%s\"/>", x_of(p, e->value),
		        y + 9, colour);
	fprintf(out, "<text x=\"%g\" y=\"%g\" text-anchor=\"end\">%s</text>\n", WIDTH - 2, y + 13, e->text);
}

void html_rows_svg(FILE *out, const struct html_rows *p)
{
	double height = height_of(p), y = 0;
	fprintf(out, "<svg class=\"own\" role=\"img\" aria-label=\"%s\" viewBox=\"0 0 %g %g\">\n", p->what,
	        WIDTH, height);
	scale(out, p, height - FOOT + 4);
	for (size_t i = 0; i < p->n; i++) {
		y += p->row[i].group != NULL && i > 0 ? BETWEEN : 0;
		entry(out, p, &p->row[i], y);
		y += STEP;
	}
	fputs("</svg>\n", out);
}
