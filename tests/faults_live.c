/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Faults of the disk and the clock while a port delivers: freezing, filling up, turning
 * read-only, calendar steps.  The port cannot be asked to wait, so what
 * counts is that nothing is lost that the RAM can hold, and that the rest is counted. */
#include "logd/clock.h"
#include "tests/faults.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mount.h>
#include <sys/stat.h>
#include <sysexits.h>
#include <unistd.h>

#define RATE 7000.0

struct live {
	char base[LOGD_RIG_PATH], into[LOGD_RIG_PATH + 8], flag[LOGD_RIG_PATH + 8];
	struct logd_sender sender;
	struct logd_daemon daemon;
};

/* `library` preload with `variable`=<flag file>; extra arguments, NULL ends. */
static void live_start(struct live *l, enum link_kind kind, const char *library, const char *variable,
                       const char *const *more)
{
	char so[LOGD_RIG_PATH * 2], preload[LOGD_RIG_PATH * 3], setting[LOGD_RIG_PATH * 2];
	const char *arguments[24] = {"--port", l->sender.slave, "--link",
	                             kind == LINK_LINES ? "lines" : "frames"};
	unsigned n = 4;
	logd_sender_open(&l->sender, kind, NULL);
	logd_rig_preload(library, so);
	snprintf(preload, sizeof preload, "LD_PRELOAD=%s", so);
	snprintf(setting, sizeof setting, "%s=%s", variable, l->flag);
	for (; *more != NULL; more++)
		arguments[n++] = *more;
	const char *environment[] = {preload, setting, "ASAN_OPTIONS=verify_asan_link_order=0", NULL};
	logd_daemon_up(&l->daemon, l->into, environment, arguments);
}

static void live_make(struct live *l)
{
	memset(l, 0, sizeof *l);
	logd_rig_directory(l->base);
	snprintf(l->into, sizeof l->into, "%s/log", l->base);
	snprintf(l->flag, sizeof l->flag, "%s/flag", l->base);
}

static void live_end(struct live *l)
{
	logd_sender_close(&l->sender);
	logd_rig_remove(l->base);
}

static void raise_flag(const struct live *l, int error)
{
	FILE *f = fopen(l->flag, "w");
	if (f == NULL || fprintf(f, "%d", error) < 0 || fclose(f) != 0)
		abort();
}

/* Where records went astray, if they did: on the way into the recorder, or in it. */
static void note_road(struct live *l, struct logd_result *r)
{
	static const char *const keys[] = {"bytes_received", "bytes_dropped",   "bytes_overrun",
	                                   "bytes_damaged",  "frames_lost",     "records",
	                                   "records_synced", "records_not_kept"};
	int n = snprintf(r->note, sizeof r->note, "sent %llu bytes", (unsigned long long)l->sender.bytes);
	for (size_t i = 0; i < sizeof keys / sizeof keys[0]; i++)
		n += snprintf(r->note + n, sizeof r->note - (size_t)n, ", %s %.0f", keys[i],
		              logd_daemon_status(&l->daemon, keys[i]));
}

static void check_nothing_lost(struct live *l, struct logd_result *r)
{
	struct logd_account a;
	logd_account_read(l->into, &a);
	if (a.missing + a.twice + a.altered > 0 || a.first != 0 || a.last + 1 != l->sender.next)
		logd_result_fail(
		    r, "sent %u, refused %u times, first %u, last %u, %llu missing, %llu twice, %llu altered",
		    l->sender.next, l->sender.refused, a.first, a.last, (unsigned long long)a.missing,
		    (unsigned long long)a.twice, (unsigned long long)a.altered);
}

/* --- G14 --- */

#define FREEZE_BYTES_S 300000.0 /* 3 Mbaud */

/* G32: what is missing must be what was counted, but for the lines cut at the two edges of each gap. */
static int check_counted(const struct live *l, double *lost)
{
	struct logd_account a;
	struct logd_result r = {.goal = "G32",
	                        .what = "bytes missing against bytes counted",
	                        .trials = 1,
	                        .unit = "bytes not explained"};
	logd_account_read(l->into, &a);
	double counted = (double)(a.gap_amount[GAP_RING_FULL] + a.gap_amount[GAP_DAMAGED]);
	double edge =
	    2.0 * (double)logd_rig_line_bytes(l->sender.next) * (double)(a.gap_records[GAP_RING_FULL] + 1);
	double apart = fabs((double)a.missing_bytes - counted);
	*lost = (double)a.missing_bytes;
	logd_result_worst(&r, apart > edge ? apart : 0);
	if (a.altered > 0 || a.twice > 0 || apart > edge)
		logd_result_fail(&r, "%llu bytes missing, %.0f counted", (unsigned long long)a.missing_bytes,
		                 counted);
	if (a.missing > 0 && a.gap_records[GAP_RING_FULL] == 0)
		logd_result_fail(&r, "lost without a gap record");
	snprintf(r.note, sizeof r.note,
	         "%llu missing, %.0f counted in %llu gaps, up to %.0f cut at their edges",
	         (unsigned long long)a.missing_bytes, counted,
	         (unsigned long long)a.gap_records[GAP_RING_FULL], edge);
	return logd_result_print(&r);
}

/* A disk that does not answer must not hold up the end either. */
static int stop_while_frozen(void)
{
	struct live l;
	struct logd_result r = {
	    .goal = "G14", .what = "SIGTERM while the disk is frozen", .trials = 1, .unit = "s to end"};
	const char *more[] = {NULL};
	int64_t took;
	live_make(&l);
	live_start(&l, LINK_LINES, "faults", "TRAMMEL_STALL_FLAG", more);
	raise_flag(&l, 0);
	logd_sender_run(&l.sender, RATE, CLOCK_SECOND_US / 2);
	int code = logd_daemon_stop(&l.daemon, &took);
	logd_result_worst(&r, (double)took / 1e6);
	if (code != EX_IOERR || took > CLOCK_SECOND_US || logd_daemon_said(&l.daemon, "does not answer") != 1)
		logd_result_fail(&r, "exit %d after %.2f s", code, (double)took / 1e6);
	live_end(&l);
	return logd_result_print(&r);
}

static bool buffer_is_empty(void *ctx)
{
	return logd_daemon_status(ctx, "buffer_used") < 1024;
}

int faults_freeze(unsigned n)
{
	struct live l;
	struct logd_result r = {
	    .goal = "G14", .what = "disk frozen at 3 Mbaud", .trials = 1, .unit = "bytes lost, all counted"};
	const char *more[] = {"--baud", "3000000", NULL};
	live_make(&l);
	live_start(&l, LINK_LINES, "faults", "TRAMMEL_STALL_FLAG", more);
	double rate = FREEZE_BYTES_S / (double)logd_rig_line_bytes(1000000);
	logd_sender_run(&l.sender, rate, CLOCK_SECOND_US / 2);
	raise_flag(&l, 0);
	logd_sender_run(&l.sender, rate, n * (int64_t)CLOCK_SECOND_US);
	unlink(l.flag);
	logd_sender_run(&l.sender, rate, CLOCK_SECOND_US * 3 / 2);
	if (!logd_rig_until(buffer_is_empty, &l.daemon, 60 * CLOCK_SECOND_US))
		logd_result_fail(&r, "did not catch up");
	logd_sender_run(&l.sender, rate, CLOCK_SECOND_US / 5); /* so that what was dropped has an end */
	if (logd_daemon_stop(&l.daemon, NULL) != 0)
		logd_result_fail(&r, "did not end well");
	double lost;
	int bad = check_counted(&l, &lost);
	logd_result_worst(&r, lost);
	if (n <= 10)
		check_nothing_lost(&l, &r);
	snprintf(r.note, sizeof r.note, "%u s", n);
	live_end(&l);
	return bad | logd_result_print(&r) | stop_while_frozen();
}

/* --- G12 --- */

static bool disk_works(void *ctx)
{
	return logd_daemon_status(ctx, "disk_ok") > 0;
}

static bool disk_fails(void *ctx)
{
	return logd_daemon_status(ctx, "disk_ok") == 0;
}

static void flip(struct live *l, struct logd_result *r)
{
	raise_flag(l, EROFS);
	logd_sender_run(&l->sender, RATE, CLOCK_SECOND_US / 2);
	if (!logd_rig_until(disk_fails, &l->daemon, 2 * CLOCK_SECOND_US))
		logd_result_fail(r, "the failing disk was not noticed");
	unlink(l->flag);
	int64_t start = clock_mono_us();
	if (!logd_rig_until(disk_works, &l->daemon, 5 * CLOCK_SECOND_US))
		logd_result_fail(r, "recording did not go on");
	logd_result_worst(r, (double)(clock_mono_us() - start) / 1e6);
	logd_sender_run(&l->sender, RATE, CLOCK_SECOND_US / 10);
	r->trials++;
}

int faults_flip(unsigned n)
{
	struct live l;
	struct logd_result r = {
	    .goal = "G12", .what = "read-only and back, at 7,000 records/s", .unit = "s to resume"};
	const char *more[] = {"--sync", "0.2", NULL};
	live_make(&l);
	live_start(&l, LINK_FRAMES, "faults", "TRAMMEL_FAULT_FLAG", more);
	for (unsigned i = 0; i < n; i++)
		flip(&l, &r);
	double s = logd_daemon_status(&l.daemon, "uptime_s");
	if ((double)logd_daemon_said(&l.daemon, "still receiving") > s / 60 + 1)
		logd_result_fail(&r, "%zu messages in %.0f s", logd_daemon_said(&l.daemon, "still receiving"),
		                 s);
	logd_sender_flush(&l.sender);
	logd_rig_sleep_us(CLOCK_SECOND_US / 10);
	if (logd_daemon_stop(&l.daemon, NULL) != 0)
		logd_result_fail(&r, "did not end well");
	check_nothing_lost(&l, &r);
	if (r.worst > 2)
		logd_result_fail(&r, "took %.1f s to resume", r.worst);
	live_end(&l);
	return logd_result_print(&r);
}

/* --- G10, a real file system --- */

static void fill_until_full(struct live *l, struct logd_result *r)
{
	int64_t end = clock_mono_us() + 60 * CLOCK_SECOND_US;
	while (!disk_fails(&l->daemon) && clock_mono_us() < end)
		logd_sender_run(&l->sender, 40000, CLOCK_SECOND_US / 10);
	if (!disk_fails(&l->daemon))
		logd_result_fail(r, "the disk never filled up");
	logd_sender_run(&l->sender, RATE, CLOCK_SECOND_US / 2);
}

#define BALLAST_BLOCKS 75

static void ballast(const char *path, bool put)
{
	static const char block[4096];
	unlink(path);
	FILE *f = put ? fopen(path, "w") : NULL;
	for (unsigned i = 0; f != NULL && i < BALLAST_BLOCKS; i++)
		fwrite(block, 1, sizeof block, f);
	if (f != NULL)
		fclose(f);
}

static void fill_and_drain(struct live *l, const char *path, struct logd_result *r)
{
	fill_until_full(l, r);
	ballast(path, false);
	int64_t start = clock_mono_us();
	if (!logd_rig_until(disk_works, &l->daemon, 5 * CLOCK_SECOND_US))
		logd_result_fail(r, "recording did not go on when there was room again");
	logd_result_worst(r, (double)(clock_mono_us() - start) / 1e6);
	r->trials++;
}

int faults_full(unsigned n)
{
	struct live l;
	char path[LOGD_RIG_PATH + 16];
	struct logd_result r = {
	    .goal = "G10", .what = "a real 640 KiB file system, full and drained", .unit = "s to resume"};
	for (unsigned i = 0; i < n; i++) {
		const char *more[] = {"--segment-size", "64k", NULL};
		live_make(&l);
		if (mount("none", l.base, "tmpfs", 0, "size=640k") != 0) {
			printf("G10  skipped: mounting a small file system needs root (%s)\n",
			       strerror(errno));
			rmdir(l.base);
			return 0;
		}
		snprintf(path, sizeof path, "%s/ballast", l.base);
		ballast(path, true);
		live_start(&l, LINK_FRAMES, "faults", "TRAMMEL_FAULT_FLAG", more);
		fill_and_drain(&l, path, &r);
		logd_sender_flush(&l.sender);
		logd_rig_sleep_us(CLOCK_SECOND_US / 10);
		if (logd_daemon_stop(&l.daemon, NULL) != 0)
			logd_result_fail(&r, "did not end well");
		check_nothing_lost(&l, &r);
		logd_sender_close(&l.sender);
		umount(l.base);
		rmdir(l.base);
	}
	if (r.worst > 2)
		logd_result_fail(&r, "took %.1f s to resume", r.worst);
	return logd_result_print(&r);
}

/* --- G26 --- */

int faults_clock(unsigned n)
{
	struct live l;
	struct logd_result r = {.goal = "G26",
	                        .what = "calendar steps of 1 h, 10 y, to 1970, twice a second",
	                        .unit = "of syncs too many or too few"};
	char keep[32];
	const char *more[] = {"--sync", "0.25", "--segment-age", "1", "--keep", keep, NULL};
	/* Room for all of it, so that whatever is deleted was deleted for the calendar. */
	snprintf(keep, sizeof keep, "%uM", 64 + n / 16);
	live_make(&l);
	live_start(&l, LINK_FRAMES, "clock", "TRAMMEL_CLOCK_STEPS", more);
	double before = logd_daemon_status(&l.daemon, "syncs"),
	       made = logd_daemon_status(&l.daemon, "segments_made");
	logd_sender_run(&l.sender, RATE, n * (int64_t)CLOCK_SECOND_US);
	double syncs = logd_daemon_status(&l.daemon, "syncs") - before;
	made = logd_daemon_status(&l.daemon, "segments_made") - made;
	if (logd_daemon_status(&l.daemon, "segments_deleted") != 0)
		logd_result_fail(&r, "a calendar step made it delete");
	/* Each rotation, one a second, adds a sync of its own. */
	double expected = n / 0.25 + made;
	logd_result_worst(&r, fabs(syncs - expected) / expected);
	if (fabs(syncs - expected) > expected / 4 + 2 || fabs(made - n) > n / 4.0 + 1)
		logd_result_fail(&r, "%.0f syncs and %.0f segments in %u s", syncs, made, n);
	logd_sender_flush(&l.sender);
	logd_rig_sleep_us(CLOCK_SECOND_US / 10);
	note_road(&l, &r);
	logd_daemon_stop(&l.daemon, NULL);
	check_nothing_lost(&l, &r);
	r.trials = (uint64_t)n * 2;
	live_end(&l);
	return logd_result_print(&r);
}
