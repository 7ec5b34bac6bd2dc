/* SPDX-License-Identifier: GPL-3.0-or-later */
/* G10: a disk with less room than the log wants.  What fits is kept, to the last block; the rest waits,
 * is written when there is room, and is counted in the log when there never is. */
#include "logd/clock.h"
#include "tests/faults.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <sys/mount.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <sysexits.h>
#include <unistd.h>

#define PAGE 4096
#define PAGES_LEFT 4 /* the directory's, one that a block would not have filled, a new file's first two */

#define NO_FAULT "write:0:1:0"

struct brim {
	char base[LOGD_RIG_PATH], disk[LOGD_RIG_PATH + 8], into[LOGD_RIG_PATH + 16], input[LOGD_RIG_PATH + 8];
	struct logd_daemon daemon;
	uint32_t records;
	bool mounted;
};

static void brim_make(struct brim *b, uint32_t records, bool real)
{
	memset(b, 0, sizeof *b);
	logd_rig_directory(b->base);
	snprintf(b->disk, sizeof b->disk, "%s/disk", b->base);
	snprintf(b->into, sizeof b->into, "%s/log", b->disk);
	snprintf(b->input, sizeof b->input, "%s/in", b->base);
	mkdir(b->disk, 0777);
	b->mounted = real && mount("none", b->disk, "tmpfs", 0, "size=300k") == 0;
	b->records = records;
	faults_input(b->input, records, LINK_FRAMES);
}

static void brim_end(struct brim *b)
{
	if (b->mounted)
		umount(b->disk);
	logd_rig_remove(b->base);
}

static void start(struct brim *b, const char *size, const char *rule)
{
	char library[LOGD_RIG_PATH * 2], preload[LOGD_RIG_PATH * 3], fault[160];
	logd_rig_preload("faults", library);
	snprintf(preload, sizeof preload, "LD_PRELOAD=%s", library);
	snprintf(fault, sizeof fault, "TRAMMEL_FAULT=%s", rule);
	const char *environment[] = {preload, fault, "ASAN_OPTIONS=verify_asan_link_order=0", NULL};
	const char *arguments[] = {"--port", b->input, "--segment-size", size, NULL};
	logd_daemon_start(&b->daemon, b->into, environment, arguments);
}

/* The disk is full, and all of the input has been taken. */
static bool is_full(void *ctx)
{
	const struct brim *b = ctx;
	return logd_daemon_status(&b->daemon, "disk_ok") == 0 &&
	       logd_daemon_status(&b->daemon, "records_synced") +
	               logd_daemon_status(&b->daemon, "records_waiting") >=
	           b->records;
}

static bool works(void *ctx)
{
	const struct brim *b = ctx;
	return logd_daemon_status(&b->daemon, "disk_ok") > 0;
}

static long long could_not_be_kept(const struct brim *b)
{
	char line[1024];
	long long n = 0;
	FILE *f = fopen(b->daemon.messages, "r");
	while (f != NULL && fgets(line, sizeof line, f) != NULL) {
		const char *into = strstr(line, b->into);
		if (into != NULL && strstr(line, "could not be kept") != NULL)
			(void)sscanf(into + strlen(b->into), ": %lld", &n);
	}
	if (f != NULL)
		fclose(f);
	return n;
}

/* Told to end while it is full: nothing but what did not fit is missing, and the number of it is told. */
static void end_while_full(struct brim *b, struct logd_result *r)
{
	struct logd_account a;
	int64_t took;
	int code = logd_daemon_stop(&b->daemon, &took);
	long long told = could_not_be_kept(b);
	logd_account_read(b->into, &a);
	if (code != EX_IOERR || a.records + (uint64_t)told != b->records || took > 2 * CLOCK_SECOND_US)
		logd_result_fail(r, "exit %d after %.1f s, %llu kept + %lld not, of %u", code,
		                 (double)took / 1e6, (unsigned long long)a.records, told, b->records);
	if (a.missing + a.twice + a.altered + a.damages > 0)
		logd_result_fail(r, "%llu missing, %llu twice, %llu altered, %llu damages",
		                 (unsigned long long)a.missing, (unsigned long long)a.twice,
		                 (unsigned long long)a.altered, (unsigned long long)a.damages);
	if (b->mounted && (a.not_closed > 0 || a.gap_amount[GAP_DISK] != told))
		logd_result_fail(r, "the log tells of %lld of %lld lost, %u files are not closed",
		                 (long long)a.gap_amount[GAP_DISK], told, a.not_closed);
}

/* More room: the rest is written, and the recording ends by itself. */
static void make_room(struct brim *b, struct logd_result *r)
{
	struct logd_account a;
	int64_t start_us = clock_mono_us();
	if (mount("none", b->disk, NULL, MS_REMOUNT, "size=2m") != 0)
		logd_result_fail(r, "cannot enlarge the disk: %s", strerror(errno));
	while (!works(b) && (b->daemon.pid != 0 && logd_daemon_ended(&b->daemon) == 0) &&
	       clock_mono_us() < start_us + 5 * CLOCK_SECOND_US)
		logd_rig_sleep_us(5000);
	double took = (double)(clock_mono_us() - start_us) / 1e6;
	logd_result_worst(r, took);
	if (took > 2)
		logd_result_fail(r, "went on after %.1f s", took);
	if (b->daemon.pid != 0 && logd_daemon_wait(&b->daemon, 10 * CLOCK_SECOND_US) != EX_OK)
		logd_result_fail(r, "did not end well");
	logd_account_read(b->into, &a);
	if (a.records != b->records || a.missing + a.twice + a.altered + a.damages + a.not_closed > 0)
		logd_result_fail(r, "%llu of %u records, %llu twice, %llu damages, %u not closed",
		                 (unsigned long long)a.records, b->records, (unsigned long long)a.twice,
		                 (unsigned long long)a.damages, a.not_closed);
}

static void check_filled(const struct brim *b, struct logd_result *r)
{
	struct statvfs v;
	if (statvfs(b->disk, &v) != 0 || v.f_bavail * v.f_frsize > PAGES_LEFT * PAGE)
		logd_result_fail(r, "%lu bytes of the disk were left free",
		                 (unsigned long)(v.f_bavail * v.f_frsize));
}

static void real_disk(unsigned i, struct logd_result *r)
{
	struct brim b;
	brim_make(&b, 200000 + i * 577 % 60000, true);
	if (b.mounted) {
		start(&b, i % 4 < 2 ? "8M" : "64k", NO_FAULT);
		if (!logd_rig_until(is_full, &b, 20 * CLOCK_SECOND_US))
			logd_result_fail(r, "did not fill the disk");
		check_filled(&b, r);
		if (i % 2 == 0)
			end_while_full(&b, r);
		else
			make_room(&b, r);
	}
	brim_end(&b);
}

/* Any length of the last write, and a disk that then takes nothing more at all. */
static void shim(unsigned i, struct logd_result *r)
{
	char rule[80];
	struct brim b;
	snprintf(rule, sizeof rule, "write:%u:0:%d:%u", i % 7 + 1, i % 2 ? ENOSPC : EDQUOT, i * 7919 % 65537);
	brim_make(&b, 250000, false);
	start(&b, i % 4 < 2 ? "8M" : "64k", rule);
	if (!logd_rig_until(is_full, &b, 20 * CLOCK_SECOND_US))
		logd_result_fail(r, "%s: did not fill the disk", rule);
	end_while_full(&b, r);
	brim_end(&b);
}

static bool can_mount(void)
{
	struct brim b;
	brim_make(&b, 0, true);
	bool can = b.mounted;
	brim_end(&b);
	return can;
}

int faults_brim(unsigned n)
{
	struct logd_result real = {
	    .goal = "G10", .what = "a real 300 KiB disk for 430 KiB of log", .unit = "s to resume"};
	struct logd_result any = {.goal = "G10", .what = "a disk that takes some bytes and no more"};
	int bad = 0;
	if (can_mount()) {
		faults_spread(n, 4, real_disk, &real);
		bad = logd_result_print(&real);
	} else {
		printf("G10  skipped: mounting a small file system needs root (%s)\n", strerror(errno));
	}
	faults_spread(n, 4, shim, &any);
	return bad | logd_result_print(&any);
}
