/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/ride_internal.h"

#include "common/unit.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sysexits.h>

#define LEG_RECORDS 500000      /* a leg is cut when it holds this many */
#define CONTEXT_MAX_US 10000000 /* shared with the neighbour, each side of the cut */
#define ASIDE_NICE 19
#define ANOTHER_RIDE (-2) /* what was read so far was of an older ride of the log */

/* --- columns ---------------------------------------------------------- */

/* Room for one more element of `size` bytes; keeps the pointer on failure. */
static bool make_room(void *column, size_t *room, size_t n, size_t size)
{
	if (n < *room)
		return true;
	size_t more = *room == 0 ? 1024 : *room * 2;
	void **p = column;
	void *grown = realloc(*p, more * size);
	if (grown == NULL)
		return false;
	*p = grown;
	*room = more;
	return true;
}

/* Adds an edge in time order; an exact duplicate is left out. */
static bool add_edge(struct ride_edge **column, size_t *n, size_t *room, int64_t t_us, int64_t level)
{
	if (!make_room(column, room, *n, sizeof **column))
		return false;
	struct ride_edge *e = *column, new = {.t_us = t_us, .level = level != 0};
	size_t i = *n;
	while (i > 0 && e[i - 1].t_us > t_us)
		i--;
	if (i > 0 && e[i - 1].t_us == t_us && e[i - 1].level == new.level)
		return true;
	memmove(e + i + 1, e + i, (*n - i) * sizeof *e);
	e[i] = new;
	(*n)++;
	return true;
}

static bool add_command(struct ride *r, const struct timeline_record *t)
{
	struct leg *leg = &r->fill->leg;
	if (!make_room(&leg->command, &r->fill->room.command, leg->command_n, sizeof *leg->command))
		return false;
	const struct engine_valve *v =
	    t->r.channel < ENGINE_VALVES_MAX ? &r->engine.valve[t->r.channel] : NULL;
	bool on = t->r.value != 0;
	double setting = v == NULL || !v->present ? NAN : on ? v->opens_rad : v->shuts_rad;
	struct ride_command c = {
	    .t_us = t->t_us,
	    .valve = t->r.channel,
	    .on = on,
	    .intended_rad =
	        t->r.intended_ddeg == RECORD_ANGLE_NONE ? setting : unit_rad(t->r.intended_ddeg / 10.0),
	    .controller_rad =
	        t->r.controller_ddeg == RECORD_ANGLE_NONE ? NAN : unit_rad(t->r.controller_ddeg / 10.0),
	};
	size_t i = leg->command_n++;
	for (; i > 0 && leg->command[i - 1].t_us > c.t_us; i--)
		leg->command[i] = leg->command[i - 1];
	leg->command[i] = c;
	return true;
}

static bool sensor_room(struct ride_series *s, size_t *room)
{
	size_t rt = *room, rv = *room, rc = *room;
	if (!make_room(&s->t_us, &rt, s->n, sizeof *s->t_us) ||
	    !make_room(&s->value, &rv, s->n, sizeof *s->value) ||
	    !make_room(&s->counts, &rc, s->n, sizeof *s->counts))
		return false;
	*room = rt;
	return true;
}

/* For one out of order. */
static void make_way(struct ride_series *s, size_t i)
{
	memmove(s->t_us + i + 1, s->t_us + i, (s->n - i) * sizeof *s->t_us);
	memmove(s->value + i + 1, s->value + i, (s->n - i) * sizeof *s->value);
	memmove(s->counts + i + 1, s->counts + i, (s->n - i) * sizeof *s->counts);
}

static bool add_sample(struct ride *r, const struct timeline_record *t)
{
	if (t->r.channel >= ENGINE_SENSORS_MAX || r->engine.sensor[t->r.channel].role == SENSOR_NONE)
		return true;
	struct ride_series *s = &r->fill->leg.sensor[t->r.channel];
	if (!sensor_room(s, &r->fill->room.sensor[t->r.channel]))
		return false;
	int64_t counts = t->r.value < 0 ? 0 : t->r.value > UINT16_MAX ? UINT16_MAX : t->r.value;
	float value = (float)engine_sensor_value(&r->engine.sensor[t->r.channel], (double)t->r.value);
	size_t i = s->n;
	while (i > 0 && s->t_us[i - 1] >= t->t_us) {
		if (s->t_us[i - 1] == t->t_us)
			return true; /* two samples at one time: keep the first */
		i--;
	}
	if (i < s->n)
		make_way(s, i);
	s->t_us[i] = t->t_us;
	s->value[i] = value;
	s->counts[i] = (uint16_t)counts;
	s->n++;
	return true;
}

static bool add_note(struct ride *r, const struct timeline_record *t)
{
	struct leg *leg = &r->fill->leg;
	if (!make_room(&leg->note, &r->fill->room.note, leg->note_n, sizeof *leg->note))
		return false;
	struct ride_note *n = &leg->note[leg->note_n++];
	*n = (struct ride_note){
	    .t_us = t->t_us, .value = t->r.value, .kind = t->r.kind, .reason = t->r.channel};
	size_t len = t->r.text_len < RECORD_TEXT_MAX ? t->r.text_len : RECORD_TEXT_MAX;
	if (len > 0)
		memcpy(n->text, t->r.text, len);
	return true;
}

static bool add_arrival(struct ride *r, const struct timeline_record *t)
{
	struct leg *leg = &r->fill->leg;
	if (!make_room(&leg->arrival, &r->fill->room.arrival, leg->arrival_n, sizeof *leg->arrival))
		return false;
	leg->arrival[leg->arrival_n++] = (struct ride_arrival){.t_us = t->t_us, .host_us = t->r.value};
	return true;
}

/* --- counts ------------------------------------------------------------ */

static void count_gap(struct ride_counts *c, const struct record *r)
{
	if (r->channel == GAP_DAMAGED)
		c->damaged_bytes += (uint64_t)r->value;
	else if (r->channel != GAP_LINK_UP)
		c->gaps++;
	if (r->channel == GAP_DISK)
		c->lost += (uint64_t)r->value;
}

static void count_record(struct ride_counts *c, const struct timeline_record *t)
{
	if (t->r.kind == RECORD_GAP) {
		count_gap(c, &t->r);
		return;
	}
	if (t->r.kind == RECORD_ARRIVAL || t->r.kind == RECORD_ALARM)
		return;
	c->records++;
	if (!t->timed)
		return;
	if (!c->timed)
		c->first_t_us = t->t_us;
	c->timed = true;
	c->last_t_us = t->t_us;
	if (t->r.kind == RECORD_LOST)
		c->lost += (uint64_t)t->r.value;
}

/* --- legs -------------------------------------------------------------- */

/* Records without a time of their own (hello, the recorder's remarks) do not
 * count for where a leg begins and ends. */
static void stretch_leg(struct ride *r, int64_t t_us)
{
	struct leg *leg = &r->fill->leg;
	if (!r->epoch_timed)
		r->epoch_first_us = leg->from_us = leg->to_us = t_us;
	r->epoch_timed = true;
	if (t_us > leg->to_us)
		leg->to_us = t_us;
}

static bool add_record(struct ride *r, const struct timeline_record *t)
{
	struct leg *leg = &r->fill->leg;
	if (t->timed)
		stretch_leg(r, t->t_us);
	r->leg_records++;
	switch (t->r.kind) {
	case RECORD_TOOTH:
		return add_edge(&leg->tooth, &leg->tooth_n, &r->fill->room.tooth, t->t_us, t->r.value);
	case RECORD_TOOTH2:
		return add_edge(&leg->tooth2, &leg->tooth2_n, &r->fill->room.tooth2, t->t_us, t->r.value);
	case RECORD_INDEX:
		return add_edge(&leg->index, &leg->index_n, &r->fill->room.index, t->t_us, t->r.value);
	case RECORD_VALVE:
		return add_command(r, t);
	case RECORD_SAMPLE:
		return add_sample(r, t);
	case RECORD_ARRIVAL: /* one before any sender time says nothing */
		return !r->epoch_timed || add_arrival(r, t);
	case RECORD_MARK:
	case RECORD_GAP:
	case RECORD_LOST:
	case RECORD_ALARM:
		return add_note(r, t);
	default:
		return true;
	}
}

struct column { /* elements with their time first */
	void *at;
	size_t *n, *room;
};

/* Takes over the elements of a column from a time on. */
static bool take_from(struct column to, const void *from, size_t n, size_t size, int64_t from_us)
{
	const char *c = from;
	size_t i = 0;
	int64_t t;
	for (; i < n; i++) {
		memcpy(&t, c + i * size, sizeof t);
		if (t >= from_us)
			break;
	}
	while (*to.room < n - i)
		if (!make_room(to.at, to.room, *to.room, size))
			return false;
	*to.n = n - i;
	if (n > i)
		memcpy(*(void **)to.at, c + i * size, (n - i) * size);
	return true;
}

static bool take_series_from(struct ride_series *to, size_t *room, const struct ride_series *from,
                             int64_t from_us)
{
	size_t i = ride_lower_bound(from->t_us, from->n, from_us), n = from->n - i;
	for (to->n = *room; *room < n; to->n = *room)
		if (!sensor_room(to, room))
			return false;
	to->n = n;
	if (n == 0)
		return true;
	memcpy(to->t_us, from->t_us + i, n * sizeof *to->t_us);
	memcpy(to->value, from->value + i, n * sizeof *to->value);
	memcpy(to->counts, from->counts + i, n * sizeof *to->counts);
	return true;
}

#define TAKE(what)                                                                                           \
	take_from((struct column){&l->what, &l->what##_n, &room->what}, old->what, old->what##_n,            \
	          sizeof *l->what, from_us)

/* Begins the leg with what the one before holds from a time on. */
static bool take_leg_from(struct ride *r, const struct leg *old, int64_t from_us)
{
	struct leg *l = &r->fill->leg;
	struct columns *room = &r->fill->room;
	if (!TAKE(tooth) || !TAKE(tooth2) || !TAKE(index) || !TAKE(command) || !TAKE(arrival) || !TAKE(note))
		return false;
	r->leg_records = l->tooth_n + l->tooth2_n + l->index_n + l->command_n + l->arrival_n + l->note_n;
	for (size_t i = 0; i < ENGINE_SENSORS_MAX; i++) {
		if (!take_series_from(&l->sensor[i], &room->sensor[i], &old->sensor[i], from_us))
			return false;
		r->leg_records += l->sensor[i].n;
	}
	l->from_us = from_us;
	return true;
}

static int64_t context_us(const struct leg *leg)
{
	int64_t quarter = (leg->to_us - leg->from_us) / 4;
	return quarter < CONTEXT_MAX_US ? quarter : CONTEXT_MAX_US;
}

/* The rides of the log are still being listed: is this record of the one being read? */
static int list_record(struct ride *r, const struct timeline_record *t, struct fault *fault)
{
	size_t rides;
	if (ride_lister_add(r->lister, t) != 0)
		return fault_set(fault, EX_OSERR, "out of memory");
	ride_lister_spans(r->lister, &rides);
	return rides > 1 ? ANOTHER_RIDE : 1;
}

/* Next record of this ride: 1; 0 at its end; ANOTHER_RIDE; -1 with fault. */
static int ride_record(struct ride *r, struct timeline_record *t, struct fault *fault)
{
	int got;
	do {
		got = timeline_next(r->timeline, t, fault);
	} while (got > 0 && t->ordinal < r->begin);
	if (r->lister == NULL || got < 0)
		return got > 0 && t->ordinal >= r->end ? 0 : got;
	return got > 0 ? list_record(r, t, fault) : ride_choose(r, fault);
}

static void hold(struct ride *r, const struct timeline_record *t)
{
	r->held = *t;
	if (t->r.text_len > 0) {
		memcpy(r->held_text, t->r.text, t->r.text_len);
		r->held.r.text = r->held_text;
	}
	r->has_held = true;
}

/* Starts the next leg: goes on from the last one within an epoch, else anew. */
static bool begin_leg(struct ride *r, bool same_epoch)
{
	const struct leg *old = &r->fill->leg;
	r->fill = r->fill == r->store ? r->store + 1 : r->store;
	struct leg *l = &r->fill->leg;
	l->number = r->any ? old->number + 1 : 0;
	l->epoch = r->epoch;
	l->continues = r->any && same_epoch;
	int64_t cut = l->core_from_us = old->core_to_us;
	if (!take_leg_from(r, old, l->continues ? cut - context_us(old) : INT64_MAX))
		return false;
	l->to_us = old->to_us;
	if (!l->continues)
		l->from_us = l->to_us = r->epoch_first_us;
	r->any = true;
	return true;
}

/* Ends the leg: `more` when records of the same epoch follow. */
static void end_leg(struct ride *r, bool more)
{
	struct leg *l = &r->fill->leg;
	if (!l->continues)
		l->core_from_us = l->from_us;
	l->core_to_us = more ? l->to_us - context_us(l) : l->to_us + 1;
	if (!more)
		r->read.duration_s += (double)(l->to_us - r->epoch_first_us) * 1e-6;
}

/* Adds records until the leg is full (1), its epoch ends (2) or the ride ends (0).  Else as ride_record. */
static int fill_leg(struct ride *r, struct fault *fault)
{
	struct timeline_record t;
	while (r->leg_records < LEG_RECORDS) {
		int got = 1;
		if (r->has_held)
			t = r->held;
		else
			got = ride_record(r, &t, fault);
		r->has_held = false;
		if (got <= 0)
			return got;
		if (t.epoch != r->epoch) {
			hold(r, &t);
			return 2;
		}
		count_record(&r->read, &t);
		if (!add_record(r, &t))
			return fault_set(fault, EX_OSERR, "out of memory");
	}
	return 1;
}

/* The next leg into the store that the caller does not hold: 1, 0 at the end.  Else as ride_record. */
static int read_leg(struct ride *r, struct fault *fault)
{
	if (r->ended)
		return 0;
	bool same_epoch = r->any;
	if (!r->has_held) {
		struct timeline_record t;
		int got = ride_record(r, &t, fault);
		r->ended = got == 0;
		if (got <= 0)
			return got;
		hold(r, &t);
	}
	if (!r->any || r->held.epoch != r->epoch) {
		r->epoch = r->held.epoch;
		r->epoch_timed = false;
		r->epoch_first_us = r->held.t_us;
		same_epoch = false;
	}
	if (!begin_leg(r, same_epoch))
		return fault_set(fault, EX_OSERR, "out of memory");
	int filled = fill_leg(r, fault);
	if (filled < 0)
		return filled;
	r->ended = filled == 0;
	end_leg(r, filled == 1);
	const struct timeline_counts *tc = timeline_counts(r->timeline);
	const struct log_totals *lt = log_totals(r->log);
	r->read.outliers = tc->outliers;
	r->read.resets = tc->resets;
	r->read.wraps = tc->wraps;
	r->read.log_damaged_bytes = lt->damaged_bytes;
	r->read.log_records_lost = lt->records_lost;
	return 1;
}

/* Back to the first leg.  It goes into the store that the caller does not hold. */
static void restart(struct ride *r)
{
	timeline_rewind(r->timeline);
	if (r->lister != NULL)
		ride_lister_clear(r->lister);
	r->fill = r->given != NULL ? r->given : r->store;
	r->has_held = r->ended = r->any = false;
	r->counts = r->read = (struct ride_counts){0};
	r->leg_records = 0;
	r->epoch = 0;
}

/* --- one leg ahead ------------------------------------------------------ */

static int read_newest(struct ride *r, struct fault *fault)
{
	if (ride_choose(r, fault) != 0)
		return -1;
	restart(r);
	return read_leg(r, fault);
}

static void fetch_leg(struct ride *r)
{
	struct fetch *f = &r->fetch;
	f->got = read_leg(r, &f->fault);
	if (f->got == ANOTHER_RIDE)
		f->got = read_newest(r, &f->fault);
	if (f->got > 0 && f->work != NULL && f->work(f->ctx, &r->fill->leg, &f->fault) != 0)
		f->got = -1;
}

/* Reading ahead is to fill the time that the caller's own threads leave: they are waited for, it seldom is.
 */
static void *fetch_aside(void *arg)
{
	setpriority(PRIO_PROCESS, 0, ASIDE_NICE); /* on Linux of this thread alone */
	fetch_leg(arg);
	return NULL;
}

static void fetch_start(struct ride *r)
{
	r->fetch.started = true;
	r->fetch.threaded = pthread_create(&r->fetch.thread, NULL, fetch_aside, r) == 0;
	if (!r->fetch.threaded)
		fetch_leg(r);
}

void ride_fetch_wait(struct ride *r)
{
	if (r->fetch.started && r->fetch.threaded)
		pthread_join(r->fetch.thread, NULL);
	r->fetch.started = false;
}

int ride_next_leg(struct ride *r, const struct leg **leg, struct fault *fault)
{
	if (!r->fetch.started)
		fetch_start(r);
	ride_fetch_wait(r);
	if (r->fetch.got < 0)
		*fault = r->fetch.fault;
	if (r->fetch.got <= 0)
		return r->fetch.got;
	*leg = &r->fill->leg;
	r->given = r->fill;
	r->counts = r->read;
	if (!r->ended)
		fetch_start(r);
	return 1;
}

void ride_rewind(struct ride *r)
{
	ride_fetch_wait(r);
	restart(r);
}

void ride_each_leg(struct ride *r, ride_leg_work work, void *ctx)
{
	ride_rewind(r);
	r->fetch.work = work;
	r->fetch.ctx = ctx;
}

int ride_settle(struct ride *r, struct fault *fault)
{
	bool listing = r->lister != NULL;
	ride_fetch_wait(r);
	int status = r->lister == NULL ? 0 : ride_choose(r, fault);
	if (listing)
		restart(r);
	return status != 0 ? -1 : listing && r->begin > 0;
}

/* --- columns for others ----------------------------------------------- */

size_t ride_lower_bound(const int64_t *t_us, size_t n, int64_t t)
{
	size_t lo = 0, hi = n;
	while (lo < hi) {
		size_t mid = lo + (hi - lo) / 2;
		if (t_us[mid] < t)
			lo = mid + 1;
		else
			hi = mid;
	}
	return lo;
}

double ride_series_at(const struct ride_series *s, double t_us, double max_hole_us)
{
	size_t i = ride_lower_bound(s->t_us, s->n, (int64_t)ceil(t_us));
	if (i == s->n || (i == 0 && (double)s->t_us[0] > t_us))
		return NAN;
	if (i == 0)
		return (double)s->value[0];
	double t0 = (double)s->t_us[i - 1], t1 = (double)s->t_us[i];
	if (t1 - t0 > max_hole_us)
		return NAN;
	double f = (t_us - t0) / (t1 - t0);
	return (double)s->value[i - 1] + f * ((double)s->value[i] - (double)s->value[i - 1]);
}

static bool tells_of_loss(const struct ride_note *n)
{
	return n->kind == RECORD_LOST || (n->kind == RECORD_GAP && n->reason != GAP_SENDER_RESET);
}

bool leg_lost_between(const struct leg *leg, int64_t from_us, int64_t to_us)
{
	size_t low = 0, n = leg->note_n;
	while (n > 0) {
		size_t half = n / 2;
		bool before = leg->note[low + half].t_us < from_us;
		low += before ? half + 1 : 0;
		n = before ? n - half - 1 : half;
	}
	for (; low < leg->note_n && leg->note[low].t_us <= to_us + LEG_LOST_SAID_US; low++)
		if (tells_of_loss(&leg->note[low]))
			return true;
	return false;
}
