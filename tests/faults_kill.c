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
#include <sys/stat.h>
#include <unistd.h>

#define RATE 7000.0
#define LOSS_LIMIT_MS 250.0 /* 100 ms write interval, and scheduling of many at once */
#define STARTS 3

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

static void one_life(unsigned life, const char *into, struct logd_sender *s, int64_t life_us,
                     struct logd_result *r)
{
	struct logd_daemon d;
	const char *arguments[] = {"--port", s->slave, "--segment-size", "32k", "--quiet", NULL};
	int64_t start = clock_mono_us();
	if (!logd_daemon_up(&d, into, NULL, arguments)) {
		logd_result_fail(r, "start %u after a kill did not work", life);
		return;
	}
	if (clock_mono_us() - start > CLOCK_SECOND_US)
		logd_result_fail(r, "start %u took %.2f s", life, (double)(clock_mono_us() - start) / 1e6);
	uint64_t old = old_files(into, life + 1);
	logd_sender_run(s, RATE, life_us);
	logd_daemon_signal(&d, SIGKILL);
	logd_daemon_wait(&d, CLOCK_SECOND_US);
	if (old_files(into, life + 1) != old)
		logd_result_fail(r, "a file of an earlier start changed");
	unlink(d.messages);
}

static void check_log(const char *into, uint32_t sent, struct logd_result *r)
{
	struct logd_account a;
	logd_account_read(into, &a);
	if (a.unreadable > 1 || a.altered > 0 || a.twice > 0)
		logd_result_fail(r, "%u unreadable, %llu altered, %llu twice", a.unreadable,
		                 (unsigned long long)a.altered, (unsigned long long)a.twice);
	double lost_ms = (double)(sent - 1 - a.last) / RATE * 1000;
	if (a.records == 0 || lost_ms > LOSS_LIMIT_MS)
		logd_result_fail(r, "lost %.0f ms before the kill", lost_ms);
	logd_result_worst(r, lost_ms);
}

static void trial(unsigned i, struct logd_result *r)
{
	char base[LOGD_RIG_PATH], into[LOGD_RIG_PATH + 8], engine[LOGD_RIG_PATH + 16];
	struct logd_sender s;
	unsigned seed = i * 2654435761u + 1;
	logd_rig_directory(base);
	snprintf(into, sizeof into, "%s/log", base);
	logd_sender_open(&s, LINK_FRAMES, NULL);
	for (unsigned life = 0; life < STARTS; life++) {
		int64_t life_us = 150000 + rand_r(&seed) % 700000;
		one_life(life, into, &s, life_us, r);
		check_log(into, s.next, r);
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
	faults_spread((n + STARTS - 1) / STARTS, 8, trial, &r);
	return logd_result_print(&r);
}
