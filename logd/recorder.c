/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logd/recorder.h"

#include "common/unit.h"
#include "logd/clock.h"
#include "logd/source.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#define WAIT_MS 50
#define BATCH_US 5000          /* live: fewer, larger turns */
#define ARRIVAL_EVERY_US 10000 /* the clock fit needs the quickest of many, not all */
#define REST_US (60LL * CLOCK_SECOND_US)
#define NOISE_US (5LL * CLOCK_SECOND_US)
#define ALARM_SHOWN_US (10LL * CLOCK_SECOND_US)

static void tell_gaps(struct recorder *w, bool force)
{
	struct record gap;
	while (w->gaps.waiting && gaps_next(&w->gaps, w->now_us, force || !w->live, w->sender.last_us, &gap))
		store_add(w->store, &gap);
}

/* --- alarms --- */

static enum log_kind log_kind_of(unsigned alarm)
{
	return (enum log_kind)(LOG_ALARM_SUPPLY + (int)alarm - ALARM_SUPPLY);
}

static void say_alarm(struct recorder *w, const struct record *a)
{
	const struct engine *e = w->engine;
	enum log_kind kind = log_kind_of(a->channel);
	if (a->channel == ALARM_SUPPLY)
		log_say(w->log, kind, LOG_LEVEL_WARNING,
		        "supply pressure %.2f bar gauge is above the limit of %.2f bar gauge",
		        (double)a->value / 1e5, unit_bar_gauge(e->limit_supply_pa, e->ambient_pa));
	else if (a->channel == ALARM_SPEED)
		log_say(w->log, kind, LOG_LEVEL_WARNING, "speed %.0f rpm is above the limit of %.0f rpm",
		        (double)a->value / 1e3, unit_rpm(e->limit_speed_rad_s));
	else
		log_say(w->log, kind, LOG_LEVEL_WARNING, "%lld of %u teeth missed in one turn",
		        (long long)a->value, engine_crank_teeth(e));
}

static void raise_alarm(struct recorder *w, const struct record *a)
{
	store_add(w->store, a);
	status_add(&w->status->alarms, 1);
	status_set(&w->status->alarm_until_us[a->channel], clock_mono_us() + ALARM_SHOWN_US);
	say_alarm(w, a);
}

/* --- what the link gives --- */

static void note_restart(struct recorder *w)
{
	struct record gap = gaps_record(GAP_SENDER_RESET, w->sender.last_us, 0, "the sender started again");
	store_add(w->store, &gap);
	status_add(&w->status->sender_resets, 1);
	alarms_interrupt(&w->alarms);
}

static void on_record(void *ctx, const struct record *r)
{
	struct recorder *w = ctx;
	struct record alarm;
	if (sender_follow(&w->sender, r, w->now_us))
		note_restart(w);
	if (w->gaps.waiting)
		tell_gaps(w, false);
	store_add(w->store, r);
	w->timed_record |= r->kind != RECORD_HELLO;
	w->moved |= r->kind == RECORD_TOOTH;
	if (alarms_follow(&w->alarms, r, &alarm))
		raise_alarm(w, &alarm);
}

static void on_damage(void *ctx, const struct link_damage *d)
{
	struct recorder *w = ctx;
	gaps_add(&w->gaps, GAP_DAMAGED, (int64_t)d->bytes, d->why);
}

static void on_frames_lost(void *ctx, unsigned frames)
{
	struct recorder *w = ctx;
	gaps_add(&w->gaps, GAP_FRAMES_LOST, frames, NULL);
	alarms_interrupt(&w->alarms);
}

/* --- pieces of the stream --- */

static void note_arrival(struct recorder *w)
{
	if (!w->live || !w->timed_record || w->now_us < w->arrival_us)
		return;
	w->arrival_us = w->now_us + ARRIVAL_EVERY_US;
	struct record r = record_make(RECORD_ARRIVAL, w->sender.last_us, 0, w->now_us);
	store_add(w->store, &r);
}

/* A ride begins where the crank turns after a rest. */
static void note_movement(struct recorder *w)
{
	if (!w->moved)
		return;
	int64_t now = clock_mono_us();
	store_riding(w->store, w->ever_moved && now - w->moved_us > REST_US);
	w->ever_moved = true;
	w->moved_us = now;
	w->moved = false;
}

static void note_noise(struct recorder *w, uint64_t valid)
{
	if (valid != w->valid_seen || w->noise_us == 0)
		w->noise_us = w->now_us;
	w->valid_seen = valid;
	if (w->live && w->now_us - w->noise_us > NOISE_US)
		log_say(w->log, LOG_NOISE, LOG_LEVEL_WARNING,
		        "bytes arrive, but nothing valid for 5 s: check --baud, --link and the wiring");
}

static int64_t milli(double value)
{
	return isnan(value) ? STATUS_NONE : llround(value * 1000);
}

static void publish(struct recorder *w)
{
	const struct link_counts *c = link_decoder_counts(w->decoder);
	struct status *t = w->status;
	status_set(&t->records, (int64_t)c->records);
	status_set(&t->units, (int64_t)c->units);
	status_set(&t->damaged_bytes, (int64_t)c->damaged_bytes);
	status_set(&t->frames_lost, (int64_t)c->frames_lost);
	status_set(&t->speed_mrpm, milli(w->alarms.speed_rpm));
	for (unsigned i = 0; i < ENGINE_SENSORS_MAX; i++)
		status_set(&t->sensor_milli[i], milli(alarms_sensor(&w->alarms, i)));
}

static void take_data(struct recorder *w, const struct ring_view *v)
{
	w->now_us = w->live ? v->host_us : 0;
	w->timed_record = false;
	for (int i = 0; i < 2 && v->span[i].iov_len > 0; i++)
		link_decode(w->decoder, v->span[i].iov_base, v->span[i].iov_len, &w->sink);
	note_arrival(w);
	note_movement(w);
	note_noise(w, link_decoder_counts(w->decoder)->units);
	status_set(&w->status->last_record_us, v->host_us);
	publish(w);
}

static void interrupt(struct recorder *w, enum record_gap reason, int64_t amount, const char *why)
{
	/* Half a line may look whole: "sample,7,0,51" is what is left of 512 counts. */
	link_decoder_reset(w->decoder);
	tell_gaps(w, true);
	struct record gap = gaps_record(reason, w->sender.last_us, amount, why);
	store_add(w->store, &gap);
	alarms_interrupt(&w->alarms);
}

/* What came up may be of another kind than what was waited for. */
static void note_source(struct recorder *w)
{
	char label[SOURCE_LABEL_MAX];
	source_label((enum source_kind)status_get(&w->status->source_kind), w->link, w->baud, label);
	store_source(w->store, label);
}

static void take_event(struct recorder *w, const struct ring_view *v)
{
	switch (v->kind) {
	case RING_LINK_DOWN:
		interrupt(w, GAP_LINK_DOWN, 0, v->text);
		log_say(w->log, LOG_LINK, LOG_LEVEL_WARNING, "link down: %s; trying to open it again",
		        v->text);
		break;
	case RING_LINK_UP:
		interrupt(w, GAP_LINK_UP, v->value, v->text);
		note_source(w);
		log_say(w->log, LOG_LINK, LOG_LEVEL_NOTICE, "link up again after %.1f s: %s",
		        (double)v->value / 1e6, v->text);
		break;
	case RING_DROPPED:
		interrupt(w, GAP_RING_FULL, v->value, "the disk held the recorder up for too long");
		log_say(w->log, LOG_DROPPED, LOG_LEVEL_WARNING,
		        "%lld byte%s dropped: the disk held the recorder up for too long",
		        (long long)v->value, log_s(v->value));
		break;
	case RING_OVERRUN:
		interrupt(w, GAP_OVERRUN, v->value, "the port's driver lost bytes");
		log_say(w->log, LOG_DROPPED, LOG_LEVEL_WARNING, "the port's driver lost %lld byte%s",
		        (long long)v->value, log_s(v->value));
		break;
	case RING_DATA:
	case RING_END:
		break;
	}
}

static void finish(struct recorder *w, bool whole, const char *why)
{
	if (whole)
		link_decode_end(w->decoder, &w->sink);
	tell_gaps(w, true);
	publish(w);
	snprintf(w->why, sizeof w->why, "%s", why);
	w->lost = store_close(w->store) != 0;
}

/* Takes everything that is there; false after the end. */
static bool drain(struct recorder *w)
{
	struct ring_view v;
	while (ring_peek(w->ring, &v)) {
		if (v.kind == RING_END) {
			finish(w, v.value != 0, v.text);
			return false;
		}
		if (v.kind == RING_DATA)
			take_data(w, &v);
		else
			take_event(w, &v);
		ring_release(w->ring);
		store_turn(w->store);
	}
	return true;
}

static void rest(const struct recorder *w)
{
	if (w->live)
		nanosleep(&(struct timespec){.tv_nsec = BATCH_US * 1000}, NULL);
	ring_wait_data(w->ring, WAIT_MS);
}

void *recorder_run(void *arg)
{
	struct recorder *w = arg;
	w->sink = (struct link_sink){w, on_record, on_damage, on_frames_lost};
	alarms_init(&w->alarms, w->engine);
	while (drain(w)) {
		if (atomic_exchange(w->rotate, false))
			store_rotate(w->store);
		if (w->gaps.waiting && w->live) {
			w->now_us = clock_mono_us();
			tell_gaps(w, false);
		}
		store_turn(w->store);
		rest(w);
	}
	uint64_t one = 1;
	(void)!write(w->done_fd, &one, sizeof one);
	return NULL;
}
