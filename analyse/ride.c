/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/ride.h"

#include "analyse/ride_list.h"
#include "common/unit.h"

#include <math.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define LEG_RECORDS 500000      /* a leg is cut when it holds this many */
#define CONTEXT_MAX_US 10000000 /* shared with the neighbour, each side of the cut */
#define REMARKS_MAX 8
#define REMARK_MAX 240

/* Growing columns of the leg. */
struct columns {
	size_t tooth, tooth2, index, command, arrival, note;
	size_t sensor[ENGINE_SENSORS_MAX];
};

/* A leg and the room of its columns. */
struct store {
	struct leg leg;
	struct columns room;
};

/* The next leg, read by a thread of its own while the caller works on this one. */
struct fetch {
	bool started, threaded;
	pthread_t thread;
	int got; /* as ride_next_leg answers */
	struct fault fault;
	ride_leg_work work; /* NULL = only read it */
	void *ctx;
};

struct ride {
	struct log *log;
	struct timeline *timeline;
	struct engine engine;
	char name[256];
	uint64_t begin, end; /* ordinals */
	char remark[REMARKS_MAX][REMARK_MAX];
	size_t remarks;

	struct store store[2]; /* one is the caller's, one is being filled */
	struct store *fill;
	struct fetch fetch;
	struct timeline_record held; /* first record of the next leg */
	char held_text[RECORD_TEXT_MAX];
	bool has_held, ended, any;
	size_t leg_records;
	unsigned epoch;
	struct ride_counts counts; /* up to the caller's leg */
	struct ride_counts read;   /* up to the leg being filled */
	bool epoch_timed;          /* a record of this epoch had a time */
	int64_t epoch_first_us;
};

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
	memmove(s->t_us + i + 1, s->t_us + i, (s->n - i) * sizeof *s->t_us);
	memmove(s->value + i + 1, s->value + i, (s->n - i) * sizeof *s->value);
	memmove(s->counts + i + 1, s->counts + i, (s->n - i) * sizeof *s->counts);
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

/* Next record of this ride: 1; 0 at its end. */
static int ride_record(struct ride *r, struct timeline_record *t, struct fault *fault)
{
	int got;
	do {
		got = timeline_next(r->timeline, t, fault);
	} while (got > 0 && t->ordinal < r->begin);
	return got > 0 && t->ordinal >= r->end ? 0 : got;
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

/* Adds records until the leg is full (1), its epoch ends (2) or the ride ends (0). */
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

/* The next leg into the store that the caller does not hold: 1, 0 at the end, -1 with fault. */
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
		return -1;
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

/* --- one leg ahead ------------------------------------------------------ */

static void *fetch_leg(void *arg)
{
	struct ride *r = arg;
	struct fetch *f = &r->fetch;
	f->got = read_leg(r, &f->fault);
	if (f->got > 0 && f->work != NULL && f->work(f->ctx, &r->fill->leg, &f->fault) != 0)
		f->got = -1;
	return NULL;
}

static void fetch_start(struct ride *r)
{
	r->fetch.started = true;
	r->fetch.threaded = pthread_create(&r->fetch.thread, NULL, fetch_leg, r) == 0;
	if (!r->fetch.threaded)
		fetch_leg(r);
}

static void fetch_wait(struct ride *r)
{
	if (r->fetch.started && r->fetch.threaded)
		pthread_join(r->fetch.thread, NULL);
	r->fetch.started = false;
}

int ride_next_leg(struct ride *r, const struct leg **leg, struct fault *fault)
{
	if (!r->fetch.started)
		fetch_start(r);
	fetch_wait(r);
	if (r->fetch.got < 0)
		*fault = r->fetch.fault;
	if (r->fetch.got <= 0)
		return r->fetch.got;
	*leg = &r->fill->leg;
	r->counts = r->read;
	if (!r->ended)
		fetch_start(r);
	return 1;
}

void ride_rewind(struct ride *r)
{
	fetch_wait(r);
	timeline_rewind(r->timeline);
	r->has_held = r->ended = r->any = false;
	r->counts = r->read = (struct ride_counts){0};
	r->leg_records = 0;
	r->epoch = 0;
}

void ride_each_leg(struct ride *r, ride_leg_work work, void *ctx)
{
	ride_rewind(r);
	r->fetch.work = work;
	r->fetch.ctx = ctx;
}

/* --- opening ----------------------------------------------------------- */

static void remark(struct ride *r, const char *format, ...) __attribute__((format(printf, 2, 3)));
static void remark(struct ride *r, const char *format, ...)
{
	if (r->remarks == REMARKS_MAX)
		return;
	va_list args;
	va_start(args, format);
	vsnprintf(r->remark[r->remarks++], REMARK_MAX, format, args);
	va_end(args);
}

/* Splits "path@3"; 0 = no number given. */
static int split_run(const char *run, char *path, size_t size, unsigned *number, struct fault *fault)
{
	*number = 0;
	if (snprintf(path, size, "%s", run) >= (int)size)
		return fault_set(fault, EX_USAGE, "%s: the path is too long", run);
	char *at = strrchr(path, '@');
	if (at == NULL || strchr(at, '/') != NULL || at[1] == '\0')
		return 0;
	char *end;
	unsigned long n = strtoul(at + 1, &end, 10);
	if (*end != '\0')
		return 0; /* an @ in the name itself */
	if (n == 0 || n > 1000000)
		return fault_set(fault, EX_USAGE, "%s: rides are counted from 1; list them with trammel runs",
		                 run);
	*number = (unsigned)n;
	*at = '\0';
	return 0;
}

static bool any_records(const struct ride_span *span, int n)
{
	for (int i = 0; i < n; i++)
		if (span[i].records > 0)
			return true;
	return false;
}

static int choose_ride(struct ride *r, const char *path, unsigned number, double rest_s, struct fault *fault)
{
	struct ride_span *span = NULL;
	int n = ride_spans(r->timeline, rest_s, &span, fault);
	if (n < 0)
		return -1;
	if (!any_records(span, n)) {
		free(span);
		return fault_set(fault, EX_DATAERR,
		                 "%s: the log holds no records; was anything connected to the recorder?",
		                 path);
	}
	if (number > (unsigned)n) {
		free(span);
		return fault_set(fault, EX_DATAERR, "%s: the log holds %d ride%s, there is no ride %u", path,
		                 n, n == 1 ? "" : "s", number);
	}
	if (number == 0 && n > 1)
		remark(r, "The log holds %d rides; this is the newest. Choose another with %s@1 ... @%d.", n,
		       path, n);
	const struct ride_span *s = &span[number == 0 ? n - 1 : (int)number - 1];
	r->begin = s->begin;
	r->end = s->end;
	free(span);
	return 0;
}

static void remark_log(struct ride *r)
{
	const struct log_totals *t = log_totals(r->log);
	if (t->files_unreadable > 0)
		remark(r, "%u segment file(s) could not be read and are left out; see trammel verify.",
		       t->files_unreadable);
	if (t->files_missing > 0)
		remark(r, "%u segment file(s) of this recording are missing.", t->files_missing);
	if (t->damages > 0)
		remark(
		    r,
		    "The log is damaged in %llu place(s): %llu bytes, %llu records lost; see trammel verify.",
		    (unsigned long long)t->damages, (unsigned long long)t->damaged_bytes,
		    (unsigned long long)t->records_lost);
	if (t->not_closed > 0)
		remark(r, "%u segment file(s) were not closed: the recorder was cut off or is still running.",
		       t->not_closed);
}

static int read_engine(struct ride *r, const char *path, const char *override, struct fault *fault)
{
	if (override != NULL)
		return engine_read(override, &r->engine, fault);
	const struct segment_facts *f = log_newest_facts(r->log);
	char name[300];
	snprintf(name, sizeof name, "%.200s (engine file in the log)", path);
	return engine_parse(name, f->engine_text, f->engine_len, &r->engine, fault);
}

struct ride *ride_open(const char *run, const char *engine_override, double rest_s, struct fault *fault)
{
	struct ride *r = calloc(1, sizeof *r);
	char path[4096];
	unsigned number;
	if (r == NULL) {
		fault_set(fault, EX_OSERR, "out of memory");
		return NULL;
	}
	if (split_run(run, path, sizeof path, &number, fault) != 0)
		goto failed;
	r->fill = r->store;
	if ((r->log = log_open(path, fault)) == NULL)
		goto failed;
	if (read_engine(r, path, engine_override, fault) != 0)
		goto failed;
	if ((r->timeline = timeline_new(r->log)) == NULL) {
		fault_set(fault, EX_OSERR, "out of memory");
		goto failed;
	}
	if (choose_ride(r, path, number, rest_s, fault) != 0)
		goto failed;
	remark_log(r);
	size_t len = strlen(run);
	while (len > 1 && run[len - 1] == '/')
		len--;
	size_t start = len;
	while (start > 0 && run[start - 1] != '/')
		start--;
	snprintf(r->name, sizeof r->name, "%.*s", (int)(len - start), run + start);
	ride_rewind(r);
	return r;
failed:
	ride_close(r);
	return NULL;
}

static void free_leg(struct leg *l)
{
	free(l->tooth);
	free(l->tooth2);
	free(l->index);
	free(l->command);
	free(l->arrival);
	free(l->note);
	for (size_t i = 0; i < ENGINE_SENSORS_MAX; i++) {
		free(l->sensor[i].t_us);
		free(l->sensor[i].value);
		free(l->sensor[i].counts);
	}
}

void ride_close(struct ride *r)
{
	if (r == NULL)
		return;
	fetch_wait(r);
	timeline_free(r->timeline);
	log_close(r->log);
	engine_free(&r->engine);
	free_leg(&r->store[0].leg);
	free_leg(&r->store[1].leg);
	free(r);
}

const struct engine *ride_engine(const struct ride *r)
{
	return &r->engine;
}

const struct segment_facts *ride_facts(const struct ride *r)
{
	return log_first_facts(r->log);
}

const struct ride_counts *ride_counts(const struct ride *r)
{
	return &r->counts;
}

const char *ride_name(const struct ride *r)
{
	return r->name;
}

const char *ride_remark(const struct ride *r, size_t i)
{
	return i < r->remarks ? r->remark[i] : NULL;
}

static void fill_listing(struct ride_listing *out, const struct ride_span *s, unsigned number,
                         const struct segment_facts *first, const struct engine *e)
{
	*out = (struct ride_listing){
	    .number = number,
	    .start_s = (double)s->first_us * 1e-6,
	    .duration_s = (double)(s->last_us - s->first_us) * 1e-6,
	    .records = s->records,
	    .teeth = s->teeth,
	    .commands = s->commands,
	    .samples = s->samples,
	    .start_utc_us = number == 1 ? first->start_utc_us : 0,
	};
	memcpy(out->name, e->name, sizeof out->name);
}

int ride_list(const char *run, double rest_s, struct ride_listing **list, struct fault *fault)
{
	struct ride r = {0};
	struct ride_span *span = NULL;
	int n = -1;
	if ((r.log = log_open(run, fault)) == NULL)
		return -1;
	if (read_engine(&r, run, NULL, fault) == 0 && (r.timeline = timeline_new(r.log)) != NULL)
		n = ride_spans(r.timeline, rest_s, &span, fault);
	if (n > 0 && !any_records(span, n))
		n = 0;
	if (n > 0 && (*list = calloc((size_t)n, sizeof **list)) != NULL)
		for (int i = 0; i < n; i++)
			fill_listing(*list + i, span + i, (unsigned)i + 1, log_first_facts(r.log), &r.engine);
	free(span);
	timeline_free(r.timeline);
	log_close(r.log);
	engine_free(&r.engine);
	return n;
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
