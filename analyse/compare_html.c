/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Two rides or more as one page: what got better or worse first, then every number, then pictures. */
#include "analyse/compare.h"
#include "analyse/compare_plots.h"
#include "analyse/html_page.h"
#include "analyse/report_words.h"
#include "common/unit.h"

#include <math.h>

static char letter(size_t ride)
{
	return (char)('A' + ride);
}

static void ride_line(FILE *out, const struct report *r, size_t i)
{
	char turns[WORDS_NUMBER_MAX], speed[WORDS_NUMBER_MAX], supply[WORDS_NUMBER_MAX],
	    start[WORDS_NUMBER_MAX];
	fprintf(out, "<li class=\"b-%s\">", html_ride_colour(i));
	html_element(out, "strong", NULL, "%c%s: %s", letter(i), i == 0 ? ", before" : ", after", r->file);
	html_element(
	    out, "span", "soft", "%s; %.1f s, %s; speed %s, supply %s (medians).",
	    words_start(start, r->start_utc_us), r->duration_s,
	    words_number(turns, r->revolutions, 0, "turns"),
	    words_number(speed, r->speed_rpm.median, 0, "rpm"),
	    words_number(supply, unit_bar_gauge(r->supply_pa.median, r->engine.ambient_pa), 2, "bar gauge"));
	fputs("</li>\n", out);
}

static void header(FILE *out, const struct report *const *ride, size_t n)
{
	const char *name = ride[0]->engine.name;
	html_element(out, "h1", NULL, "%s: did the change help?", name[0] != '\0' ? name : "engine");
	fputs("<ul class=\"rides\">\n", out);
	for (size_t i = 0; i < n; i++)
		ride_line(out, ride[i], i);
	fputs("</ul>\n", out);
}

/* --- what got better or worse ------------------------------------------------ */

static const char *row_class(enum compare_verdict v)
{
	return v == COMPARE_BETTER ? "good" : v == COMPARE_WORSE ? "bad" : "unknown";
}

static void card(FILE *out, const struct compare_row *r)
{
	char before[WORDS_CELL_MAX], after[WORDS_NUMBER_MAX], change[WORDS_NUMBER_MAX];
	fprintf(out, "<li class=\"%s\">", row_class(r->verdict));
	html_element(out, "strong", NULL, "%s", r->what);
	html_element(out, "span", "verdict", "%s", compare_verdict_name(r->verdict));
	html_element(out, "div", NULL, "from %s to %s", words_cell(before, r->before, r->decimals),
	             words_number(after, r->after, r->decimals, r->unit));
	html_element(out, "div", "soft", "change %s",
	             words_measured(change, r->difference, r->half_width, r->decimals, r->unit));
	fputs("</li>\n", out);
}

static void cards(FILE *out, const struct comparison *c, enum compare_verdict v)
{
	for (size_t i = 0; i < c->n; i++)
		if (c->row[i].verdict == v)
			card(out, &c->row[i]);
}

static unsigned count_of(const struct comparison *c, enum compare_verdict v)
{
	unsigned n = 0;
	for (size_t i = 0; i < c->n; i++)
		n += c->row[i].verdict == v;
	return n;
}

static void summary(FILE *out, const struct comparison *c)
{
	if (count_of(c, COMPARE_NO_DIFFERENCE) == c->n) {
		html_element(out, "p", NULL, "No difference shown, in %zu comparisons.", c->n);
		return;
	}
	html_element(out, "p", NULL,
	             "Of %zu comparisons: %u better, %u worse, %u different, %u with no difference shown, %u "
	             "not known.",
	             c->n, count_of(c, COMPARE_BETTER), count_of(c, COMPARE_WORSE),
	             count_of(c, COMPARE_DIFFERENT), count_of(c, COMPARE_NO_DIFFERENCE),
	             count_of(c, COMPARE_NOT_KNOWN));
}

static void table(FILE *out, const struct comparison *c, size_t after)
{
	char a[WORDS_CELL_MAX], b[WORDS_CELL_MAX], d[WORDS_CELL_MAX], h[WORDS_CELL_MAX], heading[64];
	snprintf(heading, sizeof heading, "|A|%c|change|+/-|difference", letter(after));
	html_table_open(out, heading);
	for (size_t i = 0; i < c->n; i++) {
		const struct compare_row *r = &c->row[i];
		html_row_of(out, row_class(r->verdict), "%s%s%s%s|%s|%s|%s|%s|%s", r->what,
		            r->unit[0] != '\0' ? " (" : "", r->unit, r->unit[0] != '\0' ? ")" : "",
		            words_cell(a, r->before, r->decimals), words_cell(b, r->after, r->decimals),
		            words_cell(d, r->difference, r->decimals),
		            words_cell(h, r->half_width, r->decimals), compare_verdict_name(r->verdict));
	}
	html_table_close(out);
}

static void notes(FILE *out, const struct report_lines *l)
{
	if (l->n == 0)
		return;
	fputs("<ul>\n", out);
	for (size_t i = 0; i < l->n; i++)
		html_element(out, "li", "soft", "%s", l->line[i]);
	fputs("</ul>\n", out);
}

static void difference(FILE *out, const struct comparison *c, size_t after)
{
	html_element(out, "h2", NULL, "%c beside A", letter(after));
	if (c->n == 0) {
		html_element(out, "p", "soft", "Nothing is known in both rides that could be compared.");
		return;
	}
	summary(out, c);
	if (count_of(c, COMPARE_BETTER) + count_of(c, COMPARE_WORSE) > 0) {
		fputs("<ul class=\"verdicts\">\n", out);
		cards(out, c, COMPARE_WORSE);
		cards(out, c, COMPARE_BETTER);
		fputs("</ul>\n", out);
	}
	notes(out, &c->notes);
}

static void every_difference(FILE *out, const struct comparison *c, size_t after)
{
	if (c->n == 0)
		return;
	html_element(out, "h2", NULL, "Every difference: %c beside A", letter(after));
	table(out, c, after);
	html_element(out, "p", "soft", "%s", compare_explanation());
}

int compare_html(const struct report *const *ride, const struct comparison *difference_of, size_t n,
                 FILE *out)
{
	char title[400];
	snprintf(title, sizeof title, "%s: %zu rides compared", ride[0]->engine.name, n);
	html_open(out, title);
	header(out, ride, n);
	for (size_t i = 1; i < n; i++)
		difference(out, &difference_of[i], i);
	html_element(out, "h2", NULL, "Pictures");
	compare_plots(out, ride, n);
	for (size_t i = 1; i < n; i++)
		every_difference(out, &difference_of[i], i);
	html_caution(out);
	html_close(out);
	return ferror(out) ? -1 : 0;
}
