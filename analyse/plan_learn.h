/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a plan wants to know beyond the report, gathered from the events as the
 * analysis finds them: how delays change with the supply pressure, and whether
 * the controller fires only when it counts a tooth. */
#ifndef TRAMMEL_PLAN_LEARN_H
#define TRAMMEL_PLAN_LEARN_H

#include "analyse/analysis.h"

#define PLAN_SERIES_KEPT 1024
struct plan_series { /* values over something, thinned out as they fill it */
	size_t n;
	uint64_t seen, stride; /* every stride-th is kept */
	double x[PLAN_SERIES_KEPT], y[PLAN_SERIES_KEPT];
	int64_t turn[PLAN_SERIES_KEPT];
};

#define PLAN_PHASES 64
struct plan_lattice { /* where in a tooth's pitch the controller fired: one edge a tooth, and both */
	unsigned n, phase[2][PLAN_PHASES];
};

struct plan_learn {           /* 0.4 MiB: allocate it */
	struct engine engine; /* shallow copy */
	int supply_channel;
	struct plan_series delay[ENGINE_VALVES_MAX][2]; /* [off, on]: s over supply, Pa */
	struct plan_series count; /* the controller's count error, rad, over speed, rad/s */
	struct plan_lattice lattice;
};

/* `learn` is filled while analysis_run works with the sink. */
void plan_learn_start(struct plan_learn *learn, const struct engine *e);
struct analysis_sink plan_learn_sink(struct plan_learn *learn);

/* Change of the delay with supply pressure, s/Pa, and the pressure it turns about; a robust
 * line.  False when the pressures span less than 1 bar or the slope's interval holds 0. */
bool plan_learn_slope(const struct plan_learn *learn, unsigned valve, bool on, double *per_pa, double *at_pa);

/* The controller's own angle against the true one: true = own + offset + latency x
 * speed, a robust line over all its commands.  Where the speed hardly changed all is offset.
 * False when its angle is not known. */
bool plan_learn_count(const struct plan_learn *learn, double *offset_rad, double *latency_s);

/* Angle between the places at which the controller fires; 0 when it fires
 * between teeth, or when that cannot be told. */
double plan_learn_pitch_rad(const struct plan_learn *learn);

#endif
