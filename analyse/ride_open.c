/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Which ride of which log: opening, choosing, closing. */
#include "analyse/ride_internal.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

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

static bool any_records(const struct ride_span *span, size_t n)
{
	for (size_t i = 0; i < n; i++)
		if (span[i].records > 0)
			return true;
	return false;
}

/* What is left of the log, into its list. */
static int list_rest(struct timeline *timeline, struct ride_lister *lister, struct fault *fault)
{
	struct timeline_record t;
	int got;
	while ((got = timeline_next(timeline, &t, fault)) > 0)
		if (ride_lister_add(lister, &t) != 0)
			return fault_set(fault, EX_OSERR, "out of memory");
	return got;
}

static int choose_span(struct ride *r, const struct ride_span *span, size_t n, struct fault *fault)
{
	if (!any_records(span, n))
		return fault_set(fault, EX_DATAERR,
		                 "%s: the log holds no records; was anything connected to the recorder?",
		                 r->path);
	if (r->number > n)
		return fault_set(fault, EX_DATAERR, "%s: the log holds %zu ride%s, there is no ride %u",
		                 r->path, n, n == 1 ? "" : "s", r->number);
	if (r->number == 0 && n > 1)
		remark(r, "The log holds %zu rides; this is the newest. Choose another with %s@1 ... @%zu.",
		       n, r->path, n);
	const struct ride_span *s = &span[r->number == 0 ? n - 1 : r->number - 1];
	r->begin = s->begin;
	r->end = s->end;
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

int ride_choose(struct ride *r, struct fault *fault)
{
	size_t n;
	if (list_rest(r->timeline, r->lister, fault) != 0)
		return -1;
	const struct ride_span *span = ride_lister_spans(r->lister, &n);
	if (choose_span(r, span, n, fault) != 0)
		return -1;
	ride_lister_free(r->lister);
	r->lister = NULL;
	remark_log(r);
	return 0;
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

/* RUN without directories in front. */
static void take_name(struct ride *r, const char *run)
{
	size_t len = strlen(run);
	while (len > 1 && run[len - 1] == '/')
		len--;
	size_t start = len;
	while (start > 0 && run[start - 1] != '/')
		start--;
	snprintf(r->name, sizeof r->name, "%.*s", (int)(len - start), run + start);
}

static int open_log(struct ride *r, const char *run, const char *engine_override, double rest_s,
                    struct fault *fault)
{
	if (split_run(run, r->path, sizeof r->path, &r->number, fault) != 0)
		return -1;
	r->fill = r->store;
	r->end = UINT64_MAX;
	take_name(r, run);
	if ((r->log = log_open(r->path, fault)) == NULL ||
	    read_engine(r, r->path, engine_override, fault) != 0)
		return -1;
	if ((r->timeline = timeline_new(r->log)) == NULL || (r->lister = ride_lister_new(rest_s)) == NULL)
		return fault_set(fault, EX_OSERR, "out of memory");
	return r->number == 0 ? 0 : ride_settle(r, fault);
}

struct ride *ride_open_unlisted(const char *run, const char *engine_override, double rest_s,
                                struct fault *fault)
{
	struct ride *r = calloc(1, sizeof *r);
	if (r == NULL)
		fault_set(fault, EX_OSERR, "out of memory");
	else if (open_log(r, run, engine_override, rest_s, fault) < 0) {
		ride_close(r);
		r = NULL;
	}
	return r;
}

struct ride *ride_open(const char *run, const char *engine_override, double rest_s, struct fault *fault)
{
	struct ride *r = ride_open_unlisted(run, engine_override, rest_s, fault);
	if (r != NULL && ride_settle(r, fault) < 0) {
		ride_close(r);
		r = NULL;
	}
	return r;
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
	ride_fetch_wait(r);
	ride_lister_free(r->lister);
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

static int take_listing(const struct ride *r, struct ride_listing **list, struct fault *fault)
{
	size_t n;
	const struct ride_span *span = ride_lister_spans(r->lister, &n);
	if (!any_records(span, n))
		return 0;
	if ((*list = calloc(n, sizeof **list)) == NULL)
		return fault_set(fault, EX_OSERR, "out of memory");
	for (size_t i = 0; i < n; i++)
		fill_listing(*list + i, span + i, (unsigned)i + 1, log_first_facts(r->log), &r->engine);
	return (int)n;
}

int ride_list(const char *run, double rest_s, struct ride_listing **list, struct fault *fault)
{
	struct ride r = {0};
	int listed = -1;
	if ((r.log = log_open(run, fault)) == NULL)
		return -1;
	r.lister = ride_lister_new(rest_s);
	r.timeline = timeline_new(r.log);
	if (r.lister == NULL || r.timeline == NULL)
		fault_set(fault, EX_OSERR, "out of memory");
	else if (read_engine(&r, run, NULL, fault) == 0 && list_rest(r.timeline, r.lister, fault) == 0)
		listed = take_listing(&r, list, fault);
	ride_lister_free(r.lister);
	timeline_free(r.timeline);
	log_close(r.log);
	engine_free(&r.engine);
	return listed;
}
