/* SPDX-License-Identifier: GPL-3.0-or-later */
/* G6, G9: the calls of a recording with many rotations are written down, then the
 * power is cut after every one of them, many times over, each time leaving
 * something else of what was not synced.  What the log then holds must be
 * what was sent: in order, unaltered, none missing before the last, and all
 * that is older than the sync interval.  G21: the cap, after every call. */
#include "logd/clock.h"
#include "tests/disk_model.h"
#include "tests/faults.h"
#include "tests/format_rig.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define VARIANTS 24
#define RUN_US (3 * CLOCK_SECOND_US)
#define SYNC_S 0.2
#define LATEST_US (CLOCK_SECOND_US * 2 / 5) /* sync interval, and as much again for the sync itself */
#define RATE 90000.0

struct trace {
	uint8_t *bytes;
	size_t len;
};

static struct trace read_trace(const char *path)
{
	struct stat st;
	FILE *f = fopen(path, "r");
	struct trace t = {NULL, 0};
	if (f == NULL || fstat(fileno(f), &st) != 0 || (t.bytes = malloc((size_t)st.st_size + 1)) == NULL)
		abort();
	t.len = fread(t.bytes, 1, (size_t)st.st_size, f);
	fclose(f);
	return t;
}

/* The next entry; NULL at the end.  Entries are not aligned in memory. */
static const uint8_t *next_entry(const struct trace *t, size_t *at, struct trace_entry *e)
{
	if (*at + sizeof *e > t->len)
		return NULL;
	memcpy(e, t->bytes + *at, sizeof *e);
	const uint8_t *bytes = t->bytes + *at + sizeof *e;
	*at += sizeof *e + e->bytes;
	return *at <= t->len ? bytes : NULL;
}

/* Files before `count` are durable to the end and will not change: read once. */
struct settled {
	size_t count;
	struct logd_account account;
};

static void take_file(const struct model_file *f, const uint8_t *bytes, size_t n, struct logd_account *a)
{
	logd_account_take(a, segment_reader_open_memory(f->name, bytes, n, NULL));
}

static void settle(const struct disk_model *m, struct settled *s)
{
	while (s->count + 1 < m->files) {
		const struct model_file *f = &m->file[s->count];
		if (!f->unlinked && (f->durable < f->len || !f->name_durable))
			return;
		if (!f->unlinked)
			take_file(f, f->bytes, f->len, &s->account);
		s->count++;
	}
}

/* The log as a cut leaves it. */
static void account_after_cut(const struct disk_model *m, const struct settled *s, uint64_t *seed,
                              uint8_t *scratch, struct logd_account *a)
{
	*a = s->account;
	for (size_t i = s->count; i < m->files; i++) {
		size_t n;
		if (disk_model_cut(m, i, seed, scratch, &n))
			take_file(&m->file[i], scratch, n, a);
	}
}

/* All that was ever written, were the disk perfect. */
static uint32_t last_written(const struct disk_model *m, const struct settled *s)
{
	struct logd_account a = s->account;
	for (size_t i = s->count; i < m->files; i++)
		if (!m->file[i].unlinked)
			take_file(&m->file[i], m->file[i].bytes, m->file[i].len, &a);
	return a.any ? a.last + 1 : 0;
}

/* Serials that had been written by the time of each call, so that an age can be asked for. */
struct history {
	int64_t mono_us[65536];
	uint32_t written[65536];
	size_t n;
};

static uint32_t written_before(const struct history *h, int64_t mono_us)
{
	uint32_t best = 0;
	for (size_t i = h->n; i > 0; i--)
		if (h->mono_us[i - 1] <= mono_us)
			return h->written[i - 1];
	return best;
}

static void check_cut(const struct logd_account *a, const struct history *h, int64_t now,
                      struct logd_result *r)
{
	uint32_t have = a->any ? a->last + 1 : 0, must = written_before(h, now - LATEST_US);
	r->trials++;
	if (a->altered > 0 || a->twice > 0)
		logd_result_fail(r, "%llu altered, %llu twice", (unsigned long long)a->altered,
		                 (unsigned long long)a->twice);
	if (have < must)
		logd_result_fail(r, "only %u of %u records that were old enough to be safe", have, must);
	uint32_t newest = h->n > 0 ? h->written[h->n - 1] : 0;
	logd_result_worst(r, (double)(newest > have ? newest - have : 0) / RATE);
}

/* Records missing in the middle are allowed only among the unsynced ones. */
static void check_holes(const struct logd_account *a, uint32_t must, struct logd_result *r)
{
	if (a->missing > 0 && a->last - a->missing < must)
		logd_result_fail(r, "%llu records missing among the safe ones",
		                 (unsigned long long)a->missing);
}

static void replay(const char *path, uint64_t seed, struct logd_result *r)
{
	struct trace t = read_trace(path);
	struct disk_model *m = disk_model_new();
	struct settled settled = {0};
	struct history *h = calloc(1, sizeof *h);
	uint8_t *scratch = malloc(t.len + 1);
	struct trace_entry e;
	const uint8_t *bytes;
	size_t at = 0;
	if (h == NULL || scratch == NULL)
		abort();
	while ((bytes = next_entry(&t, &at, &e)) != NULL) {
		disk_model_do(m, &e, bytes);
		settle(m, &settled);
		h->mono_us[h->n] = e.mono_us;
		h->written[h->n++] = last_written(m, &settled);
		for (unsigned v = 0; v < VARIANTS; v++) {
			struct logd_account a;
			account_after_cut(m, &settled, &seed, scratch, &a);
			check_cut(&a, h, e.mono_us, r);
			check_holes(&a, written_before(h, e.mono_us - LATEST_US), r);
		}
	}
	free(scratch);
	free(h);
	disk_model_free(m);
	free(t.bytes);
}

static void one_run(unsigned i, struct logd_result *r)
{
	char base[LOGD_RIG_PATH], into[LOGD_RIG_PATH + 8], trace[LOGD_RIG_PATH + 8];
	struct logd_sender s;
	struct logd_daemon d;
	logd_rig_directory(base);
	snprintf(into, sizeof into, "%s/log", base);
	snprintf(trace, sizeof trace, "%s/trace", base);
	logd_sender_open(&s, LINK_FRAMES, NULL);
	const char *arguments[] = {"--port", s.slave, "--segment-size", "32k", "--sync", "0.2", NULL};
	logd_daemon_traced(&d, into, trace, arguments);
	logd_sender_run(&s, RATE, RUN_US);
	logd_daemon_stop(&d, NULL);
	if (s.refused > 0) /* before any cut */
		logd_result_fail(r, "run %u: what was sent was not taken within a second, %u times", i,
		                 s.refused);
	r->trials--; /* cuts are counted, not runs */
	replay(trace, i + 1, r);
	logd_sender_close(&s);
	logd_rig_remove(base);
}

int faults_cut(unsigned n)
{
	struct logd_result r = {
	    .goal = "G6", .what = "power cut after every disk call, any order left", .unit = "s lost"};
	faults_spread(n, 8, one_run, &r);
	return logd_result_print(&r);
}

/* --- retention, from the same kind of trace --- */

#define CAP 524288

static const char *const foreign[] = {"notes.txt", "000001-0001.tram.bak", "x.tram", "1-1.tram",
                                      "000001-0001.TRAM"};
#define FOREIGN (sizeof foreign / sizeof foreign[0])

static void make_foreign(const char *into)
{
	mkdir(into, 0777);
	for (size_t i = 0; i < FOREIGN; i++) {
		char path[LOGD_RIG_PATH * 2];
		snprintf(path, sizeof path, "%s/%s", into, foreign[i]);
		FILE *f = fopen(path, "w");
		if (f == NULL || fprintf(f, "%0200000d", 0) != 200000 || fclose(f) != 0)
			abort();
	}
}

static void check_foreign(const char *into, struct logd_result *r)
{
	for (size_t i = 0; i < FOREIGN; i++) {
		char path[LOGD_RIG_PATH * 2];
		struct stat st;
		snprintf(path, sizeof path, "%s/%s", into, foreign[i]);
		if (stat(path, &st) != 0 || st.st_size != 200000)
			logd_result_fail(r, "%s was touched", foreign[i]);
	}
}

/* `m` holds the directory over all runs; a trace counts its files from 1. */
static void check_cap(const char *path, struct disk_model *m, struct logd_result *r)
{
	struct trace t = read_trace(path);
	struct trace_entry e;
	const uint8_t *bytes;
	uint32_t earlier = (uint32_t)m->files;
	for (size_t at = 0; (bytes = next_entry(&t, &at, &e)) != NULL;) {
		e.file += e.file > 0 ? earlier : 0;
		disk_model_do(m, &e, bytes);
		r->trials++;
		logd_result_worst(r, (double)m->live_bytes / CAP);
		if (m->live_bytes > CAP)
			logd_result_fail(r, "%lld bytes under a cap of %d", (long long)m->live_bytes, CAP);
	}
	free(t.bytes);
}

int faults_retention(unsigned n)
{
	char base[LOGD_RIG_PATH], into[LOGD_RIG_PATH + 8], trace[LOGD_RIG_PATH + 8], input[LOGD_RIG_PATH + 8];
	struct logd_result r = {
	    .goal = "G21", .what = "cap after every disk call, foreign files", .unit = "of the cap"};
	struct disk_model *m = disk_model_new();
	logd_rig_directory(base);
	snprintf(into, sizeof into, "%s/log", base);
	snprintf(trace, sizeof trace, "%s/trace", base);
	snprintf(input, sizeof input, "%s/in", base);
	faults_input(input, 45000, LINK_FRAMES); /* a ride of a quarter of the cap */
	make_foreign(into);
	for (unsigned i = 0; i < n; i++) {
		struct logd_daemon d;
		const char *arguments[] = {"--port", input,  "--segment-size", "32k",
		                           "--keep", "512k", "--quiet",        NULL};
		logd_daemon_traced(&d, into, trace, arguments);
		if (logd_daemon_wait(&d, 60 * CLOCK_SECOND_US) != 0)
			logd_result_fail(&r, "run %u did not end well", i);
		check_cap(trace, m, &r);
	}
	check_foreign(into, &r);
	disk_model_free(m);
	logd_rig_remove(base);
	return logd_result_print(&r);
}
