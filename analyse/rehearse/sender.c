/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/rehearse/sender.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define FORMAT_VERSION 1

struct sender sender_make(const struct settings *s, const struct rehearse_sink *sink, struct prng random)
{
	struct sender o = {
	    .sink = *sink,
	    .start_us = s->counter,
	    .tick_us = s->tick,
	    .skew = s->skew * 1e-6,
	    .drift_per_s = s->drift * 1e-6 / 60,
	    .loss_mean_s = s->loss_rate > 0 ? 60 / s->loss_rate : INFINITY,
	    .batch = (unsigned)s->loss_batch,
	    .disorder = s->disorder,
	    .random = random,
	};
	snprintf(o.name, sizeof o.name, "rehearsal tick_us=%.0f", s->tick);
	o.next_loss_s = s->loss_rate > 0 ? prng_wait(&o.random, o.loss_mean_s) : INFINITY;
	return o;
}

double sender_us(const struct sender *s, double t_s)
{
	return s->start_us + 1e6 * t_s * (1 + s->skew + s->drift_per_s * t_s / 2);
}

static uint32_t stamp(const struct sender *s, double t_s)
{
	double us = sender_us(s, t_s) - s->epoch_us;
	return (uint32_t)(uint64_t)(floor(fmax(us, 0) / s->tick_us) * s->tick_us);
}

static void hand_out(struct sender *s, const struct record *r)
{
	if (s->failed)
		return;
	s->failed = s->sink.record(s->sink.ctx, r) != 0;
	s->sent++;
}

/* Only records without text are held: text is borrowed. */
static void pass_on(struct sender *s, const struct record *r)
{
	if (!s->holds && r->text_len == 0 && prng_chance(&s->random, s->disorder)) {
		s->held = *r;
		s->holds = true;
		return;
	}
	hand_out(s, r);
	if (s->holds)
		hand_out(s, &s->held);
	s->holds = false;
}

static bool drops(struct sender *s, double t_s)
{
	if (s->losing == 0 && t_s >= s->next_loss_s) {
		s->losing = s->batch;
		s->next_loss_s = t_s + prng_wait(&s->random, s->loss_mean_s);
	}
	if (s->losing == 0)
		return false;
	s->losing--;
	s->lost++;
	return true;
}

void sender_send(struct sender *s, double t_s, struct record r)
{
	r.t_us = stamp(s, t_s);
	if (drops(s, t_s)) {
		if (s->losing == 0) {
			struct record lost = record_make(RECORD_LOST, r.t_us, 0, s->batch);
			pass_on(s, &lost);
		}
		return;
	}
	pass_on(s, &r);
}

void sender_hello(struct sender *s)
{
	struct record r = record_make(RECORD_HELLO, 0, 0, FORMAT_VERSION);
	r.text = s->name;
	r.text_len = (uint16_t)strlen(s->name);
	pass_on(s, &r);
}

void sender_reset(struct sender *s, double t_s)
{
	sender_end(s);
	s->epoch_us = sender_us(s, t_s);
	s->losing = 0;
}

void sender_end(struct sender *s)
{
	if (s->holds)
		hand_out(s, &s->held);
	s->holds = false;
}
