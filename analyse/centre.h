/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The true dead centre.
 *
 * Sealed chambers: with all valves shut and the crank turned slowly through, the
 * pressure of an end peaks near its dead centre - early in the sense of turning
 * by the heat the air loses, late by the gauge's lag.  Both are odd in the sense
 * of turning, and so the middle of forward and backward peaks at equal speed is
 * the dead centre.  Peak: quartic of the logarithm of the pressure against the
 * angle, Newton on its derivative.
 *
 * Positive stops: a block stops the piston at the same place before and after
 * the dead centre; the rider's button marks both.  Equal travel on either side. */
#ifndef TRAMMEL_CENTRE_H
#define TRAMMEL_CENTRE_H

#include "analyse/crank.h"

struct centre_pass { /* a pressure peak */
	enum engine_end end;
	int sense; /* +1 forward, -1 backward */
	double t_us;
	double off_rad;         /* past the end's dead centre as the engine file has it */
	double omega_rad_s;     /* > 0 */
	double peak_pa, low_pa; /* absolute; low: least within 45 deg */
};

struct centre_stops {                 /* a pair of marks */
	double first_rad, second_rad; /* crank angle at them */
	double sd_rad;                /* of either: between two edges */
	bool known;
};

struct centre; /* opaque */
struct centre *centre_new(const struct engine *e);
void centre_free(struct centre *c);
/* Looks for peaks and marks in the leg's core.  0, or -1 with fault (memory). */
int centre_add(struct centre *c, const struct leg *leg, const struct crank *crank, struct fault *fault);
const struct centre_pass *centre_passes(const struct centre *c, size_t *n);
const struct centre_stops *centre_pairs(const struct centre *c, size_t *n);

struct centre_end_result {          /* of one end */
	unsigned forward, backward; /* passes */
	double off_rad, off_sd_rad; /* dead centre past where the engine file has it; NAN */
	double half_rad;            /* half of forward minus backward peak, at the mean speed */
	double half_at_rest_rad; /* the same where the speed goes to zero; NAN when the speeds do not tell */
	double speed_rad_s[2];   /* mean, forward and backward */
	double model_sd_rad;     /* what heat, leak, lag and play may leave in the middle of both ways */
	double ratio;            /* median of peak over low pressure */
};

/* Middle of the peaks of one end; false when there are not two passes each way. */
bool centre_solve(const struct centre *c, enum engine_end end, struct centre_end_result *out);

/* What is measured is the dead centre; what is wanted is the angle at which the
 * index closes.  Between the two the toothed wheel's own errors come in, as far as they are not
 * known: once to four times a turn, each as likely and as large.  The ends are weighed so that as
 * little of them as possible remains (kriging with an unknown mean; Cressie, Statistics for Spatial
 * Data, 1993, 3.2 - value from memory). */
struct centre_index {
	double off_rad, sd_rad; /* of the index: how far the engine file's angle is too great */
	double wheel_sd_rad;    /* the part of sd by the wheel's own errors */
	double apart_rad;       /* the ends' dead centres; NAN with one end */
	double apart_sd_rad;    /* ... may differ by as much */
};
/* `has`: ends that are solved, at least one.  The ends that disagree by more than expected widen sd. */
struct centre_index centre_weigh(const struct mech *m, const struct wheel *w, double index_rad,
                                 const struct centre_end_result end[END_COUNT], const bool has[END_COUNT]);

/* What the wheel's own errors may do to the way from one place of the crank to another, rad. */
double centre_wheel_sd(const struct wheel *w, double from_rad, double to_rad);

/* The way the crank first turned by a quarter turn, as `crank` has it: 1 forward, -1, 0 = it never did. */
int centre_first_way(const struct centre *c);

/* Where the index closes if the crank turned the other way round than was taken: +-pi. `off_rad`: as found.
 */
double centre_mirrored_index(const struct mech *m, const struct wheel *w, double off_rad);

/* Dead centre by the stops: how far past where the engine file has the dead
 * centre of `end` the middle of equal travel lies, and its scatter; false when
 * there is no usable pair. */
bool centre_solve_stops(const struct centre *c, enum engine_end end, double *off_rad, double *sd_rad,
                        unsigned *pairs);

#endif
