/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The sender: its clock, the records it drops, and their way out. */
#ifndef TRAMMEL_REHEARSE_SENDER_H
#define TRAMMEL_REHEARSE_SENDER_H

#include "analyse/rehearse/prng.h"
#include "analyse/rehearse/settings.h"
#include "common/record.h"

#include <stdbool.h>

/* Where records go, in the order sent.  0, or -1 when no more can be taken. */
struct rehearse_sink {
	void *ctx;
	int (*record)(void *ctx, const struct record *r);
};

struct sender {
	struct rehearse_sink sink;
	char name[40]; /* sent in every hello */
	double start_us, tick_us, skew, drift_per_s;
	double epoch_us; /* subtracted since a reset */
	double loss_mean_s, next_loss_s;
	unsigned batch, losing;
	uint64_t sent, lost;
	double disorder;
	bool holds;
	struct record held;
	struct prng random;
	bool failed; /* the sink refused */
};

struct sender sender_make(const struct settings *s, const struct rehearse_sink *sink, struct prng random);

/* Sender time, us, counting on through wraps and resets. */
double sender_us(const struct sender *s, double t_s);

/* The record's t_us is set from t_s. */
void sender_send(struct sender *s, double t_s, struct record r);

/* A hello; it carries no time. */
void sender_hello(struct sender *s);

/* The clock starts again at 0. */
void sender_reset(struct sender *s, double t_s);

/* Sends what is held back. */
void sender_end(struct sender *s);

#endif
