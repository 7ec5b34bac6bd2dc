/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A toothed wheel with known truth, for the tests of the crank: its own
 * dynamics, its own faults, nothing shared with what it tests. */
#ifndef TRAMMEL_WHEEL_RIG_H
#define TRAMMEL_WHEEL_RIG_H

#include "analyse/ride.h"

enum wheel_motion {
	WHEEL_CONSTANT,
	WHEEL_SWEEP,
	WHEEL_COAST,
	WHEEL_ROCKING_START,
	WHEEL_STOP_AND_GO,
	WHEEL_BACK,
	WHEEL_TO_AND_FRO
};

struct wheel_setup {
	unsigned teeth;
	enum engine_edges edges;
	enum wheel_motion motion;
	double rpm, rpm_to; /* sweep: from rpm to rpm_to */
	double seconds;
	double duty;          /* high part of a pitch */
	double pitch_sd_deg;  /* independent error of each edge */
	double eccentric_deg; /* once a turn */
	double ripple_deg[7]; /* amplitude of the angle ripple of orders 1.. at 100 rpm (torque fixed) */
	double turned_rad;    /* the torque is turned by so much ... */
	double turned_from, turned_to; /* ... between these parts of the ride */
	double jitter_deg;             /* of each edge */
	double missed, extra;          /* part of the edges */
	double bounce;                 /* part of the edges followed by a second one within 1.5 ms */
	unsigned bursts;               /* of noise, 20 ms long */
	unsigned dropouts;             /* 0.25 s without teeth */
	double index_deg;              /* closes here turning forward; NAN = no switch */
	double index_missed, index_extra, index_bounce, index_late; /* parts of the closings */
	bool quadrature;     /* a second pick-up a quarter pitch further on */
	bool all_levels;     /* rising only, but the sender sends both */
	unsigned tooth_gone; /* this tooth is not there; 0 = all are */
	unsigned seed;
};

struct wheel_rig {
	struct engine engine;
	struct leg leg;
	double error_rad[1024]; /* true error of each slot, in order of the leading edge at its place */
	size_t true_edges, missed, extra, index_missed, index_extra, index_bounces;
	double (*gap_s)[2]; /* drop-outs: from, to */
	size_t gap_n;
	/* truth: dense table */
	double *theta;
	size_t theta_n;
	double step_s;
};

struct wheel_setup wheel_setup_plain(unsigned teeth, enum engine_edges edges, enum wheel_motion motion,
                                     unsigned seed);
struct wheel_rig *wheel_rig_new(const struct wheel_setup *s);
void wheel_rig_free(struct wheel_rig *r);

/* True crank angle, counting on; speed. */
double wheel_rig_theta(const struct wheel_rig *r, double t_us);

#endif
