/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/compare.h"
#include "analyse/report_words.h"
#include "analyse/text_page.h"
#include "common/unit.h"

#include <math.h>

static void ride_line(const struct text_page *p, const char *which, const struct report *r)
{
	char turns[WORDS_NUMBER_MAX], speed[WORDS_NUMBER_MAX], supply[WORDS_NUMBER_MAX];
	text_para(
	    p, 0, 8, TONE_PLAIN, "%-7s %s: %s, speed %s, supply %s (medians)", which, r->file,
	    words_number(turns, r->revolutions, 0, "turns"),
	    words_number(speed, r->speed_rpm.median, 0, "rpm"),
	    words_number(supply, unit_bar_gauge(r->supply_pa.median, r->engine.ambient_pa), 2, "bar gauge"));
}

static enum text_tone tone_of(enum compare_verdict v)
{
	if (v == COMPARE_BETTER)
		return TONE_GOOD;
	return v == COMPARE_WORSE ? TONE_BAD : v == COMPARE_DIFFERENT ? TONE_PLAIN : TONE_FAINT;
}

static void row_line(const struct text_page *p, const struct compare_row *r)
{
	char a[WORDS_CELL_MAX], b[WORDS_CELL_MAX], d[WORDS_CELL_MAX], h[WORDS_CELL_MAX], what[100];
	snprintf(what, sizeof what, "%s%s%s%s", r->what, r->unit[0] != '\0' ? " (" : "", r->unit,
	         r->unit[0] != '\0' ? ")" : "");
	words_cell(d, r->difference, r->decimals);
	text_line(p, tone_of(r->verdict), "%-33s%8s%8s%8s%7s  %s", what,
	          words_cell(a, r->before, r->decimals), words_cell(b, r->after, r->decimals), d,
	          words_cell(h, r->half_width, r->decimals),
	          r->verdict == COMPARE_NO_DIFFERENCE ? "none shown" : compare_verdict_name(r->verdict));
}

int compare_text(const struct comparison *c, const struct report *before, const struct report *after,
                 FILE *out, bool colour)
{
	const struct text_page p = {.out = out, .colour = colour};
	ride_line(&p, "before:", before);
	ride_line(&p, "after:", after);
	if (c->n == 0)
		text_para(&p, 0, 0, TONE_FAINT, "Nothing is known in both rides that could be compared.");
	if (c->n > 0)
		text_line(&p, TONE_HEADING, "\n%-33s%8s%8s%8s%7s  %s", "", "before", "after", "change", "+/-",
		          "difference");
	for (size_t i = 0; i < c->n; i++)
		row_line(&p, &c->row[i]);
	if (c->n > 0)
		text_para(&p, 0, 0, TONE_FAINT, "%s", compare_explanation());
	for (size_t i = 0; i < c->notes.n; i++)
		text_para(&p, 0, 2, TONE_PLAIN, "- %s", c->notes.line[i]);
	return ferror(out) ? -1 : 0;
}
