/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/compare_plots.h"

#include "analyse/html_figure.h"
#include "analyse/html_page.h"
#include "analyse/report_diagram.h"
#include "analyse/report_words.h"
#include "common/unit.h"

#include <math.h>
#include <string.h>

#define LOOP (STROKE_BINS + 1)
#define TABLE_STEP 10 /* bins a row of a table */
#define WIDTH 440
#define HEIGHT 310

struct rides {
	const struct report *const *ride;
	size_t n;
};

/* Which of the rides' curves is meant: letter, colour and kind of line. */
static struct plot_series series_of(size_t ride, const double *x, const double *y, size_t n)
{
	static const char *const TITLE[HTML_RIDES_MAX] = {"ride A", "ride B", "ride C", "ride D"};
	static const enum plot_style STYLE[HTML_RIDES_MAX] = {PLOT_LINE, PLOT_DASHED, PLOT_DOTTED,
	                                                      PLOT_DASH_DOT};
	return (struct plot_series){.title = TITLE[ride],
	                            .style = STYLE[ride],
	                            .colour = (enum plot_colour)ride,
	                            .x = x,
	                            .y = y,
	                            .n = n};
}

/* Table cells of one number a ride, built up in a row. */
struct cells {
	char text[400];
};

static void cells_add(struct cells *c, double x, int decimals)
{
	char number[WORDS_CELL_MAX];
	size_t used = strlen(c->text);
	snprintf(c->text + used, sizeof c->text - used, "|%s", words_cell(number, x, decimals));
}

/* "first|A unit|B unit|..." */
static void numbers(FILE *out, const struct rides *r, const char *first, const char *what, const char *unit)
{
	char heading[400];
	int n = snprintf(heading, sizeof heading, "%s", first);
	for (size_t i = 0; i < r->n; i++)
		n += snprintf(heading + n, sizeof heading - (size_t)n, "|%c%s (%s)", (char)('A' + i), what,
		              unit);
	html_figure_numbers(out, heading);
}

static bool any_strokes(const struct rides *r, enum engine_end end)
{
	for (size_t i = 0; i < r->n; i++)
		if (r->ride[i]->has_strokes[end])
			return true;
	return false;
}

/* --- indicator diagrams ------------------------------------------------- */

static double bar_gauge(const struct report *r, enum engine_end end, size_t bin)
{
	return r->has_strokes[end]
	           ? unit_bar_gauge(r->diagram[end].measured_pa[bin % STROKE_BINS], r->engine.ambient_pa)
	           : NAN;
}

static void indicator_table(FILE *out, const struct rides *r, enum engine_end end)
{
	size_t first = 0;
	char heading[64];
	while (!r->ride[first]->has_strokes[end])
		first++;
	snprintf(heading, sizeof heading, "deg past dead centre|volume of %c (ml)", (char)('A' + first));
	numbers(out, r, heading, "", "bar gauge");
	for (size_t b = 0; b < STROKE_BINS; b += TABLE_STEP) {
		struct cells c = {""};
		for (size_t i = 0; i < r->n; i++)
			cells_add(&c, bar_gauge(r->ride[i], end, b), 3);
		html_row(out, "%.1f|%.1f%s", unit_deg(diagram_phi_rad(b)),
		         diagram_volume_ml(r->ride[first], end, b), c.text);
	}
	html_figure_close(out);
}

static void indicator(FILE *out, const struct rides *r, enum engine_end end)
{
	double v[HTML_RIDES_MAX][LOOP], p[HTML_RIDES_MAX][LOOP];
	struct plot_series series[HTML_RIDES_MAX];
	bool cap = end == END_CAP;
	struct plot_xy plot = {.id = cap ? "pvcap" : "pvrod",
	                       .x_label = "volume (ml)",
	                       .y_label = "pressure (bar gauge)",
	                       .what = cap ? "indicator diagrams of the cap end, one of each ride"
	                                   : "indicator diagrams of the rod end, one of each ride",
	                       .width = WIDTH,
	                       .height = HEIGHT,
	                       .series = series};
	if (!any_strokes(r, end))
		return;
	for (size_t i = 0; i < r->n; i++) {
		for (size_t b = 0; b < LOOP; b++) {
			v[i][b] = diagram_volume_ml(r->ride[i], end, b);
			p[i][b] = bar_gauge(r->ride[i], end, b);
		}
		if (r->ride[i]->has_strokes[end])
			series[plot.n++] = series_of(i, v[i], p[i], LOOP);
	}
	html_figure_open(out, cap ? "Indicator diagrams, cap end" : "Indicator diagrams, rod end");
	html_figure_plot(out, &plot);
	html_figure_caption(
	    out,
	    "Mean of each ride's strokes, as measured. The area inside a loop is the work of a stroke: the "
	    "larger loop does more. A higher line at the bottom is back pressure; a corner cut off at the "
	    "top left is a late inlet.");
	indicator_table(out, r, end);
}

/* --- where the air pushed ------------------------------------------------- */

static struct html_row_entry useful_entry(const struct report *r, enum engine_end end, size_t ride)
{
	struct html_row_entry e = {.ride = ride, .value = NAN, .low = NAN, .high = NAN};
	struct diagram_arc arc[DIAGRAM_ARCS_MAX];
	e.bars = diagram_useful(r, end, arc);
	for (size_t k = 0; k < e.bars; k++) {
		e.bar[k].from = unit_deg(arc[k].from_rad);
		e.bar[k].to = unit_deg(arc[k].to_rad);
	}
	words_number(e.text, r->has_strokes[end] ? unit_deg(r->stroke[end].useful_rad) : NAN, 1, "deg");
	return e;
}

static void useful_table(FILE *out, const struct rides *r)
{
	numbers(out, r, "pushed over", "", "deg");
	for (int end = 0; end < END_COUNT; end++) {
		struct cells mean = {""}, error = {""};
		for (size_t i = 0; i < r->n; i++) {
			const struct stroke_summary *s = &r->ride[i]->stroke[end];
			bool has = r->ride[i]->has_strokes[end];
			cells_add(&mean, has ? unit_deg(s->useful_rad) : NAN, 1);
			cells_add(&error, has ? 1.96 * unit_deg(s->useful_sd_rad) : NAN, 1);
		}
		html_row(out, "%s end%s", engine_end_name((enum engine_end)end), mean.text);
		html_row(out, "%s end, +/-%s", engine_end_name((enum engine_end)end), error.text);
	}
	html_figure_close(out);
}

static void useful(FILE *out, const struct rides *r)
{
	struct html_row_entry row[END_COUNT * HTML_RIDES_MAX];
	struct html_rows p = {.what = "where in the turn the air pushed, by end and ride",
	                      .axis = "crank angle (deg)",
	                      .to = 360,
	                      .step = 60,
	                      .row = row};
	for (int end = 0; end < END_COUNT; end++) {
		bool any = any_strokes(r, (enum engine_end)end);
		for (size_t i = 0; any && i < r->n; i++) {
			row[p.n] = useful_entry(r->ride[i], (enum engine_end)end, i);
			row[p.n++].group = i > 0 ? NULL : end == END_CAP ? "cap end" : "rod end";
		}
	}
	if (p.n == 0)
		return;
	html_figure_open(out, "Where the air pushed");
	html_rows_svg(out, &p);
	html_figure_caption(
	    out,
	    "Each bar: the part of the turn over which the mean diagram pushes (at least a tenth of the "
	    "supply's gauge pressure). A working stroke is 180 deg. At the right: the mean of the strokes.");
	useful_table(out, r);
}

/* --- torque ------------------------------------------------------------ */

/* Both ends; an end that was not measured is left out when the other was. */
static double torque_nm(const struct report *r, double theta_rad)
{
	double cap = diagram_torque_nm(r, END_CAP, theta_rad), rod = diagram_torque_nm(r, END_ROD, theta_rad);
	if (!r->has_strokes[END_CAP])
		return rod;
	return r->has_strokes[END_ROD] ? cap + rod : cap;
}

static void torque_table(FILE *out, const struct rides *r, const double *deg,
                         double torque[HTML_RIDES_MAX][STROKE_BINS])
{
	numbers(out, r, "crank angle (deg)", "", "N m");
	for (size_t b = 0; b < STROKE_BINS; b += TABLE_STEP) {
		struct cells c = {""};
		for (size_t i = 0; i < r->n; i++)
			cells_add(&c, torque[i][b], 2);
		html_row(out, "%.1f%s", deg[b], c.text);
	}
	html_figure_close(out);
}

static void torque(FILE *out, const struct rides *r)
{
	double deg[STROKE_BINS], t[HTML_RIDES_MAX][STROKE_BINS];
	struct plot_series series[HTML_RIDES_MAX];
	struct plot_xy plot = {
	    .id = "torque",
	    .x_label = "crank angle (deg)",
	    .y_label = "torque on the crank (N m)",
	    .setting = "set xrange [0:360]\nset xtics 60\nset xzeroaxis lt 1 lw 0.5 lc rgb \"gray\"\n",
	    .what = "torque through the turn, one line of each ride",
	    .width = WIDTH,
	    .height = HEIGHT,
	    .series = series};
	if (!any_strokes(r, END_CAP) && !any_strokes(r, END_ROD))
		return;
	for (size_t i = 0; i < r->n; i++) {
		for (size_t b = 0; b < STROKE_BINS; b++) {
			deg[b] = unit_deg(diagram_phi_rad(b));
			t[i][b] = torque_nm(r->ride[i], diagram_phi_rad(b));
		}
		if (r->ride[i]->has_strokes[END_CAP] || r->ride[i]->has_strokes[END_ROD])
			series[plot.n++] = series_of(i, deg, t[i], STROKE_BINS);
	}
	html_figure_open(out, "Torque through the turn");
	html_figure_plot(out, &plot);
	html_figure_caption(
	    out, "Both ends together, as far as they were measured; air only: no friction, no moving masses. "
	         "Where it is negative the air holds the crank back.");
	torque_table(out, r, deg, t);
}

/* --- error by event ----------------------------------------------------- */

static const struct valve_event_summary *event_of(const struct report *r, int end, int kind)
{
	for (size_t i = 0; i < r->event_n; i++)
		if (r->event[i].end == end && r->event[i].event == kind)
			return &r->event[i];
	return NULL;
}

/* Events that at least one ride knows. */
struct event_id {
	int end, kind;
	char name[32];
};

static size_t events_of(const struct rides *r, struct event_id out[END_COUNT * EVENT_KINDS])
{
	size_t n = 0;
	for (int end = 0; end < END_COUNT; end++)
		for (int kind = 0; kind < EVENT_KINDS; kind++) {
			size_t i = 0;
			while (i < r->n && event_of(r->ride[i], end, kind) == NULL)
				i++;
			if (i == r->n)
				continue;
			out[n] = (struct event_id){.end = end, .kind = kind};
			snprintf(out[n++].name, sizeof out->name, "%s %s",
			         engine_end_name((enum engine_end)end), words_event((unsigned)kind));
		}
	return n;
}

static struct html_row_entry error_entry(const struct valve_event_summary *e, size_t ride)
{
	struct html_row_entry row = {.ride = ride, .value = NAN, .low = NAN, .high = NAN};
	if (e != NULL) {
		row.value = unit_deg(e->error_rad);
		row.low = unit_deg(e->error_ci95_rad[0]);
		row.high = unit_deg(e->error_ci95_rad[1]);
	}
	words_number(row.text, row.value, 1, "deg");
	return row;
}

/* Widens the scale to hold all rows, and nought. */
static void fit_scale(struct html_rows *p)
{
	for (size_t i = 0; i < p->n; i++) {
		const struct html_row_entry *e = &p->row[i];
		p->from = fmin(p->from, fmin(e->value, e->low));
		p->to = fmax(p->to, fmax(e->value, e->high));
	}
	double beside = fmax(0.05 * (p->to - p->from), 0.5);
	p->from -= beside;
	p->to += beside;
}

static void errors_table(FILE *out, const struct rides *r, const struct event_id *id, size_t n)
{
	char heading[200];
	int used = snprintf(heading, sizeof heading, "event");
	for (size_t i = 0; i < r->n; i++)
		used += snprintf(heading + used, sizeof heading - (size_t)used,
		                 "|%c (deg)|+/- (deg)|found in %c", (char)('A' + i), (char)('A' + i));
	html_figure_numbers(out, heading);
	for (size_t k = 0; k < n; k++) {
		struct cells c = {""};
		for (size_t i = 0; i < r->n; i++) {
			const struct valve_event_summary *e = event_of(r->ride[i], id[k].end, id[k].kind);
			cells_add(&c, e != NULL ? unit_deg(e->error_rad) : NAN, 2);
			cells_add(&c, e != NULL ? unit_deg(words_half_width(e->error_ci95_rad)) : NAN, 2);
			cells_add(&c, e != NULL ? (double)e->count : NAN, 0);
		}
		html_row(out, "%s%s", id[k].name, c.text);
	}
	html_figure_close(out);
}

static void errors(FILE *out, const struct rides *r)
{
	struct html_row_entry row[END_COUNT * EVENT_KINDS * HTML_RIDES_MAX];
	struct event_id id[END_COUNT * EVENT_KINDS];
	struct html_rows p = {
	    .what = "error of each valve event, by ride", .axis = "error (deg, + is late)", .row = row};
	size_t events = events_of(r, id);
	for (size_t k = 0; k < events; k++)
		for (size_t i = 0; i < r->n; i++) {
			row[p.n] = error_entry(event_of(r->ride[i], id[k].end, id[k].kind), i);
			row[p.n++].group = i > 0 ? NULL : id[k].name;
		}
	if (events == 0)
		return;
	fit_scale(&p);
	html_figure_open(out, "Error by event");
	html_rows_svg(out, &p);
	html_figure_caption(out,
	                    "How late (to the right of 0) or early each valve moved, mean of the ride, with "
	                    "its 95 % interval, at the ride's own speed. The nearer to 0 the better.");
	errors_table(out, r, id, events);
}

void compare_plots(FILE *out, const struct report *const *ride, size_t n)
{
	const struct rides r = {ride, n};
	fputs("<div class=\"plots\">\n", out);
	indicator(out, &r, END_CAP);
	indicator(out, &r, END_ROD);
	useful(out, &r);
	errors(out, &r);
	torque(out, &r);
	fputs("</div>\n", out);
}
