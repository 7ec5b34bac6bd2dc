/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The plan as one page: what to load, the two curves as pictures, the tables. */
#include "analyse/html_page.h"
#include "analyse/plan_parts.h"
#include "common/air.h"
#include "common/unit.h"

#include <math.h>

#define WIDE 640.0
#define HIGH 300.0
#define LEFT 60.0
#define BELOW 44.0
#define TICKS 5

/* --- a small line picture ------------------------------------------------------ */

struct picture {
	FILE *out;
	double x0, x1, y0, y1;
};

static double at_x(const struct picture *g, double x)
{
	return LEFT + (x - g->x0) / (g->x1 - g->x0) * (WIDE - LEFT - 16);
}

static double at_y(const struct picture *g, double y)
{
	return HIGH - BELOW - (y - g->y0) / (g->y1 - g->y0) * (HIGH - BELOW - 16);
}

static void widen(double *low, double *high)
{
	double room = fmax(*high - *low, 1e-9 + 0.02 * fabs(*high)) * 0.06;
	*low -= room;
	*high += room;
}

static void open_picture(struct picture *g, const char *title, const char *x_name, const char *y_name)
{
	widen(&g->x0, &g->x1);
	widen(&g->y0, &g->y1);
	fprintf(g->out, "<figure><svg viewBox=\"0 0 %.0f %.0f\" role=\"img\" aria-label=\"%s\">\n", WIDE,
	        HIGH, title);
	for (int i = 0; i <= TICKS; i++) {
		double x = g->x0 + (g->x1 - g->x0) * i / TICKS, y = g->y0 + (g->y1 - g->y0) * i / TICKS;
		fprintf(g->out,
		        "<line x1=\"%.1f\" y1=\"%.1f\" x2=\"%.1f\" y2=\"%.1f\" stroke=\"currentColor\" "
		        "stroke-opacity=\".15\"/>"
		        "<text x=\"%.1f\" y=\"%.1f\" text-anchor=\"end\" font-size=\"12\" "
		        "fill=\"currentColor\">%.3g</text>"
		        "<text x=\"%.1f\" y=\"%.1f\" text-anchor=\"middle\" font-size=\"12\" "
		        "fill=\"currentColor\">%.3g</text>\n",
		        LEFT, at_y(g, y), WIDE - 16, at_y(g, y), LEFT - 6, at_y(g, y) + 4, y, at_x(g, x),
		        HIGH - BELOW + 18, x);
	}
	fprintf(g->out,
	        "<text x=\"%.1f\" y=\"%.1f\" text-anchor=\"middle\" font-size=\"13\" "
	        "fill=\"currentColor\">%s</text>"
	        "<text x=\"14\" y=\"%.1f\" transform=\"rotate(-90 14 %.1f)\" text-anchor=\"middle\" "
	        "font-size=\"13\" fill=\"currentColor\">%s</text>\n",
	        (WIDE + LEFT) / 2, HIGH - 6, x_name, (HIGH - BELOW) / 2, (HIGH - BELOW) / 2, y_name);
}

static void line_begin(const struct picture *g, const char *dash)
{
	fprintf(g->out,
	        "<polyline fill=\"none\" stroke=\"currentColor\" stroke-width=\"2\" stroke-dasharray=\"%s\" "
	        "points=\"",
	        dash);
}

static void line_point(const struct picture *g, double x, double y)
{
	if (isfinite(x) && isfinite(y))
		fprintf(g->out, "%.1f,%.1f ", at_x(g, x), at_y(g, y));
}

static void line_end(const struct picture *g)
{
	fputs("\"/>\n", g->out);
}

static void close_picture(const struct picture *g, const char *caption)
{
	fprintf(g->out, "</svg><figcaption>%s</figcaption></figure>\n", caption);
}

static void stretch(double x, double *low, double *high)
{
	if (!isfinite(x))
		return;
	*low = fmin(*low, x);
	*high = fmax(*high, x);
}

static void draw_curve(FILE *out, const struct plan *p)
{
	struct picture g = {.out = out, .x0 = INFINITY, .x1 = -INFINITY, .y0 = INFINITY, .y1 = -INFINITY};
	double litres = air_normal_litre(1);
	if (p->curve.n < 2)
		return;
	for (size_t i = 0; i < p->curve.n; i++) {
		stretch(p->curve.point[i].net_torque_nm, &g.x0, &g.x1);
		stretch(p->curve.point[i].economy_j_kg / litres, &g.y0, &g.y1);
	}
	open_picture(&g, "torque against economy", "mean torque, N m", "work for the air, J/nl");
	line_begin(&g, "none");
	for (size_t i = 0; i < p->curve.n; i++)
		line_point(&g, p->curve.point[i].net_torque_nm, p->curve.point[i].economy_j_kg / litres);
	line_end(&g);
	const struct plan_point *k = &p->curve.point[p->curve.knee];
	fprintf(out, "<circle cx=\"%.1f\" cy=\"%.1f\" r=\"5\" fill=\"currentColor\"/>\n",
	        at_x(&g, k->net_torque_nm), at_y(&g, k->economy_j_kg / litres));
	close_picture(
	    &g, "Torque against economy, friction taken off. The dot is the knee: more torque than there "
	        "costs much air.");
}

static void draw_cut_off(FILE *out, const struct plan *p)
{
	static const char *const dash[END_COUNT] = {"none", "6 4"};
	struct picture g = {.out = out, .x0 = INFINITY, .x1 = -INFINITY, .y0 = INFINITY, .y1 = -INFINITY};
	if (p->row_n < 2)
		return;
	for (size_t i = 0; i < p->row_n; i++) {
		stretch(plan_gauge_bar(p, p->row[i].supply_pa), &g.x0, &g.x1);
		for (int end = 0; end < END_COUNT; end++)
			stretch(unit_deg(p->row[i].cut_off_rad[end]), &g.y0, &g.y1);
	}
	open_picture(&g, "cut-off against supply pressure", "supply, bar gauge", "cut-off, deg");
	for (int end = 0; end < END_COUNT; end++) {
		if (!p->machine->used[end])
			continue;
		line_begin(&g, dash[end]);
		for (size_t i = 0; i < p->row_n; i++)
			line_point(&g, plan_gauge_bar(p, p->row[i].supply_pa),
			           unit_deg(p->row[i].cut_off_rad[end]));
		line_end(&g);
	}
	close_picture(&g, "Cut-off past the end's own dead centre: cap end drawn through, rod end dashed.");
}

/* --- tables -------------------------------------------------------------------- */

static void table_settings(FILE *out, const struct plan *p)
{
	html_element(out, "h2", NULL, "Load into the controller");
	html_table_open(out, "valve|edge|setting, deg|lead, ms|switches at, deg|was, deg");
	for (int v = 0; v < ENGINE_VALVES_MAX; v++)
		for (int on = 1; on >= 0; on--) {
			const struct plan_setting *s = &p->setting[v][on];
			if (p->has_setting[v][on])
				html_row(out, "%d|%s|%.1f|%.1f|%.1f|%.1f", v, on ? "opens" : "shuts",
				         unit_deg(s->setting_rad), s->lead_s * 1e3,
				         unit_deg(s->controller_rad), unit_deg(s->was_setting_rad));
		}
	html_table_close(out);
	html_element(out, "p", NULL,
	             "\"switches at\" is the controller's own angle at %.0f rpm: setting less lead.",
	             unit_rpm(p->at.omega_rad_s));
}

static void row_value(FILE *out, const char *name, const struct plan_doubt *d, enum plan_quantity q,
                      double scale, int decimals)
{
	const struct plan_value *v = &d->value[q];
	if (d->has_now)
		html_row(out, "%s|%.*f|%.*f|%+.*f|%+.*f to %+.*f", name, decimals, v->now * scale, decimals,
		         v->planned * scale, decimals, v->gain * scale, decimals, v->gain_low * scale,
		         decimals, v->gain_high * scale);
	else
		html_row(out, "%s|-|%.*f|-|%.*f to %.*f (planned)", name, decimals, v->planned * scale,
		         decimals, v->planned_low * scale, decimals, v->planned_high * scale);
}

static void table_change(FILE *out, const char *title, const struct plan_doubt *d)
{
	double litres = air_normal_litre(1);
	html_element(out, "h2", NULL, "%s", title);
	html_table_open(out, "a turn|now|planned|change|95 % interval");
	row_value(out, "work, J", d, PLAN_WORK, 1, 1);
	row_value(out, "air, normal litres", d, PLAN_AIR, litres, 3);
	row_value(out, "useful angle, %", d, PLAN_USEFUL, 100, 1);
	row_value(out, "work for the air, J/nl", d, PLAN_WORK_PER_AIR, 1 / litres, 1);
	html_table_close(out);
}

static void table_rows(FILE *out, const struct plan *p)
{
	html_table_open(
	    out,
	    "supply, bar gauge|cap cut-off, deg|rod cut-off, deg|torque, N m|air, nl|useful, %|up to, rpm");
	for (size_t i = 0; i < p->row_n; i++) {
		const struct plan_row *r = &p->row[i];
		html_row(out, "%.2f|%.1f|%.1f|%.1f|%.2f|%.1f|%.0f", plan_gauge_bar(p, r->supply_pa),
		         unit_deg(r->cut_off_rad[END_CAP]), unit_deg(r->cut_off_rad[END_ROD]),
		         r->p.net_torque_nm, air_normal_litre(r->p.air_kg), 100 * r->p.useful_fraction,
		         unit_rpm(r->fastest_rad_s));
	}
	html_table_close(out);
}

static void table_roads(FILE *out, const struct plan *p)
{
	if (!p->has_drive)
		return;
	html_element(out, "h2", NULL, "On the road");
	html_table_open(out, "teeth|km/h|force, N|road|resistance, N|goes|moves from rest over, deg");
	for (size_t i = 0; i < p->gear_n; i++)
		for (int road = 0; road < PLAN_ROADS; road++) {
			const struct plan_gear *g = &p->gear[i];
			html_row(out, "%u:%u|%.1f|%.0f|%s|%.0f|%s|%.0f", g->crank_teeth, g->wheel_teeth,
			         g->speed_m_s * 3.6, g->force_n, drive_roads[road].name,
			         g->resistance_n[road], g->pulls[road] ? "yes" : "no",
			         360 * g->starts_part[road]);
		}
	html_table_close(out);
}

static void list(FILE *out, const char *title, const struct report_lines *l)
{
	if (l->n == 0)
		return;
	html_element(out, "h2", NULL, "%s", title);
	fputs("<ul>\n", out);
	for (size_t i = 0; i < l->n; i++)
		html_element(out, "li", NULL, "%s", l->line[i]);
	fputs("</ul>\n", out);
}

int plan_html(const struct plan *p, FILE *out)
{
	html_open(out, "Plan");
	html_element(out, "h1", NULL, "Plan for %s", p->machine->engine.name);
	html_element(out, "p", NULL, "At %.0f rpm and %.2f bar gauge.%s", unit_rpm(p->at.omega_rad_s),
	             plan_gauge_bar(p, p->at.supply_pa),
	             p->machine->from_ride ? "" : " By hand: nothing is measured.");
	list(out, "Refused", &p->refused);
	table_settings(out, p);
	table_change(out, p->has_now ? "What it should change" : "What it should give", &p->doubt);
	if (p->has_what_if)
		table_change(out, "What if", &p->what_if_doubt);
	html_element(out, "h2", NULL, "Cut-off by supply pressure");
	draw_cut_off(out, p);
	table_rows(out, p);
	html_element(out, "h2", NULL, "Torque against economy");
	draw_curve(out, p);
	table_roads(out, p);
	list(out, "What this plan cannot promise", &p->warnings);
	html_element(out, "p", NULL,
	             "Load a new timing with the supply shut and the machine blocked; turn it by hand first. "
	             "Trammel is a measuring instrument, never a safety device.");
	html_close(out);
	return ferror(out) ? -1 : 0;
}
