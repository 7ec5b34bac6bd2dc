/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A leg with a known crank and a known diagram, for the stroke tests: the angle
 * runs with a ripple, the pressure of an end follows a given function of the
 * angle past its own dead centre, sensors sample without noise. */
#ifndef STROKE_RIG_H
#define STROKE_RIG_H

#include "analyse/strokes.h"

typedef double (*stroke_rig_diagram)(double phi_rad, const void *ctx);

struct stroke_rig {
	struct engine engine;
	struct mech mech;
	struct wheel wheel;
	struct leg leg;
	struct crank crank;
	struct crank_point *point;
};

/* Sensors: 0 supply, 1 cap, 2 rod.  An oscillating cylinder; change before stroke_rig_run. */
extern const struct engine stroke_rig_engine;

/* Turns the crank `turns` times from `start_rad` at `rpm` (ripple 5 %, twice a turn),
 * sampling every `sample_us`. */
struct stroke_rig *stroke_rig_run(const struct engine *e, double rpm, double turns, double start_rad,
                                  double sample_us, stroke_rig_diagram diagram, const void *ctx);
void stroke_rig_free(struct stroke_rig *r);

/* The loop's work by 400 000 steps, J. */
double stroke_rig_work_j(const struct mech *m, enum engine_end end, stroke_rig_diagram diagram,
                         const void *ctx);

#define STROKE_RIG_SUPPLY_PA 6.2e5

#endif
