/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The controller as a small board would do it: counts the edges it sees, sets
 * its angle at the index, and switches a coil while its angle lies between
 * the two settings.  It knows nothing of the truth. */
#ifndef TRAMMEL_REHEARSE_CONTROLLER_H
#define TRAMMEL_REHEARSE_CONTROLLER_H

#include "analyse/rehearse/prng.h"
#include "analyse/rehearse/queue.h"
#include "analyse/rehearse/settings.h"

struct controller_valve {
	bool present, on;
	double opens_deg, shuts_deg, lead_open_s, lead_shut_s;
};

struct controller {
	struct controller_valve valve[ENGINE_VALVES_MAX];
	double index_deg, pitch_deg, first_deg; /* its settings */
	bool interpolate;
	double latency_s, latency_jitter_s, blank_s;
	double belief_deg;              /* at the last edge or index; NAN = not known */
	double believed_s;              /* since when */
	double last_edge_s, interval_s; /* NAN = none yet */
	double smooth_s;                /* interval, smoothed */
	double last_index_s;
	bool after_index;    /* no edge since the index */
	unsigned generation; /* of its timer */
	struct prng *random;
	struct queue *queue;
};

/* `first_deg`: from index to the first counted edge. `index_deg`: its index
 * setting. Settings that s leaves open come from the engine file. */
void controller_make(struct controller *c, const struct engine *e, const struct settings *s, double index_deg,
                     double first_deg);

/* Switches itself off and on: knows nothing, all coils off. */
void controller_reset(struct controller *c);

/* Told its angle by hand. */
void controller_set(struct controller *c, double t_s, double deg);

/* A counted edge, a closing of the index, its own timer. */
void controller_edge(struct controller *c, double t_s);
void controller_index(struct controller *c, double t_s);
void controller_timer(struct controller *c, double t_s, unsigned generation);

#endif
