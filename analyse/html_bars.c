/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/html_bars.h"

#include "analyse/report_words.h"

#include <math.h>

static const double LEFT = 170, RIGHT = 72, WIDTH = 460, STEP = 30, BAR = 18;

struct scale {
	double zero_x, per_share; /* x of nothing, and of a share of the ideal */
};

static struct scale scale_of(const struct stroke_summary *s)
{
	double low = 0, high = fmax(s->diagram_factor, 0);
	for (int l = 0; l < LEDGER_LINES; l++) {
		low = fmin(low, s->ledger_j[l] / s->ideal_work_j);
		high = fmax(high, s->ledger_j[l] / s->ideal_work_j);
	}
	double room = WIDTH - LEFT - RIGHT;
	double per_share = room / fmax(high - low, 1e-9);
	return (struct scale){.zero_x = LEFT - low * per_share, .per_share = per_share};
}

static void bar(FILE *out, const struct scale *c, int row, const char *name, double share, const char *colour)
{
	char percent[WORDS_CELL_MAX];
	double y = 6 + STEP * row, from = c->zero_x, to = c->zero_x + share * c->per_share;
	fprintf(out, "<text x=\"%g\" y=\"%g\" text-anchor=\"end\">%s</text>", LEFT - 14, y + 14, name);
	fprintf(out, "<rect x=\"%.2f\" y=\"%g\" width=\"%.2f\" height=\"%g\" class=\"f-%s\"/>",
	        fmin(from, to), y, fmax(fabs(to - from), 0.5), BAR, colour);
	fprintf(out, "<text x=\"%.2f\" y=\"%g\">%s %%</text>\n", fmax(from, to) + 6, y + 14,
	        words_cell(percent, 100 * share, 1));
}

void html_bars(FILE *out, const struct stroke_summary *s, enum engine_end end)
{
	struct scale c = scale_of(s);
	double height = 6 + STEP * (LEDGER_LINES + 1);
	fprintf(out,
	        "<svg class=\"own\" role=\"img\" aria-label=\"where the work of the %s end went\" "
	        "viewBox=\"0 0 %g "
	        "%g\">\n",
	        engine_end_name(end), WIDTH, height);
	bar(out, &c, 0, "measured work", s->diagram_factor, "blue");
	for (int l = 0; l < LEDGER_LINES; l++) {
		double share = s->ledger_j[l] / s->ideal_work_j;
		bar(out, &c, l + 1, ledger_line_name((enum ledger_line)l), share,
		    share < 0 ? "plum" : "amber");
	}
	fprintf(out, "<path d=\"M%.2f 0V%g\" class=\"s-ink\" stroke-width=\"1\"/>\n</svg>\n", c.zero_x,
	        height);
}
