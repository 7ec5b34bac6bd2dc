/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Angle, speed and their scatter at every accepted edge of a run, from all
 * edges before and after (fixed-interval smoother in the modified
 * Bryson-Frazier form: Bierman, Automatica 9 (1973) 383). */
#ifndef TRAMMEL_CRANK_SMOOTH_H
#define TRAMMEL_CRANK_SMOOTH_H

#include <math.h>
#include <stdbool.h>
#include <stddef.h>

struct smooth_edge {
	double t_s;
	double angle_rad; /* of the slot, by the learned wheel */
};

struct smooth_state {
	double theta_rad, omega_rad_s;
	double theta_var; /* rad2; the wheel taken as exact */
	bool wrong;       /* the edge is far off what all others say: left out */
};

struct smooth_noise {
	double edge_sd_rad;
	double drift_rad2_s4; /* growth of the acceleration's variance per radian turned */
	int steepness;        /* ... at `pivot_rad_s`; with that power of the speed elsewhere */
	double pivot_rad_s;
};

/* Growth of the acceleration's variance per second. */
static inline double smooth_drift(const struct smooth_noise *noise, double omega_rad_s)
{
	double drift = noise->drift_rad2_s4 * fabs(omega_rad_s);
	double part = noise->steepness != 0 ? fmax(fabs(omega_rad_s) / noise->pivot_rad_s, 0.1) : 1;
	for (int i = 0; i < noise->steepness; i++)
		drift *= part;
	for (int i = 0; i > noise->steepness; i--)
		drift /= part;
	return drift;
}

struct smooth_work; /* opaque: storage for one block */
struct smooth_work *smooth_work_new(void);
void smooth_work_free(struct smooth_work *w);

/* Smooths n >= 2 edges, rising in time, into out[n].  Edges far off what their
 * neighbours say weigh less, or nothing. */
void smooth_run(struct smooth_work *w, const struct smooth_noise *noise, const struct smooth_edge *edge,
                size_t n, struct smooth_state *out);

/* Log density of the edges, to compare what slots they may be: noise taken twice
 * as large as it is, single edges far off counting no more than a few standard
 * deviations.  Root mean square of the innovations over theirs in *rms (1 = as
 * the noise says). */
double smooth_density(const struct smooth_noise *noise, const struct smooth_edge *edge, size_t n,
                      double *rms);

/* Edge scatter and drift that make the edges most likely, both positive.
 * False when there are too few edges (less than 32). */
bool smooth_fit_noise(const struct smooth_edge *edge, size_t n, struct smooth_noise *noise);

#endif
