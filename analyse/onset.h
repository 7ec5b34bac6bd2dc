/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The onset of flow: when a passage of one chamber opened or shut, from the
 * chamber's gas balance (ideal gas, one temperature, first law for an open system):
 *
 *   V dp/dt = gamma [sum of F] - gamma p dV/dt + (gamma - 1) H (1 - T/Tw)
 *   dM/dt   = sum of F (inflow), F Tw/T (outflow);   T/Tw = p V / M
 *
 * F = a(t) K p_up phi(p_down/p_up) for a passage, inward positive, with the flow function phi of
 * ISO 6358 (air.h) and K = C rho0 R sqrt(T0 Tw) (m3/s), outflow times sqrt(T/Tw).  What flows in
 * has the walls' temperature Tw.  M is the air's mass times R Tw; H = (wall heat, W/K) x Tw, with as
 * much of the walls as the piston lays open.  The
 * area a(t) goes from 0 to 1 (or 1 to 0) over `ramp`, half way at t50, with the lift x that runs straight:
 * a = x + shape x (1 - x), so that shape < 0 opens slowly at first and shuts slowly at last.  The sensor
 * follows with a first-order lag; it may show `gain` more of what the pressure is above ambient than the
 * supply's sensor does, and all of it `zero` too high.
 *
 * Times are seconds after the command.  Nothing here allocates. */
#ifndef TRAMMEL_ONSET_H
#define TRAMMEL_ONSET_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define ONSET_CELLS_MAX 256
#define ONSET_SAMPLES_MAX 256

enum onset_passage { ONSET_INLET, ONSET_EXHAUST };

/* What a fit may move.  p0 = log pressure at the window's start, warm0 = log T/Tw there; K, heat
 * (H) and ramp as logarithms, the other's K and ramp as those of a factor. */
enum onset_parameter {
	ONSET_T50,
	ONSET_P0,
	ONSET_OTHER, /* the other passage moves this much later than expected, s */
	ONSET_K,
	ONSET_WARM0,
	ONSET_HEAT,
	ONSET_RAMP,
	ONSET_B,
	/* Seats, piston, gland: inward, as a share of K p_supply; < 0 outward, of K (p - p_ambient^2 / p). */
	ONSET_LEAK,
	ONSET_SHAPE,
	ONSET_WARM_SPEED, /* warm0 is this much more at e times the speed: less time for the walls */
	ONSET_OTHER_K,    /* the other passage's K and ramp beside what the window takes them for */
	ONSET_OTHER_RAMP,
	ONSET_LAG,  /* of the chamber's sensor, s; the supply's is taken to have the same */
	ONSET_GAIN, /* of the chamber's gauge beside the supply's, less 1 */
	ONSET_ZERO, /* of the chamber's gauge, Pa */
	ONSET_PARAMETERS
};

/* One chamber around one movement of one passage. */
struct onset_window {
	enum onset_passage passage; /* the one that moves */
	bool opening;
	size_t cells;           /* grid cells; nodes = cells + 1 */
	double start_s, step_s; /* node k at start + k step */
	double log_volume[ONSET_CELLS_MAX + 1];
	double volume_m3[ONSET_CELLS_MAX]; /* mid cell */
	double supply_pa[ONSET_CELLS_MAX]; /* as its sensor shows it, mid cell */
	double wall, wall_per_m3;          /* walls that the air touches: wall + wall_per_m3 V, relative */
	struct {
		double k_m3_s;
		bool moves, opening; /* moves: about t50; else it stays as `opening` says */
		double t50_s, ramp_s, shape;
	} other; /* the other passage */
	double ambient_pa;
	double log_speed; /* log of the crank's speed over 10 rad/s */
	size_t n;         /* samples, rising, inside the grid */
	double t_s[ONSET_SAMPLES_MAX];
	double p_pa[ONSET_SAMPLES_MAX];
	double noise_pa; /* sd of a sample, quantisation included */
};

/* Normal priors, and Student-t with 4 degrees of freedom for t50. */
struct onset_prior {
	double mean[ONSET_PARAMETERS];
	double sd[ONSET_PARAMETERS]; /* INFINITY = free, 0 = fixed */
	double earliest_s, latest_s; /* t50 is looked for in between */
};

enum onset_state { ONSET_MOVES, ONSET_STAYED, ONSET_OTHERWISE };

struct onset_result {
	double t50_s, sd_s; /* mean and sd over the profile likelihood */
	double value[ONSET_PARAMETERS];
	double misfit;               /* sum of squared standardised residuals */
	double log_bayes_factor;     /* moved at all against stayed as before */
	double log_against_opposite; /* moved against: was already in the end state */
	double expected;             /* misfit the prior's event would add if it did not happen */
	bool unimodal;
};

#define ONSET_LANES 8

/* Pressure the sensor would show at the window's samples for 1..ONSET_LANES
 * sets of parameters (t50 may be +-INFINITY).  Fills out[0..lanes-1][0..window->n-1]. */
void onset_predict(const struct onset_window *w, const double (*value)[ONSET_PARAMETERS], size_t lanes,
                   double (*out)[ONSET_SAMPLES_MAX]);

/* Rough log pressure at the start of the window, from the first samples. */
double onset_start(const struct onset_window *w, double until_s);

/* Fits one event.  False when the window holds too little to say anything
 * (fewer than 5 samples). */
bool onset_fit(const struct onset_window *w, const struct onset_prior *prior, struct onset_result *out);

/* Time at which an opening has changed the chamber's own pressure (without the sensor's lag) by this share of
 * the difference there was, against what it would have been; NAN when it does not get there. */
double onset_share_time(const struct onset_window *w, const double value[ONSET_PARAMETERS], double share);

struct onset_shared {                /* how surely the shared parameters are known */
	double sd[ONSET_PARAMETERS]; /* of K and those that follow it; NAN = not known */
	double t50_common_s;         /* sd that all t50 have in common because of that, the lag held */
	double t50_per_lag;          /* by how much they go with the sensor's lag, s per s */
};

/* The windows of one kind of event. `value[i]` starts and ends as the parameters of window i (the shared
 * ones are made equal); `use[i]` false leaves a window out. */
struct onset_kind {
	const struct onset_window *w;
	size_t n;
	const struct onset_prior *prior; /* acts on the shared parameters, on t50 and on the other's time */
	double (*value)[ONSET_PARAMETERS];
	const bool *use;
	/* The kind among those learned together whose movement is the other one in these windows: its K and
	 * ramp are the same.  -1 = none of them: the other's are held as the windows take them. */
	int other;
	struct onset_shared shared; /* found */
};

#define ONSET_KINDS_MAX 4

/* Learns what the events of up to ONSET_KINDS_MAX kinds of one end share, together with each event's own
 * t50, p0 and time of the other passage.  The sensor's lag, gain and zero are the same for all kinds, K, b
 * and shape for those of the same passage (there the first kind's prior counts); warm0 with its speed, H,
 * ramp, leak belong to a kind.  Each kind has a window in use.  Returns the objective (minus twice the log
 * posterior).
 */
double onset_learn(struct onset_kind *kind, size_t kinds);

#endif
