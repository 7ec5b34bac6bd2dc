/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/timeline.h"

#include <stdlib.h>
#include <string.h>

#define BACK_US 1000000  /* disorder a sender's queues may make */
#define STEP_US 250000   /* longer steps forward are looked at twice */
#define NEAR_US 10000000 /* followers this near to a jump confirm it */
#define LOOK_AHEAD 4

struct waiting {
	struct log_record record;
	char text[RECORD_TEXT_MAX];
};

struct timeline {
	struct log *log;
	struct waiting queue[LOOK_AHEAD];
	char text[RECORD_TEXT_MAX]; /* of the record handed out */
	size_t head, n;
	bool started;
	bool reset_told; /* the recorder saw the sender start again */
	int64_t last_us; /* unwrapped */
	int64_t last_mono_us;
	unsigned epoch;
	uint64_t ordinal;
	struct timeline_counts counts;
};

struct timeline *timeline_new(struct log *log)
{
	struct timeline *t = calloc(1, sizeof *t);
	if (t != NULL)
		t->log = log;
	return t;
}

void timeline_free(struct timeline *t)
{
	free(t);
}

void timeline_rewind(struct timeline *t)
{
	struct log *log = t->log;
	log_rewind(log);
	*t = (struct timeline){.log = log};
}

const struct timeline_counts *timeline_counts(const struct timeline *t)
{
	return &t->counts;
}

/* Host-side kinds and the hello carry no sender time of their own. */
static bool timeless(unsigned kind)
{
	return kind == RECORD_ARRIVAL || kind == RECORD_GAP || kind == RECORD_ALARM || kind == RECORD_HELLO;
}

/* Takes the next record, from the queue or the log. */
static int take(struct timeline *t, struct log_record *out, struct fault *fault)
{
	if (t->n == 0)
		return log_next(t->log, out, fault);
	struct waiting *w = &t->queue[t->head];
	*out = w->record;
	if (out->r.text_len > 0)
		out->r.text = w->text;
	t->head = (t->head + 1) % LOOK_AHEAD;
	t->n--;
	return 1;
}

/* Fills the queue up, so that what follows a jump can be looked at. */
static int look_ahead(struct timeline *t, struct fault *fault)
{
	while (t->n < LOOK_AHEAD - 1) {
		struct waiting *w = &t->queue[(t->head + t->n) % LOOK_AHEAD];
		int got = log_next(t->log, &w->record, fault);
		if (got <= 0)
			return got;
		if (w->record.r.text_len > 0)
			memcpy(w->text, w->record.r.text, w->record.r.text_len);
		t->n++;
	}
	return 1;
}

static int32_t apart_us(uint32_t later, uint32_t earlier)
{
	return (int32_t)(later - earlier);
}

/* True when the records that follow agree with the jump rather than with what
 * was before it.  A jump that nothing follows is believed only forward. */
static bool jump_is_true(const struct timeline *t, uint32_t candidate)
{
	int for_jump = 0, against = 0;
	for (size_t i = 0; i < t->n; i++) {
		const struct record *r = &t->queue[(t->head + i) % LOOK_AHEAD].record.r;
		if (timeless(r->kind))
			continue;
		int32_t a = apart_us(r->t_us, candidate), b = apart_us(r->t_us, (uint32_t)t->last_us);
		for_jump += a >= -BACK_US && a <= NEAR_US;
		against += b >= -BACK_US && b <= STEP_US;
	}
	if (for_jump == 0 && against == 0)
		return apart_us(candidate, (uint32_t)t->last_us) >= 0;
	return for_jump > against || (for_jump == against && apart_us(candidate, (uint32_t)t->last_us) >= 0);
}

/* A new epoch: the smallest time after the last one with these low 32 bits. */
static void begin_epoch(struct timeline *t, uint32_t raw)
{
	int64_t base = t->last_us & ~(int64_t)UINT32_MAX;
	int64_t us = base + raw;
	if (us <= t->last_us)
		us += (int64_t)UINT32_MAX + 1;
	t->last_us = us;
	t->epoch++;
	t->counts.resets++;
}

static void step_to(struct timeline *t, uint32_t raw)
{
	int64_t us = t->last_us + apart_us(raw, (uint32_t)t->last_us);
	t->counts.wraps += (us >> 32) > (t->last_us >> 32);
	t->last_us = us;
}

/* Host time that passed since the record before; -1 when not known. */
static int64_t host_gap_us(const struct timeline *t, const struct log_record *l)
{
	if (!l->facts->live || l->facts->start_mono_us == 0 || t->last_mono_us == 0)
		return -1;
	return l->facts->start_mono_us - t->last_mono_us;
}

/* Places one link record.  False: its time is impossible, leave it out. */
static int place(struct timeline *t, const struct log_record *l, struct timeline_record *out,
                 struct fault *fault)
{
	uint32_t raw = l->r.t_us;
	if (!t->started) {
		t->started = true;
		t->last_us = raw;
		return 1;
	}
	int32_t step = apart_us(raw, (uint32_t)t->last_us);
	if (t->reset_told) {
		t->reset_told = false;
		begin_epoch(t, raw);
		return 1;
	}
	if (step >= -BACK_US && step <= STEP_US) {
		step_to(t, raw);
		return 1;
	}
	if (look_ahead(t, fault) < 0)
		return -1;
	if (!jump_is_true(t, raw)) {
		t->counts.outliers++;
		return 0;
	}
	if (l->new_session && host_gap_us(t, l) < 0 && (step < 0 || step > NEAR_US))
		out->break_before = true;
	if (step < -BACK_US)
		begin_epoch(t, raw);
	else
		step_to(t, raw);
	return 1;
}

int timeline_next(struct timeline *t, struct timeline_record *out, struct fault *fault)
{
	struct log_record l;
	for (;;) {
		int got = take(t, &l, fault);
		if (got <= 0)
			return got;
		*out = (struct timeline_record){.ordinal = t->ordinal++};
		got = 1;
		if (l.r.text_len > 0) { /* looking ahead would take it away */
			memcpy(t->text, l.r.text, l.r.text_len);
			l.r.text = t->text;
		}
		if (l.r.kind == RECORD_GAP && l.r.channel == GAP_SENDER_RESET)
			t->reset_told = t->started;
		out->timed = !timeless(l.r.kind);
		if (out->timed)
			got = place(t, &l, out, fault);
		if (got < 0)
			return -1;
		if (got == 0)
			continue;
		t->last_mono_us = l.mono_us;
		out->r = l.r;
		out->t_us = t->last_us;
		out->epoch = t->epoch;
		return 1;
	}
}
