/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The pick-ups and their faults: turns the motion of the last step into
 * changes of level, queued at their time. */
#ifndef TRAMMEL_REHEARSE_PICKUP_H
#define TRAMMEL_REHEARSE_PICKUP_H

#include "analyse/rehearse/index_switch.h"
#include "analyse/rehearse/plant.h"
#include "analyse/rehearse/queue.h"
#include "analyse/rehearse/sender.h"
#include "analyse/rehearse/truth.h"
#include "analyse/rehearse/wheel.h"

struct pickup {
	struct settings s;
	struct wheel wheel, second;
	bool level, level2; /* at the controller's pins */
	bool hidden;        /* the tooth now under the pick-up is not seen */
	enum cause hidden_why;
	struct index_switch index;
	bool index_level, index_hidden;
	double burst_until_s;
	bool backward; /* direction of the last edge */
	struct prng faults, bursts, index_faults, isr;
};

/* `index_deg`: true closing angle. */
void pickup_make(struct pickup *p, const struct engine *e, const struct settings *s, double index_deg,
                 double theta_deg, struct queue *q);

/* Edges and index of the plant's last step. */
void pickup_step(struct pickup *p, const struct plant *plant, const struct sender *clock, struct queue *q,
                 struct truth *t);

/* A burst begins (`again`: and the next is planned); its next false pulse; a false closing of the index. */
void pickup_burst(struct pickup *p, double t_s, bool again, struct queue *q, struct truth *t);
void pickup_noise(struct pickup *p, double t_s, struct queue *q, struct truth *t);
void pickup_false_index(struct pickup *p, double t_s, struct queue *q, struct truth *t);

#endif
