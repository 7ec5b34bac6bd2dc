/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Faults of the link: unplugging, another device number, noise. */
#include "logd/clock.h"
#include "logd/shelf.h"
#include "tests/faults.h"
#include "tests/format_rig.h"

#include <dirent.h>
#include <fcntl.h>
#include <math.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

static unsigned open_descriptors(pid_t pid)
{
	char path[64];
	unsigned n = 0;
	snprintf(path, sizeof path, "/proc/%d/fd", (int)pid);
	DIR *dir = opendir(path);
	while (dir != NULL && readdir(dir) != NULL)
		n++;
	if (dir != NULL)
		closedir(dir);
	return n;
}

/* Resident memory, KiB. */
static long resident_kib(pid_t pid)
{
	char path[64];
	long pages = 0, all;
	snprintf(path, sizeof path, "/proc/%d/statm", (int)pid);
	FILE *f = fopen(path, "r");
	if (f == NULL || fscanf(f, "%ld %ld", &all, &pages) != 2)
		pages = 0;
	if (f != NULL)
		fclose(f);
	return pages * (sysconf(_SC_PAGESIZE) / 1024);
}

/* Processor time used so far, s. */
static double processor_s(pid_t pid)
{
	clockid_t clock;
	struct timespec t;
	if (clock_getcpuclockid(pid, &clock) != 0 || clock_gettime(clock, &t) != 0)
		return NAN;
	return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static bool link_is_up(void *ctx)
{
	return logd_daemon_status(ctx, "link_up") > 0;
}

static bool link_is_down(void *ctx)
{
	return logd_daemon_status(ctx, "link_up") == 0;
}

/* --- G16 --- */

struct plug {
	char base[LOGD_RIG_PATH], into[LOGD_RIG_PATH + 8], name[LOGD_RIG_PATH + 8];
	struct logd_sender sender;
	struct logd_daemon daemon;
	int other; /* another pty, so that numbers move */
};

static void plug_make(struct plug *p)
{
	memset(p, 0, sizeof *p);
	logd_rig_directory(p->base);
	snprintf(p->into, sizeof p->into, "%s/log", p->base);
	snprintf(p->name, sizeof p->name, "%s/board", p->base);
	logd_sender_open(&p->sender, LINK_FRAMES, p->name);
	p->other = -1;
}

static void plug_end(struct plug *p)
{
	if (p->other >= 0)
		close(p->other);
	logd_sender_close(&p->sender);
	logd_rig_remove(p->base);
}

static bool all_there(void *ctx)
{
	const struct plug *p = ctx;
	return logd_daemon_status(&p->daemon, "bytes_received") >= (double)p->sender.bytes;
}

static void cycle(struct plug *p, unsigned i, struct logd_result *r)
{
	logd_sender_send(&p->sender, 200, CLOCK_SECOND_US);
	logd_sender_flush(&p->sender);
	logd_rig_until(all_there, p, CLOCK_SECOND_US);
	logd_sender_unplug(&p->sender);
	int64_t start = clock_mono_us();
	if (!logd_rig_until(link_is_down, &p->daemon, CLOCK_SECOND_US))
		logd_result_fail(r, "cycle %u: unplugging not noticed", i);
	else if (clock_mono_us() - start > CLOCK_SECOND_US / 10)
		logd_result_fail(r, "cycle %u: noticed after %.0f ms", i,
		                 (double)(clock_mono_us() - start) / 1e3);
	if (p->other >= 0)
		close(p->other);
	p->other = i % 2 == 0 ? posix_openpt(O_RDWR | O_NOCTTY) : -1;
	logd_sender_plug(&p->sender);
	start = clock_mono_us();
	if (!logd_rig_until(link_is_up, &p->daemon, 3 * CLOCK_SECOND_US))
		logd_result_fail(r, "cycle %u: did not come back", i);
	double took = (double)(clock_mono_us() - start) / 1e6;
	logd_result_worst(r, took);
	if (took > 1)
		logd_result_fail(r, "cycle %u: came back after %.2f s", i, took);
	r->trials++;
}

#define IDLE_PART 0.01 /* of a processor */
#ifdef __SANITIZE_ADDRESS__
#define IDLE_FACTOR 5 /* a sanitized recorder works that much longer for the same */
#else
#define IDLE_FACTOR 1
#endif

/* Pulls the plug for some time; the part of a processor that the recorder uses meanwhile. */
static double away(struct plug *p, int64_t us, struct logd_result *r)
{
	logd_sender_unplug(&p->sender);
	double before = processor_s(p->daemon.pid);
	logd_rig_sleep_us(us);
	double used = (processor_s(p->daemon.pid) - before) / (1e-6 * (double)us);
	if (!(used < IDLE_PART * IDLE_FACTOR))
		logd_result_fail(r, "%.1f %% of a processor while the port is away", used * 100);
	logd_sender_plug(&p->sender);
	return used;
}

static void check_absent(struct plug *p, struct logd_result *r)
{
	double used = away(p, 2 * CLOCK_SECOND_US, r);
	logd_rig_until(link_is_up, &p->daemon, 3 * CLOCK_SECOND_US);
	snprintf(r->note, sizeof r->note, "%.2f %% processor while away", used * 100);
}

static void check_gaps(const struct plug *p, unsigned n, struct logd_result *r)
{
	struct logd_account a;
	logd_account_read(p->into, &a);
	if (a.gap_records[GAP_LINK_DOWN] != n || a.gap_records[GAP_LINK_UP] != n)
		logd_result_fail(r, "%llu down and %llu up records for %u cycles",
		                 (unsigned long long)a.gap_records[GAP_LINK_DOWN],
		                 (unsigned long long)a.gap_records[GAP_LINK_UP], n);
	if (a.missing + a.altered + a.twice > 0 || a.last + 1 != p->sender.next)
		logd_result_fail(r, "%llu missing, %llu altered, last %u of %u",
		                 (unsigned long long)a.missing, (unsigned long long)a.altered, a.last,
		                 p->sender.next);
}

static void replug(struct plug *p, unsigned n, struct logd_result *r)
{
	unsigned before = open_descriptors(p->daemon.pid);
	for (unsigned i = 0; i < n; i++)
		cycle(p, i, r);
	for (unsigned i = 0; i < 50 && open_descriptors(p->daemon.pid) != before; i++)
		logd_rig_sleep_us(CLOCK_SECOND_US / 50); /* an answer to us may still be on its way */
	if (open_descriptors(p->daemon.pid) != before)
		logd_result_fail(r, "%u descriptors open, %u before", open_descriptors(p->daemon.pid),
		                 before);
	check_absent(p, r);
	if (logd_daemon_stop(&p->daemon, NULL) != 0)
		logd_result_fail(r, "did not end well");
	check_gaps(p, n + 1, r);
}

int faults_replug(unsigned n)
{
	struct plug p;
	struct logd_result r = {
	    .goal = "G16", .what = "unplug and replug, numbers moving", .unit = "s to come back"};
	plug_make(&p);
	const char *arguments[] = {"--port", p.name, NULL};
	logd_daemon_up(&p.daemon, p.into, NULL, arguments);
	replug(&p, n, &r);
	plug_end(&p);
	return logd_result_print(&r);
}

/* A second of the ride goes by with the plug out: one gap, as long as that, and the ride goes on. */
static void unplug_in_ride(unsigned i, struct logd_result *r)
{
	struct plug p;
	struct logd_account a;
	const uint32_t second = (uint32_t)(CLOCK_SECOND_US / LOGD_RIG_STEP_US);
	plug_make(&p);
	const char *arguments[] = {"--port", p.name, NULL};
	logd_daemon_up(&p.daemon, p.into, NULL, arguments);
	logd_sender_run(&p.sender, second, 2 * CLOCK_SECOND_US);
	logd_sender_flush(&p.sender);
	logd_rig_until(all_there, &p, CLOCK_SECOND_US);
	double used = away(&p, CLOCK_SECOND_US, r);
	p.sender.next += second; /* what the sender sent to nobody */
	if (!logd_rig_until(link_is_up, &p.daemon, 3 * CLOCK_SECOND_US))
		logd_result_fail(r, "ride %u: did not come back", i);
	logd_sender_run(&p.sender, second, 2 * CLOCK_SECOND_US);
	logd_sender_flush(&p.sender);
	logd_rig_until(all_there, &p, CLOCK_SECOND_US);
	if (logd_daemon_stop(&p.daemon, NULL) != 0)
		logd_result_fail(r, "ride %u: did not end well", i);
	logd_account_read(p.into, &a);
	if (a.gap_records[GAP_LINK_DOWN] != 1 || a.gap_records[GAP_LINK_UP] != 1 || a.missing != second ||
	    a.altered + a.twice > 0 || a.first != 0 || a.last + 1 != p.sender.next || a.session != 1)
		logd_result_fail(r,
		                 "ride %u: %llu gaps, %llu records missing where %u went by, last %u of %u",
		                 i, (unsigned long long)a.gap_records[GAP_LINK_DOWN],
		                 (unsigned long long)a.missing, second, a.last, p.sender.next);
	logd_result_worst(r, used * 100);
	r->trials++;
	plug_end(&p);
}

int faults_unplug(unsigned n)
{
	struct logd_result r = {
	    .goal = "G16", .what = "unplugged for 1 s in a ride, one gap", .unit = "% processor while away"};
	for (unsigned i = 0; i < n; i++)
		unplug_in_ride(i, &r);
	return logd_result_print(&r);
}

static void check_settings(const struct plug *p, struct logd_result *r)
{
	struct termios t;
	if (tcgetattr(p->sender.fd, &t) != 0 || (t.c_cflag & HUPCL) != 0)
		logd_result_fail(r, "HUPCL is set: closing the port would restart the board");
	if (t.c_cc[VMIN] != 1 || (t.c_lflag & (ICANON | ECHO)) != 0 || (t.c_iflag & (IXON | ICRNL)) != 0)
		logd_result_fail(r, "the port is not raw");
}

/* Whether the first segment that has records of the sender says "pty". */
static bool called_a_pty(const char *into)
{
	char path[LOGD_RIG_PATH * 2], name[SHELF_NAME_MAX];
	shelf_name(1, 2, name);
	snprintf(path, sizeof path, "%s/%s", into, name);
	struct segment_reader *s = segment_reader_open(path, NULL);
	bool named = s != NULL && strncmp(segment_reader_facts(s)->source, "pty, ", 5) == 0;
	segment_reader_free(s);
	return named;
}

static void wait_for_it(unsigned i, struct logd_result *r)
{
	struct plug p;
	plug_make(&p);
	logd_sender_unplug(&p.sender);
	const char *arguments[] = {"--wait", "--port", p.name, NULL};
	if (!logd_daemon_up(&p.daemon, p.into, NULL, arguments))
		logd_result_fail(r, "start %u without the port did not work", i);
	logd_sender_plug(&p.sender);
	int64_t start = clock_mono_us();
	if (!logd_rig_until(link_is_up, &p.daemon, 3 * CLOCK_SECOND_US))
		logd_result_fail(r, "the port was not taken");
	logd_result_worst(r, (double)(clock_mono_us() - start) / 1e6);
	logd_sender_send(&p.sender, 200, CLOCK_SECOND_US);
	logd_sender_flush(&p.sender);
	logd_rig_until(all_there, &p, CLOCK_SECOND_US);
	if (logd_daemon_stop(&p.daemon, NULL) != 0)
		logd_result_fail(r, "did not end well");
	struct logd_account a;
	logd_account_read(p.into, &a);
	if (a.records != 200 || !called_a_pty(p.into))
		logd_result_fail(r, "%llu of 200 records, called a pty: %d", (unsigned long long)a.records,
		                 called_a_pty(p.into));
	plug_end(&p);
}

int faults_wait(unsigned n)
{
	struct logd_result r = {
	    .goal = "G16", .what = "started before the port is there", .unit = "s to take it"};
	faults_spread(n, 4, wait_for_it, &r);
	if (r.worst > 1)
		logd_result_fail(&r, "took the port after %.2f s", r.worst);
	return logd_result_print(&r);
}

/* Starts the recorder so that the real libserialport opens the pty; calls that let DTR go are
 * counted in the file `dtr` by its size. */
static bool up_through_library(struct plug *p, const char *dtr)
{
	char so[LOGD_RIG_PATH * 2], preload[LOGD_RIG_PATH * 3], setting[LOGD_RIG_PATH * 2],
	    lines[LOGD_RIG_PATH * 2];
	logd_rig_preload("serial", so);
	snprintf(preload, sizeof preload, "LD_PRELOAD=%s", so);
	snprintf(setting, sizeof setting, "TRAMMEL_SERIAL=%s", p->name);
	snprintf(lines, sizeof lines, "TRAMMEL_SERIAL_DTR=%s", dtr);
	const char *environment[] = {preload, setting, lines, "ASAN_OPTIONS=verify_asan_link_order=0", NULL};
	const char *arguments[] = {"--port", p->name, NULL};
	return logd_daemon_up(&p->daemon, p->into, environment, arguments);
}

int faults_library(unsigned n)
{
	struct plug p;
	struct logd_result r = {
	    .goal = "G16", .what = "the same through libserialport itself", .unit = "s to come back"};
	plug_make(&p);
	if (!up_through_library(&p, "/dev/null"))
		logd_result_fail(&r, "did not start");
	if (logd_daemon_said(&p.daemon, "(port, frames, 500000 baud)") != 1)
		logd_result_fail(&r, "libserialport did not take the port");
	check_settings(&p, &r);
	replug(&p, n, &r);
	plug_end(&p);
	return logd_result_print(&r);
}

/* --- G29, as far as settings and calls tell: the library sets HUPCL, which would restart the board
 * with every end of the recorder, in order or by force --- */

int faults_restart(unsigned n)
{
	struct plug p;
	char dtr[LOGD_RIG_PATH + 8];
	struct stat st;
	struct logd_result r = {.goal = "G29",
	                        .what = "restarts, half by force: HUPCL clear, DTR left alone"};
	plug_make(&p);
	snprintf(dtr, sizeof dtr, "%s/dtr", p.base);
	for (unsigned i = 0; i < n; i++) {
		r.trials++;
		if (!up_through_library(&p, dtr))
			logd_result_fail(&r, "start %u did not work", i);
		check_settings(&p, &r);
		if (i % 2 == 0 && logd_daemon_stop(&p.daemon, NULL) != 0)
			logd_result_fail(&r, "start %u did not end well", i);
		if (i % 2 == 1) {
			logd_daemon_signal(&p.daemon, 9);
			logd_daemon_wait(&p.daemon, CLOCK_SECOND_US);
		}
		check_settings(&p, &r);
		logd_sender_unclaim(&p.sender);
	}
	if (stat(dtr, &st) == 0)
		logd_result_fail(&r, "DTR was let go %lld times", (long long)st.st_size);
	plug_end(&p);
	return logd_result_print(&r);
}

/* --- G17 --- */

/* Random bytes, sync bytes, longest runs, and good frames with one bit wrong. */
static size_t garbage(uint64_t *seed, uint8_t *out, size_t size)
{
	static struct link_encoder *encoder;
	uint8_t frame[LINK_ENCODE_MAX];
	struct record r = logd_rig_record(7);
	uint64_t how = rig_below(seed, 4);
	if (encoder == NULL)
		encoder = link_encoder_new(LINK_FRAMES);
	if (how == 3) {
		link_encode(encoder, &r, frame);
		size_t n = link_encode_end(encoder, frame);
		memcpy(out, frame, n);
		out[rig_below(seed, n - 1)] ^= (uint8_t)(1u << rig_below(seed, 8));
		return n;
	}
	for (size_t i = 0; i < size; i++)
		out[i] = how == 0   ? (uint8_t)rig_random(seed)
		         : how == 1 ? (uint8_t)(rig_below(seed, 8) == 0 ? 0 : 0xff)
		                    : (uint8_t)(1 + rig_below(seed, 255));
	return size;
}

static uint64_t flood(struct logd_sender *s, double bytes_s, int64_t us)
{
	uint64_t seed = 11, sent = 0;
	uint8_t piece[1024];
	int64_t start = clock_mono_us();
	while (clock_mono_us() - start < us) {
		double due = (double)(clock_mono_us() - start) * bytes_s / 1e6;
		while ((double)sent < due) {
			size_t n = garbage(&seed, piece, 64 + (size_t)rig_below(&seed, 900));
			struct pollfd p = {.fd = s->fd, .events = POLLOUT};
			poll(&p, 1, 100);
			ssize_t put = write(s->fd, piece, n);
			sent += put > 0 ? (uint64_t)put : 0;
		}
		logd_rig_sleep_us(2000);
	}
	return sent;
}

static void check_noise(struct plug *p, uint64_t sent, unsigned n, struct logd_result *r)
{
	double records = logd_daemon_status(&p->daemon, "records");
	/* CRC-16: one in 65,536 of the frames that are not right by chance; a frame is at least 5 bytes. */
	double by_chance = (double)sent / 40 / 65536;
	double growth = logd_daemon_status(&p->daemon, "bytes_written") / n;
	long before = resident_kib(p->daemon.pid);
	if (records > 10 + by_chance * 20)
		logd_result_fail(r, "%.0f records out of noise", records);
	if (growth > 4096)
		logd_result_fail(r, "the log grows by %.0f bytes/s", growth);
	logd_sender_run(&p->sender, 2000, CLOCK_SECOND_US / 2);
	logd_sender_flush(&p->sender);
	logd_rig_sleep_us(CLOCK_SECOND_US / 5);
	if (resident_kib(p->daemon.pid) > before + 1024)
		logd_result_fail(r, "memory grew");
	snprintf(r->note, sizeof r->note, "%llu kB, %.0f false records, log %.0f bytes/s, %ld KiB resident",
	         (unsigned long long)(sent / 1000), records, growth, before);
}

int faults_noise(unsigned n)
{
	struct plug p;
	struct logd_account a;
	struct logd_result r = {
	    .goal = "G17", .what = "noise at 2 Mbaud", .trials = 1, .unit = "records lost after it"};
	plug_make(&p);
	const char *arguments[] = {"--port", p.name, "--baud", "2000000", NULL};
	logd_daemon_up(&p.daemon, p.into, NULL, arguments);
	uint64_t sent = flood(&p.sender, 200000, n * (int64_t)CLOCK_SECOND_US);
	logd_rig_sleep_us(CLOCK_SECOND_US / 5);
	check_noise(&p, sent, n, &r);
	if (logd_daemon_stop(&p.daemon, NULL) != 0)
		logd_result_fail(&r, "did not end well");
	logd_account_read(p.into, &a);
	/* Two frames of about 70 records may go until the decoder has its feet again. */
	logd_result_worst(&r, a.first);
	if (a.first > 140 || a.last + 1 != p.sender.next || a.missing > 0)
		logd_result_fail(&r, "after the noise: first %u, last %u of %u, %llu missing", a.first,
		                 a.last, p.sender.next, (unsigned long long)a.missing);
	plug_end(&p);
	return logd_result_print(&r);
}

/* --- G20 --- */

int faults_soak(unsigned n)
{
	struct plug p;
	struct logd_account a;
	struct logd_result r = {.goal = "G20", .what = "soak at 7,000 records/s with rotation", .trials = 1};
	plug_make(&p);
	const char *arguments[] = {"--port", p.name, "--segment-size", "32k", NULL};
	logd_daemon_up(&p.daemon, p.into, NULL, arguments);
	logd_sender_run(&p.sender, 7000, CLOCK_SECOND_US);
	unsigned descriptors = open_descriptors(p.daemon.pid);
	long memory = resident_kib(p.daemon.pid);
	double before = processor_s(p.daemon.pid);
	int64_t start = clock_mono_us();
	logd_sender_run(&p.sender, 7000, n * (int64_t)CLOCK_SECOND_US);
	double share = (processor_s(p.daemon.pid) - before) * 1e6 / (double)(clock_mono_us() - start);
	long grew = resident_kib(p.daemon.pid) - memory;
	if (open_descriptors(p.daemon.pid) != descriptors || grew > 6 * 1024)
		logd_result_fail(&r, "descriptors %u -> %u, memory +%ld KiB", descriptors,
		                 open_descriptors(p.daemon.pid), grew);
	logd_sender_flush(&p.sender);
	logd_rig_sleep_us(CLOCK_SECOND_US / 5);
	double made = logd_daemon_status(&p.daemon, "segments_made");
	logd_daemon_stop(&p.daemon, NULL);
	logd_account_read(p.into, &a);
	if (a.missing + a.altered + a.twice > 0 || a.last + 1 != p.sender.next)
		logd_result_fail(&r, "%llu missing, last %u of %u", (unsigned long long)a.missing, a.last,
		                 p.sender.next);
	snprintf(r.note, sizeof r.note,
	         "%u s, %llu records, %.0f segments, %.1f %% of a processor, memory +%ld KiB", n,
	         (unsigned long long)a.records, made, share * 100, grew);
	plug_end(&p);
	return logd_result_print(&r);
}
