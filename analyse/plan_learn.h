/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a plan wants to know beyond the report, gathered from the events as the
 * analysis finds them: how delays change with supply pressure, battery and speed, how
 * the controller errs over speed, whether it fires only when it counts a tooth. */
#ifndef TRAMMEL_PLAN_LEARN_H
#define TRAMMEL_PLAN_LEARN_H

#include "analyse/analysis.h"
#include "analyse/resistance.h"
#include "analyse/series.h"

/* What a valve's delay may depend on: Pa absolute, V, rad/s. */
enum plan_covariate { PLAN_SUPPLY, PLAN_BATTERY, PLAN_SPEED, PLAN_COVARIATES };

#define PLAN_PHASES 64
struct plan_lattice { /* where in a tooth's pitch the controller fired: one edge a tooth, and both */
	unsigned n, phase[2][PLAN_PHASES];
};

struct plan_learn {                                /* 1.7 MiB: allocate it */
	struct engine engine;                      /* shallow copy */
	int channel[PLAN_COVARIATES];              /* of the sensor; -1 = none */
	struct series delay[ENGINE_VALVES_MAX][2]; /* [off, on]: s over the covariates */
	struct series fired[ENGINE_VALVES_MAX]
	                   [2]; /* command less setting, lead added back, rad, over speed, rad/s */
	struct series count;    /* the controller's count error, rad, over speed, rad/s */
	struct plan_lattice lattice;
	struct resistance resistance;
};

/* `learn` is filled while analysis_run works with the sink. */
void plan_learn_start(struct plan_learn *learn, const struct engine *e);
struct analysis_sink plan_learn_sink(struct plan_learn *learn);

/* How a delay changes with its covariates, in one ride. */
struct plan_trend {
	size_t n;                     /* events; 0 = none */
	double mean[PLAN_COVARIATES]; /* of the events; NAN = no such sensor */
	double low[PLAN_COVARIATES], high[PLAN_COVARIATES];
	bool told[PLAN_COVARIATES]; /* it varied enough to say how the delay changes */
	double per[PLAN_COVARIATES];
	double cov[PLAN_COVARIATES][PLAN_COVARIATES]; /* 1.96 sd is half a 95 % interval */
};
void plan_learn_trend(const struct plan_learn *learn, unsigned valve, bool on, struct plan_trend *out);

/* The controller's own angle against the true one: true = own + offset + latency x
 * speed, a robust line over all its commands.  Where the speed hardly changed all is offset.
 * False when its angle is not known. */
bool plan_learn_count(const struct plan_learn *learn, double *offset_rad, double *latency_s);

/* Angle between the places at which the controller fires; 0 when it fires
 * between teeth, or when that cannot be told. */
double plan_learn_pitch_rad(const struct plan_learn *learn);

#endif
