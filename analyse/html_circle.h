/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The timing circle of an end: when its valves were to be open and when they
 * were, and over which arc the air pushed. */
#ifndef TRAMMEL_HTML_CIRCLE_H
#define TRAMMEL_HTML_CIRCLE_H

#include "analyse/report_diagram.h"

struct circle_timing {
	struct diagram_arc intended[2], actual[2];   /* [0] inlet open, [1] exhaust open */
	struct diagram_arc useful[DIAGRAM_ARCS_MAX]; /* where the mean diagram pushes */
	size_t useful_n;
};

/* Gathers what the report knows of an end; false when no arc is known. */
bool circle_timing_of(const struct report *r, enum engine_end end, struct circle_timing *out);

/* Writes the picture as an <svg> element. */
void html_circle(FILE *out, const struct circle_timing *t, enum engine_end end, double rod_dead_centre_rad);

#endif
