/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logd/sender.h"

#include "logd/clock.h"

#include <stdlib.h>

/* Records of one frame come slightly out of order; nothing more than that. */
#define DISORDER_US (1 * CLOCK_SECOND_US)
/* Longest silence over a wrap that still counts as one after a hello. */
#define WRAP_SILENCE_US (60u * CLOCK_SECOND_US)
#define PACE_US (1 * CLOCK_SECOND_US)

static void accept(struct sender *s, uint32_t t_us, int64_t host_us)
{
	s->known = true;
	s->greeted = false;
	s->suspect = false;
	s->last_us = t_us;
	s->last_host_us = host_us;
}

/* The host's clock tells a restart even when the new count is the larger one. */
static bool pace_broken(const struct sender *s, uint32_t t_us, int64_t host_us)
{
	if (host_us == 0 || s->last_host_us == 0)
		return false;
	int64_t sender_took = (int32_t)(t_us - s->last_us), host_took = host_us - s->last_host_us;
	return host_took < INT32_MAX && llabs(sender_took - host_took) > PACE_US;
}

static bool restarted_after_hello(const struct sender *s, uint32_t t_us, int64_t host_us)
{
	bool wrapped = t_us - s->last_us < WRAP_SILENCE_US;
	return (t_us < s->last_us && !wrapped) || pace_broken(s, t_us, host_us);
}

/* The hello itself may be lost in the noise of a restart: two records in a row
 * on the new count tell as much. */
static bool restarted_unannounced(struct sender *s, uint32_t t_us)
{
	if ((int32_t)(t_us - s->last_us) > -DISORDER_US) {
		s->suspect = false;
		return false;
	}
	bool confirmed = s->suspect && labs((int32_t)(t_us - s->suspect_us)) < DISORDER_US;
	s->suspect = true;
	s->suspect_us = t_us;
	return confirmed;
}

bool sender_follow(struct sender *s, const struct record *r, int64_t host_us)
{
	bool calm = s->known && !s->greeted && !s->suspect;
	if (calm && r->kind != RECORD_HELLO && (int32_t)(r->t_us - s->last_us) >= 0) {
		s->last_us = r->t_us;
		s->last_host_us = host_us;
		return false;
	}
	if (r->kind == RECORD_HELLO) {
		s->greeted = s->known;
		return false;
	}
	if (!s->known) {
		accept(s, r->t_us, host_us);
		return false;
	}
	bool restarted =
	    s->greeted ? restarted_after_hello(s, r->t_us, host_us) : restarted_unannounced(s, r->t_us);
	if (restarted || (int32_t)(r->t_us - s->last_us) > 0)
		accept(s, r->t_us, host_us);
	if (!s->suspect)
		s->greeted = false;
	return restarted;
}
