/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What is asked of the store while nothing goes wrong: what it writes and syncs for what it is
 * given (G33), and that the directory never holds more than the cap (G21). */
#include "common/segment_block.h"
#include "logd/clock.h"
#include "logd/store.h"
#include "tests/faults.h"
#include "tests/format_rig.h"
#include "tests/trace.h"

#include <dirent.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define RATE 7000.0

/* --- G33 --- */

struct cost {
	uint64_t written, payload; /* bytes; payload: packed records */
	uint64_t syncs, rewrites;
};

static void add_blocks(struct cost *c, const uint8_t *bytes, size_t n)
{
	struct segment_block b;
	for (size_t at = 0; at + SEGMENT_BLOCK_MIN <= n && segment_block_head(bytes + at, &b); at += b.length)
		c->payload += b.type == SEGMENT_RECORDS ? b.length - SEGMENT_BLOCK_MIN : 0;
}

static void add_call(struct cost *c, const struct trace_entry *e, const uint8_t *bytes)
{
	if (e->op == TRACE_WRITE) {
		c->written += e->bytes;
		add_blocks(c, bytes, (size_t)e->bytes);
	}
	c->syncs += e->op == TRACE_SYNC;
	c->rewrites += e->op == TRACE_TRUNCATE; /* files are opened to append: nothing else changes them */
}

static struct cost cost_of(const char *trace)
{
	static uint8_t bytes[1 << 20];
	struct cost c = {0};
	struct trace_entry e;
	FILE *f = fopen(trace, "r");
	if (f == NULL)
		abort();
	while (fread(&e, sizeof e, 1, f) == 1 && e.bytes <= sizeof bytes &&
	       fread(bytes, 1, (size_t)e.bytes, f) == e.bytes)
		add_call(&c, &e, bytes);
	fclose(f);
	return c;
}

int faults_cost(unsigned n)
{
	char base[LOGD_RIG_PATH], into[LOGD_RIG_PATH + 8], trace[LOGD_RIG_PATH + 8];
	struct logd_sender s;
	struct logd_daemon d;
	struct logd_result r = {.goal = "G33",
	                        .what = "writes and syncs at 7,000 records/s",
	                        .trials = 1,
	                        .unit = "of the packed records"};
	logd_rig_directory(base);
	snprintf(into, sizeof into, "%s/log", base);
	snprintf(trace, sizeof trace, "%s/trace", base);
	logd_sender_open(&s, LINK_FRAMES, NULL);
	const char *arguments[] = {"--port", s.slave, NULL};
	logd_daemon_traced(&d, into, trace, arguments);
	int64_t start = clock_mono_us();
	logd_sender_run(&s, RATE, n * (int64_t)CLOCK_SECOND_US);
	if (logd_daemon_stop(&d, NULL) != 0)
		logd_result_fail(&r, "did not end well");
	double seconds = (double)(clock_mono_us() - start) / 1e6;
	struct cost c = cost_of(trace);
	logd_result_worst(&r, c.payload > 0 ? (double)c.written / (double)c.payload : 99);
	if (r.worst > 1.10)
		logd_result_fail(&r, "%llu bytes written for %llu of records", (unsigned long long)c.written,
		                 (unsigned long long)c.payload);
	if ((double)c.syncs > seconds + 2) /* the first segment's, and the one at the end */
		logd_result_fail(&r, "%llu syncs in %.1f s", (unsigned long long)c.syncs, seconds);
	if (c.rewrites > 0)
		logd_result_fail(&r, "%llu calls that change what was written",
		                 (unsigned long long)c.rewrites);
	snprintf(r.note, sizeof r.note, "%u s, %.2f syncs/s, %llu rewrites", n, (double)c.syncs / seconds,
	         (unsigned long long)c.rewrites);
	logd_sender_close(&s);
	logd_rig_remove(base);
	return logd_result_print(&r);
}

/* --- G21 --- */

#define CAP 524288
#define RIDE_TURNS 150
#define SESSION_TURNS 20000

/* All that the recorder answers for, whatever made it. */
static int64_t bytes_of_segments(const char *into)
{
	int64_t sum = 0;
	struct stat st;
	DIR *dir = opendir(into);
	if (dir == NULL)
		return 0;
	for (struct dirent *e = readdir(dir); e != NULL; e = readdir(dir))
		if (strstr(e->d_name, ".tram") != NULL && fstatat(dirfd(dir), e->d_name, &st, 0) == 0)
			sum += st.st_size;
	closedir(dir);
	return sum;
}

/* Segments that no reader opens, of an earlier session. */
static void leave_damaged(const char *into)
{
	mkdir(into, 0777);
	for (unsigned i = 1; i <= 3; i++) {
		char path[LOGD_RIG_PATH * 2];
		snprintf(path, sizeof path, "%s/000001-%04u.tram", into, i);
		FILE *f = fopen(path, "w");
		if (f == NULL || fprintf(f, "%040000d", 0) != 40000 || fclose(f) != 0)
			abort();
	}
}

static void session(struct store_config *config, unsigned turns, uint64_t *seed, struct logd_result *r)
{
	static struct status status;
	struct fault fault = {0};
	atomic_bool stop = false;
	struct log *log = log_new(true);
	status_init(&status);
	struct store *store = store_new(config, &status, log, &stop);
	uint32_t serial = 0;
	if (log == NULL || store == NULL || store_start(store, &fault) != 0)
		abort();
	for (unsigned i = 0; i < turns; i++) {
		for (uint64_t k = rig_below(seed, 64); k > 0; k--) {
			struct record record = logd_rig_record(serial++);
			store_add(store, &record);
		}
		if (rig_below(seed, 500) == 0)
			store_rotate(store);
		store_riding(store, i % RIDE_TURNS == 0);
		store_turn(store);
		int64_t bytes = bytes_of_segments(config->directory);
		r->trials++;
		logd_result_worst(r, (double)bytes / CAP);
		if (bytes > CAP)
			logd_result_fail(r, "%lld bytes under a cap of %d", (long long)bytes, CAP);
	}
	if (store_close(store) != 0)
		logd_result_fail(r, "did not end well");
	store_free(store);
	log_free(log);
}

int faults_cap(unsigned n)
{
	char base[LOGD_RIG_PATH], into[LOGD_RIG_PATH + 8];
	uint64_t seed = 21;
	struct logd_result r = {
	    .goal = "G21", .what = "cap after every turn of the store", .unit = "of the cap"};
	logd_rig_directory(base);
	snprintf(into, sizeof into, "%s/log", base);
	struct store_config config = {.directory = into,
	                              .segment_bytes = 32768,
	                              .keep_bytes = CAP,
	                              .live = true,
	                              .timed = true, /* with no time between: each turn writes and syncs */
	                              .engine_text = "",
	                              .source = "test"};
	leave_damaged(into);
	for (unsigned turns = n * 1000; turns > 0;) {
		unsigned some = turns < SESSION_TURNS ? turns : SESSION_TURNS;
		session(&config, some, &seed, &r);
		turns -= some;
	}
	logd_rig_remove(base);
	return logd_result_print(&r);
}
