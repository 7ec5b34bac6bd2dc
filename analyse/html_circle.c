/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Three rings, from outside: asked, measured, pushing.  Angle 0 at the top,
 * rising clockwise. */
#include "analyse/html_circle.h"

#include "common/unit.h"

#include <math.h>

static const double TURN = 2 * UNIT_PI;
static const double SIDE = 420, CENTRE = 210;
static const double RING_R[3] = {150, 122, 94}, RING_W[3] = {14, 22, 10};

/* --- what the report knows ---------------------------------------------- */

static const struct valve_event_summary *summary_of(const struct report *r, enum engine_end end, int event)
{
	for (size_t i = 0; i < r->event_n; i++)
		if (r->event[i].end == end && r->event[i].event == event)
			return &r->event[i];
	return NULL;
}

static struct diagram_arc arc_between(const struct report *r, enum engine_end end, int opens, int shuts,
                                      bool actual)
{
	const struct valve_event_summary *a = summary_of(r, end, opens), *b = summary_of(r, end, shuts);
	if (a == NULL || b == NULL)
		return (struct diagram_arc){NAN, NAN};
	return actual ? (struct diagram_arc){a->actual_rad, b->actual_rad}
	              : (struct diagram_arc){a->intended_rad, b->intended_rad};
}

static bool known(struct diagram_arc a)
{
	return isfinite(a.from_rad) && isfinite(a.to_rad);
}

bool circle_timing_of(const struct report *r, enum engine_end end, struct circle_timing *out)
{
	*out = (struct circle_timing){0};
	for (int actual = 0; actual < 2; actual++) {
		struct diagram_arc *ring = actual ? out->actual : out->intended;
		ring[0] = arc_between(r, end, EVENT_ADMISSION, EVENT_CUT_OFF, actual);
		ring[1] = arc_between(r, end, EVENT_RELEASE, EVENT_COMPRESSION, actual);
	}
	out->useful_n = diagram_useful(r, end, out->useful);
	return known(out->intended[0]) || known(out->intended[1]) || known(out->actual[0]) ||
	       known(out->actual[1]) || out->useful_n > 0;
}

/* --- the picture ---------------------------------------------------------- */

static double x_of(double radius, double rad)
{
	return CENTRE + radius * sin(rad);
}

static double y_of(double radius, double rad)
{
	return CENTRE - radius * cos(rad);
}

static void ring(FILE *out, int k)
{
	fprintf(out,
	        "<circle cx=\"%g\" cy=\"%g\" r=\"%g\" fill=\"none\" class=\"s-rule\" stroke-width=\"1\"/>\n",
	        CENTRE, CENTRE, RING_R[k]);
}

static void arc(FILE *out, int k, struct diagram_arc a, const char *colour)
{
	if (!known(a))
		return;
	double span = fmod(a.to_rad - a.from_rad, TURN);
	span = span < 0 ? span + TURN : span;
	fprintf(out,
	        "<path d=\"M%.2f %.2fA%g %g 0 %d 1 %.2f %.2f\" fill=\"none\" class=\"s-%s\" "
	        "stroke-width=\"%g\"%s/>\n",
	        x_of(RING_R[k], a.from_rad), y_of(RING_R[k], a.from_rad), RING_R[k], RING_R[k],
	        span > UNIT_PI, x_of(RING_R[k], a.from_rad + span), y_of(RING_R[k], a.from_rad + span),
	        colour, RING_W[k], k == 0 ? " opacity=\".55\"" : "");
}

static void spoke(FILE *out, double rad, const char *text)
{
	const char *anchor = fabs(sin(rad)) < 0.3 ? "middle" : sin(rad) > 0 ? "start" : "end";
	fprintf(out, "<path d=\"M%.2f %.2fL%.2f %.2f\" class=\"s-ink\" stroke-width=\"1\"/>", x_of(80, rad),
	        y_of(80, rad), x_of(164, rad), y_of(164, rad));
	fprintf(out, "<text x=\"%.2f\" y=\"%.2f\" text-anchor=\"%s\">%s</text>\n", x_of(174, rad),
	        y_of(178, rad) + 5, anchor, text);
}

static void key(FILE *out)
{
	static const struct {
		const char *fill, *text;
	} KEY[] = {{"blue", "inlet open"}, {"plum", "exhaust open"}, {"amber", "air pushes"}};
	for (int i = 0; i < 3; i++) {
		double y = CENTRE - 22 + 20 * i;
		fprintf(out,
		        "<rect x=\"%g\" y=\"%g\" width=\"12\" height=\"12\" class=\"f-%s\"/><text x=\"%g\" "
		        "y=\"%g\">%s</text>\n",
		        CENTRE - 52, y - 10, KEY[i].fill, CENTRE - 34, y + 1, KEY[i].text);
	}
}

void html_circle(FILE *out, const struct circle_timing *t, enum engine_end end, double rod_dead_centre_rad)
{
	fprintf(out,
	        "<svg class=\"own\" role=\"img\" aria-label=\"timing circle of the %s end\" viewBox=\"0 0 %g "
	        "%g\">\n",
	        engine_end_name(end), SIDE, SIDE);
	for (int k = 0; k < 3; k++)
		ring(out, k);
	for (int v = 0; v < 2; v++) {
		const char *colour = v == 0 ? "blue" : "plum";
		arc(out, 0, t->intended[v], colour);
		arc(out, 1, t->actual[v], colour);
	}
	for (size_t i = 0; i < t->useful_n; i++)
		arc(out, 2, t->useful[i], "amber");
	spoke(out, 0, "cap-end dead centre");
	spoke(out, UNIT_PI / 2, "90");
	spoke(out, rod_dead_centre_rad, "rod-end dead centre");
	spoke(out, 3 * UNIT_PI / 2, "270");
	key(out);
	fputs("</svg>\n", out);
}
