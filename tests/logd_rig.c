/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/logd_rig.h"

#include "logd/clock.h"
#include "logd/socket.h"
#include "logd/status.h"

#include <errno.h>
#include <fcntl.h>
#include <ftw.h>
#include <math.h>
#include <poll.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/prctl.h>
#include <sys/wait.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#define FAILURES_SHOWN 5

static void die(const char *what)
{
	fprintf(stderr, "rig: %s: %s\n", what, strerror(errno));
	abort();
}

/* --- places and times --- */

void logd_rig_directory(char path[LOGD_RIG_PATH])
{
	const char *base = getenv("TMPDIR");
	if (base == NULL) /* memory, where there is such a place: thousands of syncs wear a disk out */
		base = access("/dev/shm", W_OK) == 0 ? "/dev/shm" : "/tmp";
	snprintf(path, LOGD_RIG_PATH, "%s/trammel-test-XXXXXX", base);
	if (mkdtemp(path) == NULL)
		die(path);
}

static int remove_one(const char *path, const struct stat *st, int type, struct FTW *ftw)
{
	(void)st;
	(void)type;
	(void)ftw;
	return remove(path);
}

void logd_rig_remove(const char *path)
{
	nftw(path, remove_one, 16, FTW_DEPTH | FTW_PHYS);
}

void logd_rig_sleep_us(int64_t us)
{
	if (us > 0)
		nanosleep(&(struct timespec){.tv_sec = us / 1000000, .tv_nsec = us % 1000000 * 1000}, NULL);
}

bool logd_rig_until(bool (*done)(void *ctx), void *ctx, int64_t limit_us)
{
	int64_t end = clock_mono_us() + limit_us;
	while (!done(ctx)) {
		if (clock_mono_us() > end)
			return false;
		logd_rig_sleep_us(2000);
	}
	return true;
}

static const char rig_engine[] = "[engine]\n"
                                 "name = rig\n"
                                 "mechanism = oscillating cylinder\n"
                                 "pivot distance = 420 mm\n"
                                 "crank radius = 62.5 mm\n"
                                 "bore = 63 mm\n"
                                 "rod = 20 mm\n"
                                 "clearance cap = 18 ml\n"
                                 "clearance rod = 21 ml\n"
                                 "ambient = 1.013 bar\n"
                                 "air temperature = 18 degC\n"
                                 "[teeth]\n"
                                 "count = 36\n"
                                 "edges = both\n"
                                 "index angle = 14.5 deg\n"
                                 "[sensor 9]\n"
                                 "role = supply\n"
                                 "low = 102 counts, 0 bar gauge\n"
                                 "high = 921 counts, 10 bar gauge\n"
                                 "[limits]\n"
                                 "supply = 6 bar gauge\n"
                                 "speed = 2000 rpm\n";

void logd_rig_engine(const char *path)
{
	FILE *f = fopen(path, "w");
	if (f == NULL || fputs(rig_engine, f) < 0 || fclose(f) != 0)
		die(path);
}

/* --- the sender --- */

struct record logd_rig_record(uint32_t serial)
{
	uint32_t t_us = serial * LOGD_RIG_STEP_US;
	if (serial % 16 == 5)
		return record_make(RECORD_TOOTH, t_us, 0, serial / 16 % 2);
	return record_make(RECORD_SAMPLE, t_us, serial & 3, (int32_t)(serial & 1023));
}

size_t logd_rig_line_bytes(uint32_t serial)
{
	uint8_t out[LINK_ENCODE_MAX];
	static struct link_encoder *encoder;
	if (encoder == NULL)
		encoder = link_encoder_new(LINK_LINES);
	struct record r = logd_rig_record(serial);
	return link_encode(encoder, &r, out);
}

static void set_name(struct logd_sender *s)
{
	char temporary[LOGD_RIG_PATH + 8];
	if (s->name[0] == '\0')
		return;
	snprintf(temporary, sizeof temporary, "%s.new", s->name);
	unlink(temporary);
	if (symlink(s->slave, temporary) != 0 || rename(temporary, s->name) != 0)
		die(s->name);
}

void logd_sender_plug(struct logd_sender *s)
{
	s->fd = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
	if (s->fd < 0 || grantpt(s->fd) != 0 || unlockpt(s->fd) != 0 ||
	    ptsname_r(s->fd, s->slave, sizeof s->slave) != 0)
		die("pty");
	s->keep_open = open(s->slave, O_RDWR | O_NOCTTY | O_CLOEXEC);
	struct termios t;
	if (s->keep_open < 0 || tcgetattr(s->keep_open, &t) != 0)
		die(s->slave);
	cfmakeraw(&t);
	tcsetattr(s->keep_open, TCSANOW, &t);
	set_name(s);
}

void logd_sender_open(struct logd_sender *s, enum link_kind kind, const char *name)
{
	memset(s, 0, sizeof *s);
	s->encoder = link_encoder_new(kind);
	snprintf(s->name, sizeof s->name, "%s", name == NULL ? "" : name);
	logd_sender_plug(s);
}

void logd_sender_unplug(struct logd_sender *s)
{
	if (s->name[0] != '\0')
		unlink(s->name);
	if (s->keep_open >= 0)
		close(s->keep_open);
	if (s->fd >= 0)
		close(s->fd);
	s->fd = s->keep_open = -1;
}

void logd_sender_unclaim(const struct logd_sender *s)
{
	if (ioctl(s->keep_open, TIOCNXCL) != 0)
		die(s->slave);
}

void logd_sender_close(struct logd_sender *s)
{
	logd_sender_unplug(s);
	link_encoder_free(s->encoder);
	s->encoder = NULL;
}

static bool put_all(int fd, const uint8_t *bytes, size_t n, int64_t end_us)
{
	while (n > 0) {
		ssize_t done = write(fd, bytes, n);
		if (done > 0) {
			bytes += done;
			n -= (size_t)done;
			continue;
		}
		if (done < 0 && errno != EAGAIN && errno != EINTR)
			return false;
		/* The time alone does not tell: this whole machine may have stood still. */
		struct pollfd p = {.fd = fd, .events = POLLOUT};
		if (poll(&p, 1, 10) == 0 && clock_mono_us() > end_us)
			return false;
	}
	return true;
}

bool logd_sender_bytes(struct logd_sender *s, const uint8_t *bytes, size_t n, int64_t limit_us)
{
	s->bytes += n;
	return put_all(s->fd, bytes, n, clock_mono_us() + limit_us);
}

bool logd_sender_send(struct logd_sender *s, uint32_t n, int64_t limit_us)
{
	uint8_t piece[32768];
	int64_t end = clock_mono_us() + limit_us;
	while (n > 0) {
		size_t used = 0;
		while (n > 0 && used + LINK_ENCODE_MAX <= sizeof piece) {
			struct record r = logd_rig_record(s->next++);
			used += link_encode(s->encoder, &r, piece + used);
			n--;
		}
		s->bytes += used;
		if (!put_all(s->fd, piece, used, end)) {
			s->refused++;
			return false;
		}
	}
	return true;
}

void logd_sender_flush(struct logd_sender *s)
{
	uint8_t out[LINK_ENCODE_MAX];
	size_t n = link_encode_end(s->encoder, out);
	s->bytes += n;
	put_all(s->fd, out, n, clock_mono_us() + CLOCK_SECOND_US);
}

void logd_sender_run(struct logd_sender *s, double records_s, int64_t us)
{
	int64_t start = clock_mono_us(), now = start;
	uint32_t sent = 0, piece_most = (uint32_t)(records_s / 50) + 1;
	while (now - start < us) {
		uint32_t due = (uint32_t)((double)(now - start) * records_s / 1e6);
		/* Each piece has its second: after a standstill of this process there is much to catch up
		 * with, which no port would have sent at once. */
		for (uint32_t piece; sent < due; sent += piece) {
			piece = due - sent < piece_most ? due - sent : piece_most;
			logd_sender_send(s, piece, CLOCK_SECOND_US);
		}
		logd_rig_sleep_us(5000);
		now = clock_mono_us();
	}
}

/* --- the recorder --- */

static void beside_self(const char *up, char path[LOGD_RIG_PATH * 2])
{
	char self[LOGD_RIG_PATH];
	ssize_t n = readlink("/proc/self/exe", self, sizeof self - 1);
	if (n < 0)
		die("/proc/self/exe");
	self[n] = '\0';
	*strrchr(self, '/') = '\0';
	snprintf(path, LOGD_RIG_PATH * 2, "%s/%s", self, up);
}

const char *logd_rig_program(void)
{
	static char path[LOGD_RIG_PATH * 2];
	const char *given = getenv("TRAMMELD");
	if (given != NULL)
		return given;
	if (path[0] == '\0')
		beside_self("../trammeld", path);
	return path;
}

bool logd_rig_sanitized(void)
{
	char command[LOGD_RIG_PATH * 3];
	snprintf(command, sizeof command, "ldd '%s' 2>/dev/null | grep -q libasan", logd_rig_program());
	return system(command) == 0;
}

void logd_rig_preload(const char *name, char path[LOGD_RIG_PATH * 2])
{
	char file[64];
	snprintf(file, sizeof file, "preload_%s.so", name);
	beside_self(file, path);
}

static void become_daemon(const struct logd_daemon *d, const char *const *environment, char **argv)
{
	/* One left over by a driver that broke would take the ptys of those that follow. */
	prctl(PR_SET_PDEATHSIG, SIGKILL);
	int err = open(d->messages, O_WRONLY | O_CREAT | O_APPEND, 0666), null = open("/dev/null", O_RDWR);
	dup2(null, 0);
	dup2(null, 1);
	dup2(err, 2);
	for (; environment != NULL && *environment != NULL; environment++)
		putenv((char *)(uintptr_t)*environment);
	execv(argv[0], argv);
	_exit(126);
}

void logd_daemon_start(struct logd_daemon *d, const char *into, const char *const *environment,
                       const char *const *arguments)
{
	char engine[LOGD_RIG_PATH + 16];
	char *argv[32] = {(char *)(uintptr_t)logd_rig_program(), "--into", d->into, "--engine", engine};
	int n = 5;
	snprintf(d->into, sizeof d->into, "%s", into);
	snprintf(d->messages, sizeof d->messages, "%.240s.messages", into);
	snprintf(engine, sizeof engine, "%.240s.engine", into);
	if (access(engine, F_OK) != 0)
		logd_rig_engine(engine);
	for (; *arguments != NULL && n < 31; arguments++)
		argv[n++] = (char *)(uintptr_t)*arguments;
	argv[n] = NULL;
	d->pid = fork();
	if (d->pid < 0)
		die("fork");
	if (d->pid == 0)
		become_daemon(d, environment, argv);
}

static bool answers(void *ctx)
{
	const struct logd_daemon *d = ctx;
	siginfo_t end = {0};
	(void)waitid(P_PID, (id_t)d->pid, &end, WEXITED | WNOHANG | WNOWAIT);
	return end.si_pid != 0 || logd_daemon_status(d, "session") > 0;
}

bool logd_daemon_up(struct logd_daemon *d, const char *into, const char *const *environment,
                    const char *const *arguments)
{
	logd_daemon_start(d, into, environment, arguments);
	return logd_rig_until(answers, d, 10 * CLOCK_SECOND_US) && logd_daemon_status(d, "session") > 0;
}

void logd_daemon_traced(struct logd_daemon *d, const char *into, const char *trace,
                        const char *const *arguments)
{
	char preload[LOGD_RIG_PATH * 3], library[LOGD_RIG_PATH * 2], variable[LOGD_RIG_PATH * 2];
	logd_rig_preload("trace", library);
	snprintf(preload, sizeof preload, "LD_PRELOAD=%s", library);
	snprintf(variable, sizeof variable, "TRAMMEL_TRACE=%s", trace);
	const char *environment[] = {preload, variable, "ASAN_OPTIONS=verify_asan_link_order=0", NULL};
	logd_daemon_up(d, into, environment, arguments);
}

int logd_daemon_wait(struct logd_daemon *d, int64_t limit_us)
{
	int64_t end = clock_mono_us() + limit_us;
	int status, code = -1;
	while (waitpid(d->pid, &status, WNOHANG) == 0) {
		if (clock_mono_us() > end) {
			kill(d->pid, SIGKILL);
			waitpid(d->pid, &status, 0);
			d->pid = 0;
			return -1;
		}
		logd_rig_sleep_us(1000);
	}
	code = WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status);
	d->pid = 0;
	return code;
}

int logd_daemon_ended(struct logd_daemon *d)
{
	int status;
	if (waitpid(d->pid, &status, WNOHANG) != d->pid)
		return 0;
	d->pid = 0;
	if (WIFSIGNALED(status))
		return 128 + WTERMSIG(status);
	return WEXITSTATUS(status) == 0 ? -2 : WEXITSTATUS(status);
}

void logd_daemon_signal(const struct logd_daemon *d, int sig)
{
	kill(d->pid, sig);
}

int logd_daemon_stop(struct logd_daemon *d, int64_t *took_us)
{
	int64_t start = clock_mono_us();
	logd_daemon_signal(d, SIGTERM);
	int code = logd_daemon_wait(d, 20 * CLOCK_SECOND_US);
	if (took_us != NULL)
		*took_us = clock_mono_us() - start;
	return code;
}

double logd_daemon_status(const struct logd_daemon *d, const char *key)
{
	char path[LOGD_RIG_PATH + 16], line[STATUS_JSON_MAX], pattern[64];
	snprintf(path, sizeof path, "%s/status.sock", d->into);
	if (socket_ask(path, line, sizeof line, NULL) != 0)
		return NAN;
	snprintf(pattern, sizeof pattern, "\"%s\":", key);
	const char *p = strstr(line, pattern);
	if (p == NULL)
		return NAN;
	p += strlen(pattern);
	return strncmp(p, "true", 4) == 0 ? 1 : strtod(p, NULL);
}

size_t logd_daemon_said(const struct logd_daemon *d, const char *text)
{
	char line[2048];
	size_t n = 0;
	FILE *f = fopen(d->messages, "r");
	if (f == NULL)
		return 0;
	while (fgets(line, sizeof line, f) != NULL)
		n += strstr(line, text) != NULL;
	fclose(f);
	return n;
}

/* --- results --- */

void logd_result_fail(struct logd_result *r, const char *format, ...)
{
	va_list args;
	if (r->failures++ >= FAILURES_SHOWN)
		return;
	fprintf(stderr, "%s: ", r->goal);
	va_start(args, format);
	vfprintf(stderr, format, args);
	va_end(args);
	fputc('\n', stderr);
}

void logd_result_worst(struct logd_result *r, double value)
{
	if (value > r->worst)
		r->worst = value;
}

int logd_result_print(const struct logd_result *r)
{
	printf("%-4s %-46s trials %llu, failures %llu", r->goal, r->what, (unsigned long long)r->trials,
	       (unsigned long long)r->failures);
	if (r->unit != NULL)
		printf(", worst %.3g %s", r->worst, r->unit);
	printf("%s%s\n", r->note[0] != '\0' ? "; " : "", r->note);
	fflush(stdout);
	return r->failures > 0 || r->trials == 0;
}
