/* SPDX-License-Identifier: GPL-3.0-or-later */
/* G10, G11: every call that the recorder makes to its disk fails once, some times
 * in a row, or for ever, with ENOSPC or EIO.  From a file nothing may be lost: what was not proven
 * durable is written again, each record once. */
#include "logd/clock.h"
#include "tests/faults.h"

#include <errno.h>
#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <sys/wait.h>
#include <sysexits.h>
#include <unistd.h>

/* Enough for about k calls and some more. */
static uint32_t records_for(unsigned k)
{
	return 60000 + k * 2200;
}

struct place {
	char base[LOGD_RIG_PATH], into[LOGD_RIG_PATH + 8], input[LOGD_RIG_PATH + 8];
};

static void place_make(struct place *p, uint32_t records)
{
	logd_rig_directory(p->base);
	snprintf(p->into, sizeof p->into, "%s/log", p->base);
	snprintf(p->input, sizeof p->input, "%s/in", p->base);
	faults_input(p->input, records, LINK_FRAMES);
}

static void start(struct logd_daemon *d, const struct place *p, const char *rule)
{
	char fault[200], preload[LOGD_RIG_PATH * 3], library[LOGD_RIG_PATH * 2];
	logd_rig_preload("faults", library);
	snprintf(preload, sizeof preload, "LD_PRELOAD=%s", library);
	snprintf(fault, sizeof fault, "TRAMMEL_FAULT=%s", rule);
	const char *environment[] = {preload, fault, "ASAN_OPTIONS=verify_asan_link_order=0", NULL};
	const char *arguments[] = {"--port", p->input, "--segment-size", "32k", "--sync", "0.05", NULL};
	logd_daemon_start(d, p->into, environment, arguments);
}

static void check_whole(const char *rule, const struct place *p, int code, const struct logd_daemon *d,
                        uint32_t records, struct logd_result *r)
{
	struct logd_account a;
	logd_account_read(p->into, &a);
	if (code == EX_CANTCREAT && a.records == 0)
		return; /* a disk that fails before the first segment is safe: refused, nothing taken */
	if (code != EX_OK || a.records != records || a.twice + a.altered + a.missing + a.number_holes > 0)
		logd_result_fail(r, "%s: exit %d, %llu of %u records, %llu twice, %llu altered, %llu damaged",
		                 rule, code, (unsigned long long)a.records, records,
		                 (unsigned long long)a.twice, (unsigned long long)a.altered,
		                 (unsigned long long)a.damages);
	if (logd_daemon_said(d, "still receiving") > 1)
		logd_result_fail(r, "%s: more than one message a minute", rule);
}

static void passing_fault(unsigned i, struct logd_result *r)
{
	static const int errors[] = {ENOSPC, EIO, EROFS, EDQUOT};
	static const unsigned counts[] = {1, 2, 5};
	char rule[80];
	struct place p;
	struct logd_daemon d;
	uint32_t records = records_for(i);
	snprintf(rule, sizeof rule, "any:%u:%u:%d", i + 4, counts[i % 3], errors[i % 4]);
	place_make(&p, records);
	start(&d, &p, rule);
	int code = logd_daemon_wait(&d, 30 * CLOCK_SECOND_US);
	check_whole(rule, &p, code, &d, records, r);
	logd_rig_remove(p.base);
}

/* Two separate faults: the second meets the recovery from the first. */
static void compound_fault(unsigned i, struct logd_result *r)
{
	char rule[80];
	struct place p;
	struct logd_daemon d;
	unsigned k = i / 6 + 4;
	uint32_t records = records_for(k);
	snprintf(rule, sizeof rule, "any:%u:1:%d,any:%u:1:%d", k, i % 2 ? EIO : ENOSPC, k + 1 + i % 6,
	         i % 3 ? EIO : ENOSPC);
	place_make(&p, records);
	start(&d, &p, rule);
	int code = logd_daemon_wait(&d, 30 * CLOCK_SECOND_US);
	check_whole(rule, &p, code, &d, records, r);
	logd_rig_remove(p.base);
}

/* The fault has come and there is something to lose, or the recorder has ended for it. */
static bool fault_has_come(void *ctx)
{
	const struct logd_daemon *d = ctx;
	siginfo_t end = {0};
	(void)waitid(P_PID, (id_t)d->pid, &end, WEXITED | WNOHANG | WNOWAIT);
	return end.si_pid != 0 ||
	       (logd_daemon_status(d, "disk_faults") > 0 && logd_daemon_status(d, "records_waiting") > 0);
}

/* The disk never works again: ends at SIGTERM within a second, says so, and what
 * it claimed to be safe is there. */
static void lasting_fault(unsigned i, struct logd_result *r)
{
	char rule[80];
	struct place p;
	struct logd_daemon d;
	struct logd_account a;
	int64_t took;
	snprintf(rule, sizeof rule, "any:%u:0:%d", i + 4, i % 2 ? EIO : ENOSPC);
	uint32_t records = records_for(i);
	place_make(&p, records);
	start(&d, &p, rule);
	if (!logd_rig_until(fault_has_come, &d, 20 * CLOCK_SECOND_US))
		logd_result_fail(r, "%s: no fault came", rule);
	double claimed = logd_daemon_status(&d, "records_synced");
	int code = logd_daemon_stop(&d, &took);
	logd_account_read(p.into, &a);
	if (a.altered + a.twice + a.missing > 0 || (claimed > 0 && (double)a.records < claimed))
		logd_result_fail(r, "%s: %.0f records were called safe, %llu are there", rule, claimed,
		                 (unsigned long long)a.records);
	if (a.records < records && code != EX_IOERR && code != EX_CANTCREAT)
		logd_result_fail(r, "%s: exit %d though records were lost", rule, code);
	if (took > 2 * CLOCK_SECOND_US)
		logd_result_fail(r, "%s: took %.1f s to end", rule, (double)took / 1e6);
	logd_rig_remove(p.base);
}

int faults_disk(unsigned n)
{
	struct logd_result once = {.goal = "G11", .what = "k-th disk call fails, passing, no record lost"};
	struct logd_result two = {.goal = "G11", .what = "a second fault during the recovery"};
	struct logd_result ever = {.goal = "G11", .what = "k-th disk call fails for ever, no false claim"};
	faults_spread(n, 8, passing_fault, &once);
	faults_spread(n, 8, compound_fault, &two);
	faults_spread((n + 3) / 4, 8, lasting_fault, &ever);
	return logd_result_print(&once) | logd_result_print(&two) | logd_result_print(&ever);
}

static void short_write(unsigned i, struct logd_result *r)
{
	char rule[80];
	struct place p;
	struct logd_daemon d;
	snprintf(rule, sizeof rule, "write:%u:2:%d:%u", i % 7 + 2, ENOSPC, i * 37 % 32768);
	place_make(&p, records_for(0));
	start(&d, &p, rule);
	int code = logd_daemon_wait(&d, 30 * CLOCK_SECOND_US);
	check_whole(rule, &p, code, &d, records_for(0), r);
	logd_rig_remove(p.base);
}

int faults_short(unsigned n)
{
	struct logd_result r = {.goal = "G10", .what = "a write takes only some of its bytes"};
	faults_spread(n, 8, short_write, &r);
	return logd_result_print(&r);
}
