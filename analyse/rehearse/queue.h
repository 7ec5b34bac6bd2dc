/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Things that will happen, in order of time; equal times keep their order. */
#ifndef TRAMMEL_REHEARSE_QUEUE_H
#define TRAMMEL_REHEARSE_QUEUE_H

#include <stdbool.h>
#include <stddef.h>

#define QUEUE_MAX 512

enum happening_kind {
	HAPPENS_TOOTH,  /* the pick-up's level changes */
	HAPPENS_TOOTH2, /* the second pick-up's */
	HAPPENS_INDEX,  /* the index switch changes */
	HAPPENS_NOISE,  /* next false pulse of a burst */
	HAPPENS_BURST,  /* a burst begins */
	HAPPENS_FALSE_INDEX,
	HAPPENS_EVALUATE, /* the controller's timer: `number` = its generation */
	HAPPENS_COMMAND,  /* a coil is switched: `number` = valve */
	HAPPENS_SAMPLE,   /* `number` = channel */
	HAPPENS_HELLO,
	HAPPENS_RESET
};

enum cause {
	CAUSE_NONE,
	CAUSE_MISSED,
	CAUSE_SAME_TOOTH,
	CAUSE_EXTRA,
	CAUSE_BURST,
	CAUSE_BUSY,
	CAUSE_INDEX,
	CAUSE_REVERSAL
};

struct happening {
	double t_s;
	enum happening_kind kind;
	unsigned number;
	bool level;                          /* index: closed; command: on */
	double theta_deg;                    /* tooth: true angle of a true edge, else NAN */
	double intended_deg, controller_deg; /* command */
	enum cause cause;                    /* why this is false */
};

struct queue {
	struct happening item[QUEUE_MAX]; /* latest first */
	size_t len;
	size_t dropped; /* did not fit */
};

void queue_add(struct queue *q, const struct happening *h);

/* Takes the earliest that is due before t_s. */
bool queue_take(struct queue *q, double t_s, struct happening *h);

/* Forgets all of one kind. */
void queue_forget(struct queue *q, enum happening_kind kind);

#endif
