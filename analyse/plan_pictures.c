/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The plan's pictures for its page: small line drawings. */
#include "analyse/plan_parts.h"
#include "common/air.h"
#include "common/unit.h"

#include <math.h>

#define WIDE 460.0
#define HIGH 270.0
#define LEFT 52.0
#define BELOW 44.0
#define TICKS 5 /* about */

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

/* A round step that divides the span into about TICKS. */
static double step_of(double span)
{
	double rough = span / TICKS, ten = pow(10, floor(log10(rough))), part = rough / ten;
	return ten * (part < 1.5 ? 1 : part < 3.5 ? 2 : part < 7.5 ? 5 : 10);
}

static void tick_x(const struct picture *g, double x)
{
	fprintf(g->out, "<text x=\"%.1f\" y=\"%.1f\" text-anchor=\"middle\">%.4g</text>\n", at_x(g, x),
	        HIGH - BELOW + 18, x);
}

static void tick_y(const struct picture *g, double y)
{
	fprintf(g->out,
	        "<line class=\"s-rule\" x1=\"%.1f\" y1=\"%.1f\" x2=\"%.1f\" y2=\"%.1f\"/>"
	        "<text x=\"%.1f\" y=\"%.1f\" text-anchor=\"end\">%.4g</text>\n",
	        LEFT, at_y(g, y), WIDE - 16, at_y(g, y), LEFT - 6, at_y(g, y) + 4, y);
}

static void ticks(const struct picture *g, double low, double high,
                  void (*tick)(const struct picture *, double))
{
	double step = step_of(high - low);
	for (double at = ceil(low / step); at * step <= high; at++)
		tick(g, at * step);
}

static void open_picture(struct picture *g, const char *title, const char *x_name, const char *y_name)
{
	widen(&g->x0, &g->x1);
	widen(&g->y0, &g->y1);
	fprintf(g->out,
	        "<figure style=\"max-width:36rem\"><svg class=\"own\" viewBox=\"0 0 %.0f %.0f\" role=\"img\" "
	        "aria-label=\"%s\">\n",
	        WIDE, HIGH, title);
	ticks(g, g->x0, g->x1, tick_x);
	ticks(g, g->y0, g->y1, tick_y);
	fprintf(
	    g->out,
	    "<text x=\"%.1f\" y=\"%.1f\" text-anchor=\"middle\">%s</text>"
	    "<text x=\"14\" y=\"%.1f\" transform=\"rotate(-90 14 %.1f)\" text-anchor=\"middle\">%s</text>\n",
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

void plan_picture_curve(FILE *out, const struct plan *p)
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

void plan_picture_cut_off(FILE *out, const struct plan *p)
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

/* Torque at rest by crank position, with the starting cut-off; where no inlet is open it is 0. */
void plan_picture_start(FILE *out, const struct plan *p)
{
	struct picture g = {.out = out, .x0 = 0, .x1 = 360, .y0 = 0, .y1 = fmax(p->start.most_nm, 1)};
	double friction = plan_friction_nm(p->machine);
	open_picture(&g, "torque at rest by crank position", "crank angle, deg", "torque at rest, N m");
	line_begin(&g, "none");
	for (int degree = 0; degree < CYCLE_DEGREES; degree++)
		line_point(&g, degree + 0.5, p->start.torque_nm[degree]);
	line_end(&g);
	line_begin(&g, "2 4");
	line_point(&g, 0, friction);
	line_point(&g, 360, friction);
	line_end(&g);
	close_picture(&g,
	              "Torque at rest by crank position with the starting cut-off, before friction (dotted). "
	              "Where it is below, the crank must be pushed.");
}
