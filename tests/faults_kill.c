/* SPDX-License-Identifier: GPL-3.0-or-later */
/* G7: kill -9 at random moments under load with rotation and retention.  The next
 * start must work at once, the log must read, and what is missing must be younger than
 * the write interval.  G22: no file of an earlier start may ever change. */
#include "logd/clock.h"
#include "logd/shelf.h"
#include "tests/faults.h"

#include <dirent.h>
#include <math.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <unistd.h>

#define RATE 7000.0
#define LOSS_LIMIT_MS 100.0
#define SANITIZED_LIMIT_MS 250.0 /* a sanitized recorder writes more slowly */
#define FEW_TRIALS 100           /* a short form runs beside other tests: fewer at a time */
#define FEW 256                  /* fewer records than this may wait for the sync, ... */
#define FEW_LIMIT_MS 1100.0      /* once a second */
#define BATCH_US 5000
#define STARTS 3
#define UNIT_NICE (-5) /* as logd/trammeld.service has it; needs root, without which it stays 0 */

/* When records left the sender, so that a sender that was kept waiting itself does not count
 * against the recorder. */
#define BATCHES_MAX 1024
struct sent {
	uint32_t before[BATCHES_MAX]; /* serials below this had been sent by then */
	int64_t mono_us[BATCHES_MAX];
	int64_t waited_us[BATCHES_MAX]; /* of the recorder for a processor, until then */
	unsigned n;
	int64_t killed_us, waited_killed_us;
};

/* How long the recorder's threads have been ready to run and did not, all together; 0 where the kernel
 * does not tell.  It excuses nothing, and tells a slow machine from a slow recorder. */
static int64_t waited_us(pid_t pid)
{
	char path[128];
	long long sum = 0;
	snprintf(path, sizeof path, "/proc/%d/task", (int)pid);
	DIR *dir = opendir(path);
	for (struct dirent *e; dir != NULL && (e = readdir(dir)) != NULL;) {
		long long ran, waited;
		snprintf(path, sizeof path, "/proc/%d/task/%.20s/schedstat", (int)pid, e->d_name);
		FILE *f = fopen(path, "r");
		if (f != NULL && fscanf(f, "%lld %lld", &ran, &waited) == 2)
			sum += waited;
		if (f != NULL)
			fclose(f);
	}
	if (dir != NULL)
		closedir(dir);
	return sum / 1000;
}

/* Sum over the segments of sessions before `session`: names and sizes. */
static uint64_t old_files(const char *into, uint32_t session)
{
	uint64_t sum = 0;
	DIR *dir = opendir(into);
	struct dirent *e;
	while (dir != NULL && (e = readdir(dir)) != NULL) {
		uint32_t s, number;
		struct stat st;
		char path[LOGD_RIG_PATH * 3];
		snprintf(path, sizeof path, "%s/%s", into, e->d_name);
		if (shelf_parse(e->d_name, &s, &number) && s < session && stat(path, &st) == 0)
			sum += (uint64_t)st.st_size * (s * 7919u + number);
	}
	if (dir != NULL)
		closedir(dir);
	return sum;
}

static void send_for(struct logd_sender *s, pid_t recorder, int64_t us, struct sent *sent)
{
	int64_t start = clock_mono_us(), now = start;
	uint32_t first = s->next;
	sent->n = 0;
	while (now - start < us) {
		uint32_t due = (uint32_t)((double)(now - start) * RATE / 1e6);
		if (first + due > s->next && sent->n < BATCHES_MAX) {
			sent->waited_us[sent->n] = waited_us(recorder);
			sent->mono_us[sent->n] = clock_mono_us();
			logd_sender_send(s, first + due - s->next, CLOCK_SECOND_US);
			logd_sender_flush(s);
			sent->before[sent->n++] = s->next;
		}
		logd_rig_sleep_us(BATCH_US);
		now = clock_mono_us();
	}
}

/* Age, at the kill, of the oldest record that is not in the log, and how much of that the recorder waited
 * for a processor. */
static double lost_ms(const struct sent *sent, uint32_t last, double *waited_ms)
{
	*waited_ms = 0;
	for (unsigned i = 0; i < sent->n; i++)
		if (sent->before[i] > last + 1) {
			*waited_ms = (double)(sent->waited_killed_us - sent->waited_us[i]) / 1e3;
			return (double)(sent->killed_us - sent->mono_us[i]) / 1e3;
		}
	return 0;
}

static void one_life(unsigned life, const char *into, struct logd_sender *s, int64_t life_us,
                     struct sent *sent, struct logd_result *r)
{
	struct logd_daemon d;
	const char *arguments[] = {"--port", s->slave, "--segment-size", "32k", "--quiet", NULL};
	int64_t start = clock_mono_us();
	(void)setpriority(PRIO_PROCESS, 0, UNIT_NICE); /* for the child to inherit */
	bool up = logd_daemon_up(&d, into, NULL, arguments);
	(void)setpriority(PRIO_PROCESS, 0, 0);
	if (!up) {
		logd_result_fail(r, "start %u after a kill did not work", life);
		return;
	}
	if (clock_mono_us() - start > CLOCK_SECOND_US)
		logd_result_fail(r, "start %u took %.2f s", life, (double)(clock_mono_us() - start) / 1e6);
	uint64_t old = old_files(into, life + 1);
	send_for(s, d.pid, life_us, sent);
	sent->waited_killed_us = waited_us(d.pid);
	sent->killed_us = clock_mono_us();
	logd_daemon_signal(&d, SIGKILL);
	logd_daemon_wait(&d, CLOCK_SECOND_US);
	logd_sender_unclaim(s);
	if (old_files(into, life + 1) != old)
		logd_result_fail(r, "a file of an earlier start changed");
	unlink(d.messages);
}

/* Which program it is, is asked only where it matters. */
static double limit_ms(uint32_t records, double lost)
{
	if (records < FEW)
		return FEW_LIMIT_MS;
	return lost > LOSS_LIMIT_MS && logd_rig_sanitized() ? SANITIZED_LIMIT_MS : LOSS_LIMIT_MS;
}

static void check_log(const char *into, const struct sent *sent, struct logd_result *r)
{
	struct logd_account a;
	logd_account_read(into, &a);
	if (a.unreadable > 1 || a.altered > 0 || a.twice > 0)
		logd_result_fail(r, "%u unreadable, %llu altered, %llu twice", a.unreadable,
		                 (unsigned long long)a.altered, (unsigned long long)a.twice);
	double waited, lost = lost_ms(sent, a.last, &waited);
	uint32_t records = sent->n > 0 ? sent->before[sent->n - 1] - 1 - a.last : 0;
	/* An empty log is no case of its own: the age is that of the life's first record then. */
	if (lost > limit_ms(records, lost))
		logd_result_fail(r,
		                 "lost %u records of the last %.0f ms before the kill; in these its threads "
		                 "waited %.0f ms for a processor",
		                 records, lost, waited);
	if (records >= FEW)
		logd_result_worst(r, lost);
}

static void trial(unsigned i, struct logd_result *r)
{
	char base[LOGD_RIG_PATH], into[LOGD_RIG_PATH + 8], engine[LOGD_RIG_PATH + 16];
	struct logd_sender s;
	struct sent sent = {.n = 0};
	unsigned seed = i * 2654435761u + 1;
	logd_rig_directory(base);
	snprintf(into, sizeof into, "%s/log", base);
	logd_sender_open(&s, LINK_FRAMES, NULL);
	for (unsigned life = 0; life < STARTS; life++) {
		int64_t life_us = 150000 + rand_r(&seed) % 700000;
		one_life(life, into, &s, life_us, &sent, r);
		check_log(into, &sent, r);
	}
	r->trials += STARTS - 1;
	logd_sender_close(&s);
	snprintf(engine, sizeof engine, "%s.engine", into);
	unlink(engine);
	logd_rig_remove(base);
}

int faults_kill(unsigned n)
{
	struct logd_result r = {
	    .goal = "G7", .what = "kill -9 under load, and the start after it", .unit = "ms lost"};
	faults_spread((n + STARTS - 1) / STARTS, n < FEW_TRIALS ? 2 : 8, trial, &r);
	snprintf(r.note, sizeof r.note, "G22: every older file looked at each time");
	return logd_result_print(&r);
}
