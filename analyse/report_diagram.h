/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the pictures take from the mean indicator diagrams of a report. */
#ifndef TRAMMEL_REPORT_DIAGRAM_H
#define TRAMMEL_REPORT_DIAGRAM_H

#include "analyse/report.h"

/* Middle of a bin of the diagram, crank angle past the end's own dead centre, rad. */
double diagram_phi_rad(size_t bin);

/* The chamber's volume there, ml, clearance included. */
double diagram_volume_ml(const struct report *r, enum engine_end end, size_t bin);

/* Torque of an end at a crank angle, by air alone, N m; NAN where the end was not measured. */
double diagram_torque_nm(const struct report *r, enum engine_end end, double theta_rad);

/* Stretches of one turn; true crank angles, rad; NAN = not known. */
struct diagram_arc {
	double from_rad, to_rad;
};

#define DIAGRAM_ARCS_MAX 8

/* Where the mean diagram pushes: by the same rule as the useful angle of a stroke.  Returns how many;
 * to_rad may be beyond a turn.  0 where the end was not measured. */
size_t diagram_useful(const struct report *r, enum engine_end end, struct diagram_arc out[DIAGRAM_ARCS_MAX]);

#endif
