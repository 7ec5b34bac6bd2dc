/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The machine to be controlled: air, valves, crank, pick-ups and sensors put
 * together and stepped in time.  Its controller, the rehearsal's own or a real one,
 * takes what happens out of the queue, reads the sensors and switches the coils. */
#ifndef TRAMMEL_REHEARSE_MACHINE_H
#define TRAMMEL_REHEARSE_MACHINE_H

#include "analyse/rehearse/coils.h"
#include "analyse/rehearse/gauge.h"
#include "analyse/rehearse/loops.h"
#include "analyse/rehearse/pickup.h"
#include "analyse/rehearse/plant.h"
#include "analyse/rehearse/queue.h"
#include "analyse/rehearse/sender.h"
#include "analyse/rehearse/settings.h"
#include "analyse/rehearse/truth.h"
#include "common/engine.h"
#include "common/fault.h"

struct machine {
	struct engine engine; /* borrowed insides */
	struct settings s;
	struct plant plant;
	struct coils coils;
	struct pickup pickup;
	struct gauge gauge[ENGINE_SENSORS_MAX]; /* rate_hz 0: not sampled */
	struct sender sender;                   /* its clock dates the truth */
	struct loops loops;
	struct queue queue; /* what happens at the pick-ups, and what the controller adds */
	struct truth *truth;
	double index_true_deg, start_theta_rad;
	uint64_t steps; /* done */
	bool ran_away;
};

/* Ready at time 0, into zeroed memory.  `truth_dir` as in truth_open; `sink` as
 * in sender_make.  0, or -1 with fault; machine_close is right after both. */
int machine_open(struct machine *m, const struct engine *e, const struct settings *s, const char *truth_dir,
                 const struct rehearse_sink *sink, struct fault *fault);
void machine_close(struct machine *m);

/* One step on; what happened in it is in the queue.  False: the engine has run
 * away, its state is good for nothing more. */
bool machine_step(struct machine *m);

/* A coil is switched at t_s. */
void machine_command(struct machine *m, double t_s, unsigned valve, bool on);

/* Counts of a channel at t_s, within the last step; 0 from one without sensor. */
int64_t machine_sample(struct machine *m, double t_s, unsigned channel);

/* False pulses and closings that came out of the queue make their mark. */
void machine_disturb(struct machine *m, const struct happening *h);

/* The ride is over: its sums go into the truth.  -1 with fault when it ran away
 * or something was not told. */
int machine_end(struct machine *m, struct fault *fault);

/* What the truth says of the machine; the controller's part is to be filled in. */
struct truth_facts machine_facts(const struct machine *m);

#endif
