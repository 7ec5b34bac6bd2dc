/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/html_bars.h"

#include "analyse/report_words.h"

#include <math.h>

static const double LEFT = 170, RIGHT = 72, WIDTH = 460, STEP = 30, BAR = 18;

struct scale {
	double zero_x, per_share; /* x of nothing, and of a share of the ideal */
};

static struct scale scale_of(const double *share, size_t n)
{
	double low = 0, high = 0;
	for (size_t i = 0; i < n; i++) {
		low = fmin(low, share[i]);
		high = fmax(high, share[i]);
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

static void bars_open(FILE *out, const char *what, enum engine_end end, double height)
{
	fprintf(out, "<svg class=\"own\" role=\"img\" aria-label=\"%s, %s end\" viewBox=\"0 0 %g %g\">\n",
	        what, engine_end_name(end), WIDTH, height);
}

static void bars_close(FILE *out, const struct scale *c, double height)
{
	fprintf(out, "<path d=\"M%.2f 0V%g\" class=\"s-ink\" stroke-width=\"1\"/>\n</svg>\n", c->zero_x,
	        height);
}

void html_bars(FILE *out, const struct stroke_summary *s, enum engine_end end)
{
	double height = 6 + STEP * (LEDGER_LINES + 1), share[LEDGER_LINES + 1] = {s->diagram_factor};
	for (int l = 0; l < LEDGER_LINES; l++)
		share[l + 1] = s->ledger_j[l] / s->ideal_work_j;
	struct scale c = scale_of(share, LEDGER_LINES + 1);
	bars_open(out, "where the work went", end, height);
	bar(out, &c, 0, "measured work", share[0], "blue");
	for (int l = 0; l < LEDGER_LINES; l++)
		bar(out, &c, l + 1, ledger_line_name((enum ledger_line)l), share[l + 1],
		    share[l + 1] < 0 ? "plum" : "amber");
	bars_close(out, &c, height);
}

void html_bars_gains(FILE *out, const struct gains *g, enum engine_end end)
{
	double height = 6 + STEP * GAIN_CAUSES, share[GAIN_CAUSES];
	int n = 0;
	for (; n < GAIN_CAUSES && isfinite(g->gain[g->by_work[n]].work_j); n++)
		share[n] = g->gain[g->by_work[n]].work_j / g->simulated_j;
	struct scale c = scale_of(share, (size_t)n);
	bars_open(out, "what fixing one thing alone would gain", end, height);
	for (int i = 0; i < n; i++)
		bar(out, &c, i, gain_name(g->by_work[i]), share[i], share[i] < 0 ? "plum" : "blue");
	bars_close(out, &c, height);
}
