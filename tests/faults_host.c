/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the host gives or refuses: memory, a watchdog, a second recorder. */
#include "logd/clock.h"
#include "tests/faults.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <sysexits.h>
#include <unistd.h>

struct host {
	char base[LOGD_RIG_PATH], into[LOGD_RIG_PATH + 8], file[LOGD_RIG_PATH + 8];
	char preload[LOGD_RIG_PATH * 3], setting[2][LOGD_RIG_PATH * 2];
};

static void host_make(struct host *h, const char *library)
{
	char so[LOGD_RIG_PATH * 2];
	memset(h, 0, sizeof *h);
	logd_rig_directory(h->base);
	logd_rig_preload(library, so);
	snprintf(h->into, sizeof h->into, "%s/log", h->base);
	snprintf(h->file, sizeof h->file, "%s/file", h->base);
	snprintf(h->preload, sizeof h->preload, "LD_PRELOAD=%s", so);
}

/* --- G13 --- */

static long counted(const char *path)
{
	long n = -1;
	FILE *f = fopen(path, "r");
	if (f == NULL || fscanf(f, "%ld", &n) != 1)
		n = -1;
	if (f != NULL)
		fclose(f);
	return n;
}

/* A busy life: rotation, unplugging, status. */
static void no_heap_after_start(struct logd_result *r)
{
	struct host h;
	struct logd_sender s;
	struct logd_daemon d;
	char name[LOGD_RIG_PATH + 8];
	host_make(&h, "heap");
	snprintf(name, sizeof name, "%s/board", h.base);
	snprintf(h.setting[0], sizeof h.setting[0], "TRAMMEL_HEAP_COUNT=%s", h.file);
	logd_sender_open(&s, LINK_FRAMES, name);
	const char *environment[] = {h.preload, h.setting[0], "ASAN_OPTIONS=verify_asan_link_order=0", NULL};
	const char *arguments[] = {"--port", name, "--segment-size", "32k", "--keep", "256k", NULL};
	logd_daemon_up(&d, h.into, environment, arguments);
	for (unsigned i = 0; i < 3; i++) {
		logd_sender_run(&s, 20000, CLOCK_SECOND_US / 3);
		logd_sender_unplug(&s);
		logd_rig_sleep_us(CLOCK_SECOND_US / 10);
		logd_sender_plug(&s);
		logd_daemon_status(&d, "records");
	}
	double seen = logd_daemon_status(&d, "records");
	logd_daemon_stop(&d, NULL);
	long n = counted(h.file);
	r->trials++;
	if (n != 0 || !(seen > 1000))
		logd_result_fail(r, "%ld allocations after the start", n);
	logd_sender_close(&s);
	logd_rig_remove(h.base);
}

static void start_short_of_memory(unsigned i, struct logd_result *r)
{
	struct host h;
	struct logd_daemon d;
	host_make(&h, "heap");
	faults_input(h.file, 1000, LINK_FRAMES);
	snprintf(h.setting[0], sizeof h.setting[0], "TRAMMEL_HEAP_FAIL=%u", i / 2 + 1);
	const char *environment[] = {h.preload, h.setting[0], i % 2 ? "TRAMMEL_HEAP_FOREVER=1" : NULL, NULL};
	const char *arguments[] = {"--port", h.file, NULL};
	logd_daemon_start(&d, h.into, environment, arguments);
	int code = logd_daemon_wait(&d, 10 * CLOCK_SECOND_US);
	if (code == EX_OK) {
		struct logd_account a;
		logd_account_read(h.into, &a);
		if (a.records != 1000)
			logd_result_fail(r, "allocation %u: ended well with %llu records", i / 2 + 1,
			                 (unsigned long long)a.records);
	} else if (code < EX_USAGE || code > EX_CONFIG || logd_daemon_said(&d, "trammeld: ") == 0) {
		logd_result_fail(r, "allocation %u failed: exit %d", i / 2 + 1, code);
	}
	logd_rig_remove(h.base);
}

/* Descriptors, threads and large memory: without the status socket it records, without another it ends. */
static void start_short_of_means(unsigned i, struct logd_result *r)
{
	struct host h;
	struct logd_daemon d;
	struct logd_account a;
	host_make(&h, "faults");
	faults_input(h.file, 1000, LINK_FRAMES);
	snprintf(h.setting[0], sizeof h.setting[0], "TRAMMEL_START_FAULT=%u", i + 1);
	const char *environment[] = {h.preload, h.setting[0], "ASAN_OPTIONS=verify_asan_link_order=0", NULL};
	const char *arguments[] = {"--port", h.file, NULL};
	logd_daemon_start(&d, h.into, environment, arguments);
	int code = logd_daemon_wait(&d, 10 * CLOCK_SECOND_US);
	logd_account_read(h.into, &a);
	if (code == EX_OK && a.records != 1000)
		logd_result_fail(r, "call %u: ended well with %llu records", i + 1,
		                 (unsigned long long)a.records);
	if (code != EX_OK && (code != EX_OSERR || a.records != 0 ||
	                      logd_daemon_said(&d, "out of memory or descriptors") +
	                              logd_daemon_said(&d, "cannot start a thread") !=
	                          1))
		logd_result_fail(r, "call %u failed: exit %d, %llu records", i + 1, code,
		                 (unsigned long long)a.records);
	logd_result_worst(r, code == EX_OK ? 0 : i + 1);
	logd_rig_remove(h.base);
}

int faults_start(unsigned n)
{
	struct logd_result r = {.goal = "G13",
	                        .what = "the k-th descriptor, thread, memory is refused",
	                        .unit = "calls without which it ends, the last"};
	if (logd_rig_sanitized()) {
		printf("G13  skipped: a sanitizer asks for means of its own; make faults runs this\n");
		return 0;
	}
	faults_spread(n, 8, start_short_of_means, &r);
	if (r.worst < 10 || r.worst + 1 > n)
		logd_result_fail(&r, "not as many calls as there must be, or fewer tried than there are");
	return logd_result_print(&r);
}

int faults_heap(unsigned n)
{
	struct logd_result after = {.goal = "G13", .what = "no heap use after the start"};
	struct logd_result start = {.goal = "G13", .what = "the k-th allocation at the start fails"};
	if (logd_rig_sanitized()) {
		printf("G13  skipped: a sanitizer has a heap of its own; make faults runs this\n");
		return 0;
	}
	no_heap_after_start(&after);
	faults_spread(2 * n, 8, start_short_of_memory, &start);
	return logd_result_print(&after) | logd_result_print(&start);
}

/* --- G15 --- */

static int listen_as_manager(const char *path)
{
	struct sockaddr_un a = {.sun_family = AF_UNIX};
	int fd = socket(AF_UNIX, SOCK_DGRAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0);
	snprintf(a.sun_path, sizeof a.sun_path, "%.100s", path);
	if (fd < 0 || bind(fd, (const struct sockaddr *)&a, sizeof a) != 0)
		abort();
	return fd;
}

/* Signs of life that arrived within `us`; `ready` tells READY=1 among them. */
static unsigned signs_of_life(int fd, int64_t us, bool *ready)
{
	int64_t end = clock_mono_us() + us;
	unsigned n = 0;
	char text[1024];
	while (clock_mono_us() < end) {
		ssize_t got;
		while ((got = recv(fd, text, sizeof text - 1, 0)) > 0) {
			text[got] = '\0';
			n += strstr(text, "WATCHDOG=1") != NULL;
			*ready |= strstr(text, "READY=1") != NULL;
		}
		logd_rig_sleep_us(5000);
	}
	return n;
}

static void touch(const char *path)
{
	FILE *f = fopen(path, "w");
	if (f == NULL || fclose(f) != 0)
		abort();
}

int faults_watchdog(unsigned n)
{
	struct host h;
	struct logd_sender s;
	struct logd_daemon d;
	char manager[LOGD_RIG_PATH + 8], notify[LOGD_RIG_PATH * 2];
	struct logd_result r = {
	    .goal = "G15", .what = "watchdog: frozen disk lives, stuck receiver does not", .trials = 2};
	bool ready = false;
	host_make(&h, "faults");
	snprintf(manager, sizeof manager, "%s/notify", h.base);
	snprintf(notify, sizeof notify, "NOTIFY_SOCKET=%s", manager);
	snprintf(h.setting[0], sizeof h.setting[0], "TRAMMEL_STALL_FLAG=%s", h.file);
	snprintf(h.setting[1], sizeof h.setting[1], "TRAMMEL_STUCK_FLAG=%s.stuck", h.file);
	int fd = listen_as_manager(manager);
	logd_sender_open(&s, LINK_FRAMES, NULL);
	const char *environment[] = {h.preload,
	                             h.setting[0],
	                             h.setting[1],
	                             notify,
	                             "WATCHDOG_USEC=2000000",
	                             "ASAN_OPTIONS=verify_asan_link_order=0",
	                             NULL};
	const char *arguments[] = {"--port", s.slave, NULL};
	logd_daemon_up(&d, h.into, environment, arguments);
	touch(h.file);
	logd_sender_send(&s, 500, CLOCK_SECOND_US);
	unsigned signs = signs_of_life(fd, n * (int64_t)CLOCK_SECOND_US, &ready);
	if (!ready || signs + 1 < n)
		logd_result_fail(&r, "%u signs of life in %u s of frozen disk, ready %d", signs, n, ready);
	unlink(h.file);
	touch(h.setting[1] + strlen("TRAMMEL_STUCK_FLAG="));
	logd_sender_send(&s, 500, CLOCK_SECOND_US);
	signs_of_life(fd, CLOCK_SECOND_US * 5 / 4, &ready); /* until the tick is too old */
	unsigned late = signs_of_life(fd, CLOCK_SECOND_US * 5 / 4, &ready);
	if (late != 0)
		logd_result_fail(&r, "%u signs of life while the receiver is stuck", late);
	logd_daemon_signal(&d, 9);
	logd_daemon_wait(&d, CLOCK_SECOND_US);
	close(fd);
	logd_sender_close(&s);
	logd_rig_remove(h.base);
	return logd_result_print(&r);
}

/* --- G30 --- */

static bool answers(void *ctx)
{
	return logd_daemon_status(ctx, "pid") > 0;
}

static void race(unsigned i, struct logd_result *r)
{
	struct host h;
	struct logd_sender s[2];
	struct logd_daemon d[2];
	char owner[64];
	host_make(&h, "faults");
	logd_sender_open(&s[0], LINK_FRAMES, NULL);
	logd_sender_open(&s[1], LINK_FRAMES, NULL);
	for (unsigned k = 0; k < 2; k++) {
		/* Every other time they want the same port too. */
		const char *arguments[] = {"--port", s[k * (i % 2)].slave, NULL};
		logd_daemon_start(&d[k], h.into, NULL, arguments);
	}
	pid_t pid[2] = {d[0].pid, d[1].pid};
	int code[2] = {0, 0};
	for (int64_t end = clock_mono_us() + 5 * CLOCK_SECOND_US;
	     code[0] == 0 && code[1] == 0 && clock_mono_us() < end;)
		for (unsigned k = 0; k < 2; k++)
			code[k] = logd_daemon_ended(&d[k]);
	unsigned winner = code[0] != 0 ? 1 : 0, loser = 1 - winner;
	snprintf(owner, sizeof owner, "process %d", (int)pid[winner]);
	if (code[loser] != EX_TEMPFAIL || logd_daemon_said(&d[loser], owner) == 0)
		logd_result_fail(r, "loser: exit %d, names the owner %zu times", code[loser],
		                 logd_daemon_said(&d[loser], owner));
	logd_rig_until(answers, &d[winner], 2 * CLOCK_SECOND_US);
	if (logd_daemon_status(&d[winner], "pid") != pid[winner])
		logd_result_fail(r, "the winner does not answer");
	if (logd_daemon_stop(&d[winner], NULL) != 0)
		logd_result_fail(r, "the winner did not end well");
	logd_sender_close(&s[0]);
	logd_sender_close(&s[1]);
	logd_rig_remove(h.base);
}

int faults_race(unsigned n)
{
	struct logd_result r = {.goal = "G30", .what = "two started together: one wins, the other names it"};
	faults_spread(n, 4, race, &r);
	return logd_result_print(&r);
}
