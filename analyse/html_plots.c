/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/html_plots.h"

#include "analyse/beside.h"
#include "analyse/html_bars.h"
#include "analyse/html_circle.h"
#include "analyse/html_figure.h"
#include "analyse/html_page.h"
#include "analyse/report_diagram.h"
#include "analyse/report_words.h"
#include "common/unit.h"

#include <math.h>
#include <stdlib.h>

#define LOOP (STROKE_BINS + 1)
#define TABLE_STEP 10 /* bins a row of a table */
#define WIDTH 440
#define HEIGHT 310

/* --- indicator diagrams ------------------------------------------------- */

static void indicator_table(FILE *out, const struct report *r, enum engine_end end)
{
	const struct stroke_diagram *d = &r->diagram[end];
	double ambient = r->engine.ambient_pa;
	char c[3][WORDS_CELL_MAX];
	html_figure_numbers(
	    out,
	    "deg past dead centre|volume (ml)|measured (bar gauge)|intended (bar gauge)|supply (bar gauge)");
	for (size_t b = 0; b < STROKE_BINS; b += TABLE_STEP)
		html_row(out, "%.1f|%.1f|%s|%s|%s", unit_deg(diagram_phi_rad(b)),
		         diagram_volume_ml(r, end, b),
		         words_cell(c[0], unit_bar_gauge(d->measured_pa[b], ambient), 3),
		         words_cell(c[1], unit_bar_gauge(d->ideal_pa[b], ambient), 3),
		         words_cell(c[2], unit_bar_gauge(d->supply_pa[b], ambient), 3));
	html_figure_close(out);
}

static void indicator(FILE *out, const struct report *r, enum engine_end end)
{
	const struct stroke_diagram *d = &r->diagram[end];
	double v[LOOP], measured[LOOP], ideal[LOOP], ambient = r->engine.ambient_pa;
	if (!r->has_strokes[end])
		return;
	for (size_t b = 0; b < LOOP; b++) {
		v[b] = diagram_volume_ml(r, end, b);
		measured[b] = unit_bar_gauge(d->measured_pa[b % STROKE_BINS], ambient);
		ideal[b] = unit_bar_gauge(d->ideal_pa[b % STROKE_BINS], ambient);
	}
	const struct plot_series series[] = {
	    {.title = "intended", .style = PLOT_DASHED, .colour = PLOT_AMBER, .x = v, .y = ideal, .n = LOOP},
	    {.title = "measured", .style = PLOT_LINE, .colour = PLOT_BLUE, .x = v, .y = measured, .n = LOOP},
	};
	bool cap = end == END_CAP;
	const struct plot_xy plot = {.id = cap ? "pvcap" : "pvrod",
	                             .x_label = "volume (ml)",
	                             .y_label = "pressure (bar gauge)",
	                             .what = cap ? "indicator diagram of the cap end, measured and intended"
	                                         : "indicator diagram of the rod end, measured and intended",
	                             .width = WIDTH,
	                             .height = HEIGHT,
	                             .series = series,
	                             .n = 2};
	html_figure_open(out, cap ? "Indicator diagram, cap end" : "Indicator diagram, rod end");
	html_figure_plot(out, &plot);
	html_figure_caption(
	    out,
	    "Mean of the ride's strokes. The area inside the loop is the work of a stroke; intended: supply "
	    "pressure to the intended cut-off, expansion, exhaust at ambient.");
	indicator_table(out, r, end);
}

/* --- torque ------------------------------------------------------------ */

static void torque_table(FILE *out, const double *deg, double torque[3][STROKE_BINS])
{
	char c[3][WORDS_CELL_MAX];
	html_figure_numbers(out, "crank angle (deg)|cap end (N m)|rod end (N m)|both (N m)");
	for (size_t b = 0; b < STROKE_BINS; b += TABLE_STEP)
		html_row(out, "%.1f|%s|%s|%s", deg[b], words_cell(c[0], torque[0][b], 2),
		         words_cell(c[1], torque[1][b], 2), words_cell(c[2], torque[2][b], 2));
	html_figure_close(out);
}

static void torque(FILE *out, const struct report *r)
{
	double deg[STROKE_BINS], t[3][STROKE_BINS];
	for (size_t b = 0; b < STROKE_BINS; b++) {
		double theta = diagram_phi_rad(b);
		deg[b] = unit_deg(theta);
		t[0][b] = diagram_torque_nm(r, END_CAP, theta);
		t[1][b] = diagram_torque_nm(r, END_ROD, theta);
		t[2][b] = t[0][b] + t[1][b];
	}
	const struct plot_series series[] = {
	    {.title = "cap end",
	     .style = PLOT_LINE,
	     .colour = PLOT_BLUE,
	     .x = deg,
	     .y = t[0],
	     .n = STROKE_BINS},
	    {.title = "rod end",
	     .style = PLOT_DASHED,
	     .colour = PLOT_AMBER,
	     .x = deg,
	     .y = t[1],
	     .n = STROKE_BINS},
	    {.title = "both",
	     .style = PLOT_LINE,
	     .colour = PLOT_SLATE,
	     .x = deg,
	     .y = t[2],
	     .n = STROKE_BINS},
	};
	const struct plot_xy plot = {
	    .id = "torque",
	    .x_label = "crank angle (deg)",
	    .y_label = "torque on the crank (N m)",
	    .setting = "set xrange [0:360]\nset xtics 60\nset xzeroaxis lt 1 lw 0.5 lc rgb \"gray\"\n",
	    .what = "torque through the turn",
	    .width = WIDTH,
	    .height = HEIGHT,
	    .series = series,
	    .n = 3};
	html_figure_open(out, "Torque through the turn");
	html_figure_plot(out, &plot);
	html_figure_caption(
	    out,
	    "From the mean diagrams, air only: no friction, no moving masses. Where it is negative the air "
	    "holds the crank back.");
	torque_table(out, deg, t);
}

/* --- timing circles ----------------------------------------------------- */

static void circle(FILE *out, const struct report *r, enum engine_end end)
{
	struct circle_timing t;
	char c[3][WORDS_CELL_MAX];
	if (!circle_timing_of(r, end, &t))
		return;
	html_figure_open(out, end == END_CAP ? "Timing circle, cap end" : "Timing circle, rod end");
	html_circle(out, &t, end, r->mech.rod_dead_centre_rad);
	html_figure_caption(
	    out,
	    "Crank turning clockwise. Outer ring, pale: the angles asked for; middle ring: when the valves "
	    "were really open (half open to half shut); inner ring: where the air pushed.");
	html_figure_numbers(out, "event|asked (deg)|at the command (deg)|actual (deg)");
	for (size_t i = 0; i < r->event_n; i++)
		if (r->event[i].end == end)
			html_row(out, "%s|%s|%s|%s", words_event(r->event[i].event),
			         words_cell(c[0], words_place_deg(r->event[i].intended_rad), 1),
			         words_cell(c[1], words_place_deg(r->event[i].commanded_rad), 1),
			         words_cell(c[2], words_place_deg(r->event[i].actual_rad), 1));
	html_figure_close(out);
}

/* --- ledger ------------------------------------------------------------- */

static void ledger(FILE *out, const struct report *r, enum engine_end end)
{
	const struct stroke_summary *s = &r->stroke[end];
	char c[3][WORDS_CELL_MAX];
	if (!r->has_strokes[end] || !isfinite(s->ideal_work_j))
		return;
	html_figure_open(out,
	                 end == END_CAP ? "Where the work went, cap end" : "Where the work went, rod end");
	html_bars(out, s, end);
	html_figure_caption(
	    out,
	    "Shares of the ideal work. Every loss stands under the event that rules at its crank angle; with "
	    "the measured work they add up to the ideal. To the left of the line: gained (a late cut-off "
	    "gains work and costs air).");
	html_figure_numbers(out, "|J a stroke|+/- (J)|% of the ideal");
	html_row(out, "ideal|%.3f|%s|100.0", s->ideal_work_j, words_cell(c[0], 1.96 * s->ideal_sd_j, 3));
	for (int l = 0; l < LEDGER_LINES; l++)
		html_row(out, "%s|%s|%s|%s", ledger_line_name((enum ledger_line)l),
		         words_cell(c[0], s->ledger_j[l], 3), words_cell(c[1], 1.96 * s->ledger_sd_j[l], 3),
		         words_cell(c[2], 100 * s->ledger_j[l] / s->ideal_work_j, 1));
	html_row(out, "measured|%.3f|%s|%.1f", s->diagram_factor * s->ideal_work_j,
	         words_cell(c[0], 1.96 * s->work_sd_j, 3), 100 * s->diagram_factor);
	html_figure_close(out);
}

/* --- gains -------------------------------------------------------------- */

static void gain_row(FILE *out, const struct gains *g, enum gain_cause cause)
{
	const struct gain *x = &g->gain[cause];
	char c[8][WORDS_CELL_MAX];
	html_row(out, "%s|%s|%s|%s|%s|%s|%s|%s|%s", gain_name(cause), words_cell(c[0], x->work_j, 2),
	         words_cell(c[1], x->work_error_j, 2), words_cell(c[2], x->air_kg * 1e3, 4),
	         words_cell(c[3], x->air_error_kg * 1e3, 4), words_cell(c[4], x->j_per_kg * 1e-3, 2),
	         words_cell(c[5], x->j_per_kg_error * 1e-3, 2), words_cell(c[6], x->share_j, 2),
	         words_cell(c[7], x->share_kg * 1e3, 4));
}

static void gains(FILE *out, const struct report *r, enum engine_end end)
{
	const struct gains *g = &r->gains[end];
	char words[WORDS_MAX];
	if (!r->has_strokes[end])
		return;
	html_figure_open(out, end == END_CAP ? "What fixing one thing alone would gain, cap end"
	                                     : "What fixing one thing alone would gain, rod end");
	html_figure_caption(out, words_gains(words, g));
	if (!g->known) {
		fputs("</figure>\n", out);
		return;
	}
	html_bars_gains(out, g, end);
	html_figure_numbers(out,
	                    "alone|work (J a stroke)|+/- (J)|air (g a stroke)|+/- (g)|work per air (J/g)|"
	                    "+/- (J/g)|share of the work (J)|share of the air (g)");
	for (int i = 0; i < GAIN_CAUSES; i++)
		gain_row(out, g, g->by_work[i]);
	html_row(out, "all of them|%.2f|%.2f|%.4f|%.4f|||%.2f|%.4f", g->all_j, g->all_error_j,
	         g->all_kg * 1e3, g->all_error_kg * 1e3, g->all_j, g->all_kg * 1e3);
	html_figure_close(out);
}

/* --- error against speed ------------------------------------------------ */

struct points {
	double *rpm, *error;
	size_t n;
};

static struct points points_of(const struct report *r, enum engine_end end, int event, double *room)
{
	struct points p = {.rpm = room, .error = room + REPORT_POINTS_MAX};
	for (size_t i = 0; i < r->point_n; i++)
		if (r->point[i].end == end && r->point[i].event == event) {
			p.rpm[p.n] = (double)r->point[i].rpm;
			p.error[p.n++] = (double)r->point[i].error_deg;
		}
	return p;
}

static void speed_table(FILE *out, const struct report *r, enum engine_end end)
{
	char c[4][WORDS_CELL_MAX];
	html_figure_numbers(out, "event|found|mean error (deg)|+/- (deg)|delay (ms)|offset (deg)");
	for (size_t i = 0; i < r->event_n; i++) {
		const struct valve_event_summary *e = &r->event[i];
		if (e->end == end)
			html_row(out, "%s|%u|%s|%s|%s|%s", words_event(e->event), e->count,
			         words_cell(c[0], unit_deg(e->error_rad), 2),
			         words_cell(c[1], unit_deg(words_half_width(e->error_ci95_rad)), 2),
			         words_cell(c[2], e->delay_s * 1e3, 2),
			         words_cell(c[3], unit_deg(e->offset_rad), 2));
	}
	html_figure_close(out);
}

static int by_size(const void *a, const void *b)
{
	double x = *(const double *)a, y = *(const double *)b;
	return (x > y) - (x < y);
}

/* Range of the errors without the few that lie far out, and room beside it; the number of points
 * that it leaves out. */
static size_t error_range(const struct report *r, enum engine_end end, double *room, double range[2])
{
	size_t n = 0, outside = 0;
	for (size_t i = 0; i < r->point_n; i++)
		if (r->point[i].end == end)
			room[n++] = (double)r->point[i].error_deg;
	qsort(room, n, sizeof *room, by_size);
	double low = room[n / 50], high = room[n - 1 - n / 50], beside = fmax(0.25 * (high - low), 1);
	range[0] = fmin(low - beside, 0);
	range[1] = fmax(high + beside, 0);
	for (size_t i = 0; i < n; i++)
		outside += room[i] < range[0] || room[i] > range[1];
	return outside;
}

static void draw_speed(FILE *out, const struct report *r, enum engine_end end, double *room)
{
	struct plot_series series[EVENT_KINDS];
	char setting[160];
	struct plot_xy plot = {.id = end == END_CAP ? "errcap" : "errrod",
	                       .x_label = "speed (rpm)",
	                       .y_label = "error (deg, + is late)",
	                       .setting = setting,
	                       .what = "error of each event against speed",
	                       .width = WIDTH,
	                       .height = HEIGHT,
	                       .series = series};
	for (int k = 0; k < EVENT_KINDS; k++) {
		struct points p = points_of(r, end, k, room + (size_t)k * 2 * REPORT_POINTS_MAX);
		if (p.n == 0)
			continue;
		series[plot.n++] = (struct plot_series){.title = words_event((unsigned)k),
		                                        .style = PLOT_POINTS,
		                                        .colour = (enum plot_colour)k,
		                                        .x = p.rpm,
		                                        .y = p.error,
		                                        .n = p.n};
	}
	if (plot.n == 0) {
		html_element(out, "p", "soft", "No event of this end was found.");
		return;
	}
	double range[2];
	size_t outside = error_range(r, end, room + (size_t)EVENT_KINDS * 2 * REPORT_POINTS_MAX, range);
	snprintf(setting, sizeof setting,
	         "set xzeroaxis lt 1 lw 0.5 lc rgb \"gray\"\nset yrange [%.6g:%.6g]\n", range[0], range[1]);
	html_figure_plot(out, &plot);
	if (outside > 0)
		html_element(out, "p", "soft", "%zu of the points lie outside the picture.", outside);
}

static void speed(FILE *out, const struct report *r, enum engine_end end)
{
	bool any = false;
	for (size_t i = 0; i < r->event_n; i++)
		any |= r->event[i].end == end;
	double *room = any ? malloc((EVENT_KINDS * 2 + 1) * REPORT_POINTS_MAX * sizeof *room) : NULL;
	if (room == NULL)
		return;
	html_figure_open(out,
	                 end == END_CAP ? "Error against speed, cap end" : "Error against speed, rod end");
	draw_speed(out, r, end, room);
	html_figure_caption(
	    out,
	    "Each point is one event found. A valve's delay makes the error grow with speed; a wrong setting "
	    "moves all speeds alike.");
	speed_table(out, r, end);
	free(room);
}

/* --- along the ride ----------------------------------------------------- */

struct profile {
	double t[REPORT_PROFILE_POINTS], rpm[REPORT_PROFILE_POINTS], bar[REPORT_PROFILE_POINTS];
	double slip_t[REPORT_PROFILE_POINTS], slip_y[REPORT_PROFILE_POINTS];
	size_t slips;
};

static void profile_of(const struct report *r, struct profile *p)
{
	p->slips = 0;
	for (size_t i = 0; i < r->profile_n; i++) {
		const struct report_profile_point *q = &r->profile[i];
		p->t[i] = q->t_s;
		p->rpm[i] = q->rpm;
		p->bar[i] = unit_bar_gauge(q->supply_pa, r->engine.ambient_pa);
		if (q->slips > 0) {
			p->slip_t[p->slips] = q->t_s;
			p->slip_y[p->slips++] = isfinite(q->rpm) ? q->rpm : 0;
		}
	}
}

static void overview_table(FILE *out, const struct report *r, const struct profile *p)
{
	char c[3][WORDS_CELL_MAX];
	size_t step = r->profile_n > 30 ? r->profile_n / 30 : 1;
	html_figure_numbers(out, "time (s)|speed (rpm)|supply (bar gauge)|angle sd (deg)|slips");
	for (size_t i = 0; i < r->profile_n; i += step) {
		unsigned slips = 0;
		for (size_t k = i; k < i + step && k < r->profile_n; k++)
			slips += r->profile[k].slips;
		html_row(out, "%.1f|%s|%s|%s|%u", p->t[i], words_cell(c[0], p->rpm[i], 1),
		         words_cell(c[1], p->bar[i], 2),
		         words_cell(c[2], unit_deg(r->profile[i].angle_sd_rad), 3), slips);
	}
	html_figure_close(out);
}

static void overview(FILE *out, const struct report *r)
{
	struct profile p;
	if (r->profile_n == 0)
		return;
	profile_of(r, &p);
	const struct plot_series series[] = {
	    {.title = "speed",
	     .style = PLOT_LINE,
	     .colour = PLOT_BLUE,
	     .x = p.t,
	     .y = p.rpm,
	     .n = r->profile_n},
	    {.title = "supply",
	     .style = PLOT_DASHED,
	     .colour = PLOT_AMBER,
	     .second_axis = true,
	     .x = p.t,
	     .y = p.bar,
	     .n = r->profile_n},
	    {.title = "count slips",
	     .style = PLOT_POINTS,
	     .colour = PLOT_PLUM,
	     .x = p.slip_t,
	     .y = p.slip_y,
	     .n = p.slips},
	};
	const struct plot_xy plot = {.id = "ride",
	                             .x_label = "time (s)",
	                             .y_label = "speed (rpm)",
	                             .y2_label = "supply (bar gauge)",
	                             .setting = "set yrange [0:*]\nset y2range [0:*]\nset rmargin 8\n",
	                             .what = "speed and supply pressure along the ride",
	                             .width = WIDTH,
	                             .height = HEIGHT,
	                             .series = series,
	                             .n = p.slips > 0 ? 3 : 2};
	html_figure_open(out, "The ride");
	html_figure_plot(out, &plot);
	html_figure_caption(
	    out, "Speed and supply pressure along the ride, and where the controller's count slipped.");
	overview_table(out, r, &p);
}

/* --- tooth pitch --------------------------------------------------------- */

static void pitch(FILE *out, const struct report *r)
{
	double tooth[CRANK_SLOTS_MAX], error[CRANK_SLOTS_MAX];
	if (!r->has_crank || r->wheel.teeth == 0)
		return;
	for (unsigned k = 0; k < r->wheel.teeth; k++) {
		tooth[k] = k;
		error[k] = unit_deg(r->wheel.pitch_error_rad[k]);
	}
	const struct plot_series series = {
	    .style = PLOT_STEMS, .colour = PLOT_BLUE, .x = tooth, .y = error, .n = r->wheel.teeth};
	const struct plot_xy plot = {.id = "pitch",
	                             .x_label = "tooth, from the index",
	                             .y_label = "pitch error (deg)",
	                             .setting =
	                                 "set xrange [-1:*]\nset xzeroaxis lt 1 lw 0.5 lc rgb \"gray\"\n",
	                             .what = "pitch error of each tooth",
	                             .width = WIDTH,
	                             .height = HEIGHT,
	                             .series = &series,
	                             .n = 1};
	html_figure_open(out, "Tooth pitch");
	html_figure_plot(out, &plot);
	html_figure_caption(
	    out, "How far each tooth stands from its place on an evenly cut wheel, learned from the ride.");
	html_figure_numbers(out, "tooth|error (deg)");
	for (unsigned k = 0; k < r->wheel.teeth; k++)
		html_row(out, "%u|%.3f", k, error[k]);
	html_figure_close(out);
}

/* --- all of them ----------------------------------------------------------- */

struct picture {
	void (*draw)(FILE *out, const struct report *r, enum engine_end end);
	enum engine_end end;
	char *text;
	size_t n;
	bool drawn;
};

struct album {
	const struct report *r;
	struct picture picture[16];
	size_t n;
};

static void torque_turn(FILE *out, const struct report *r, enum engine_end end)
{
	(void)end;
	if (r->has_strokes[END_CAP] || r->has_strokes[END_ROD])
		torque(out, r);
}

static void whole_ride(FILE *out, const struct report *r, enum engine_end end)
{
	(void)end;
	overview(out, r);
	pitch(out, r);
}

static void draw(void *ctx, size_t i)
{
	struct album *a = ctx;
	struct picture *p = &a->picture[i];
	FILE *out = open_memstream(&p->text, &p->n);
	if (out == NULL)
		return;
	p->draw(out, a->r, p->end);
	p->drawn = fclose(out) == 0;
}

static void add_picture(struct album *a, void (*how)(FILE *, const struct report *, enum engine_end),
                        enum engine_end end)
{
	a->picture[a->n++] = (struct picture){.draw = how, .end = end};
}

static void add_ends(struct album *a, void (*how)(FILE *, const struct report *, enum engine_end))
{
	for (int end = 0; end < END_COUNT; end++)
		add_picture(a, how, (enum engine_end)end);
}

/* Most of a picture's time is gnuplot's: two are drawn at a time. */
void html_plots(FILE *out, const struct report *r)
{
	struct album a = {.r = r};
	add_ends(&a, indicator);
	add_ends(&a, circle);
	add_ends(&a, ledger);
	add_ends(&a, gains);
	add_picture(&a, torque_turn, END_CAP);
	add_ends(&a, speed);
	add_picture(&a, whole_ride, END_CAP);
	beside_do(a.n, draw, &a);
	fputs("<div class=\"plots\">\n", out);
	for (size_t i = 0; i < a.n; i++) {
		struct picture *p = &a.picture[i];
		if (p->drawn)
			fwrite(p->text, 1, p->n, out);
		else
			p->draw(out, r, p->end); /* no memory to do it in beforehand */
		free(p->text);
	}
	fputs("</div>\n", out);
}
