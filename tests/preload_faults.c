/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A disk that fails on demand, put in front of the C library's calls.
 *
 * TRAMMEL_FAULT   list of call:first:count:errno[:short], comma separated.  The
 *                 calls from the `first`-th (counted from 1) fail `count` times (0 = for ever)
 *                 with that errno; `call` is openat, write, fdatasync, fsync, ftruncate,
 *                 unlinkat, close, getdents64, or any (all of them counted together).
 *                 With `short`, the first of those writes takes that many bytes instead.
 * TRAMMEL_FAULT_FLAG  a file; while it exists, openat, write and both syncs
 *                 fail with the errno that it holds.
 * TRAMMEL_FAULT_COUNT a file that gets "call count" lines at the end.
 * TRAMMEL_STALL_FLAG  a file; while it exists, write and fdatasync of segments wait.
 * TRAMMEL_STUCK_FLAG  a file; while it exists, reading the port waits.
 * TRAMMEL_START_FAULT the k-th call for a descriptor, a thread or a large piece of memory fails.
 *
 * Only segments (*.tram) and the directory that holds them are concerned.  As real
 * file systems do, a failed fdatasync loses what was not synced before: it is
 * overwritten with zeros. */
#include <dirent.h>
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <signal.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <sys/mman.h>
#include <sys/signalfd.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/uio.h>
#include <time.h>
#include <unistd.h>

enum call { OPENAT, WRITE, FDATASYNC, FSYNC, FTRUNCATE, UNLINKAT, CLOSE, GETDENTS64, ANY, CALLS };

static const char *const call_names[CALLS] = {"openat",   "write", "fdatasync",  "fsync", "ftruncate",
                                              "unlinkat", "close", "getdents64", "any"};

#define FAULTS_MAX 4
#define FDS_MAX 256

struct fault_rule {
	enum call call;
	unsigned first, count;
	int error;
	long short_bytes; /* -1 = none */
};

static struct fault_rule rules[FAULTS_MAX];
static unsigned rule_count;
static atomic_uint counts[CALLS];
static bool is_segment[FDS_MAX];
static long long synced[FDS_MAX], written[FDS_MAX];

#define REAL(name) ((__typeof__(&name))real(#name))

static void *real(const char *name)
{
	return dlsym(RTLD_NEXT, name);
}

static enum call call_of(const char *name, size_t n)
{
	for (unsigned c = 0; c < CALLS; c++)
		if (strlen(call_names[c]) == n && strncmp(call_names[c], name, n) == 0)
			return (enum call)c;
	fprintf(stderr, "TRAMMEL_FAULT: no such call\n");
	_exit(120);
}

__attribute__((constructor)) static void read_rules(void)
{
	const char *p = getenv("TRAMMEL_FAULT");
	while (p != NULL && *p != '\0' && rule_count < FAULTS_MAX) {
		struct fault_rule *r = &rules[rule_count++];
		size_t name = strcspn(p, ":");
		r->call = call_of(p, name);
		r->short_bytes = -1;
		sscanf(p + name, ":%u:%u:%d:%ld", &r->first, &r->count, &r->error, &r->short_bytes);
		p += strcspn(p, ",");
		p += *p == ',';
	}
}

__attribute__((destructor)) static void write_counts(void)
{
	const char *path = getenv("TRAMMEL_FAULT_COUNT");
	FILE *f = path == NULL ? NULL : fopen(path, "w");
	for (unsigned c = 0; f != NULL && c < CALLS; c++)
		fprintf(f, "%s %u\n", call_names[c], atomic_load(&counts[c]));
	if (f != NULL)
		fclose(f);
}

static bool hits(const struct fault_rule *r, enum call call, unsigned n, unsigned any)
{
	unsigned at = r->call == ANY ? any : n;
	if (r->call != ANY && r->call != call)
		return false;
	return at >= r->first && (r->count == 0 || at < r->first + r->count);
}

static int flag_error(enum call call)
{
	const char *path = getenv("TRAMMEL_FAULT_FLAG");
	char text[16] = "";
	if (path == NULL || (call != OPENAT && call != WRITE && call != FDATASYNC && call != FSYNC))
		return 0;
	int fd = REAL(open)(path, O_RDONLY);
	if (fd < 0)
		return 0;
	(void)!read(fd, text, sizeof text - 1);
	REAL(close)(fd);
	return atoi(text);
}

/* The errno that this call must fail with, or 0.  `short_bytes` as in a rule. */
static int judge(enum call call, long *short_bytes)
{
	unsigned n = atomic_fetch_add(&counts[call], 1) + 1, any = atomic_fetch_add(&counts[ANY], 1) + 1;
	*short_bytes = -1;
	for (unsigned i = 0; i < rule_count; i++) {
		if (!hits(&rules[i], call, n, any))
			continue;
		if (n == rules[i].first || any == rules[i].first)
			*short_bytes = rules[i].short_bytes;
		return rules[i].error;
	}
	return flag_error(call);
}

static bool fails(enum call call)
{
	long unused;
	int error = judge(call, &unused);
	if (error == 0)
		return false;
	errno = error;
	return true;
}

static bool watched(int fd)
{
	return fd >= 0 && fd < FDS_MAX && is_segment[fd];
}

static void stall(const char *variable)
{
	const char *path = getenv(variable);
	while (path != NULL && access(path, F_OK) == 0)
		nanosleep(&(struct timespec){.tv_nsec = 2000000}, NULL);
}

static bool names_segment(const char *name)
{
	size_t n = strlen(name);
	return n > 5 && strcmp(name + n - 5, ".tram") == 0;
}

int openat(int dir, const char *name, int flags, ...)
{
	va_list args;
	va_start(args, flags);
	mode_t mode = (flags & O_CREAT) != 0 ? va_arg(args, mode_t) : 0;
	va_end(args);
	if (!names_segment(name))
		return REAL(openat)(dir, name, flags, mode);
	if (fails(OPENAT))
		return -1;
	int fd = REAL(openat)(dir, name, flags, mode);
	if (fd >= 0 && fd < FDS_MAX) {
		is_segment[fd] = true;
		synced[fd] = written[fd] = 0;
	}
	return fd;
}

ssize_t write(int fd, const void *bytes, size_t n)
{
	long short_bytes;
	if (!watched(fd))
		return REAL(write)(fd, bytes, n);
	stall("TRAMMEL_STALL_FLAG");
	int error = judge(WRITE, &short_bytes);
	if (error != 0 && short_bytes < 0) {
		errno = error;
		return -1;
	}
	if (short_bytes >= 0 && (size_t)short_bytes < n)
		n = (size_t)short_bytes;
	ssize_t done = REAL(write)(fd, bytes, n);
	written[fd] += done > 0 ? done : 0;
	return done;
}

/* What the page cache does after a failed write-back: the pages are clean, the data gone. */
static void lose_unsynced(int fd)
{
	static const char zeros[4096];
	char path[64], name[512];
	snprintf(path, sizeof path, "/proc/self/fd/%d", fd);
	ssize_t len = readlink(path, name, sizeof name - 1);
	if (len <= 0)
		return;
	name[len] = '\0';
	int plain = REAL(open)(name, O_WRONLY); /* the log's own descriptor appends only */
	for (long long at = synced[fd]; plain >= 0 && at < written[fd]; at += (long long)sizeof zeros) {
		long long left = written[fd] - at;
		(void)!pwrite(plain, zeros, left < (long long)sizeof zeros ? (size_t)left : sizeof zeros, at);
	}
	if (plain >= 0)
		REAL(close)(plain);
}

int fdatasync(int fd)
{
	if (!watched(fd))
		return REAL(fdatasync)(fd);
	stall("TRAMMEL_STALL_FLAG");
	if (fails(FDATASYNC)) {
		int error = errno;
		lose_unsynced(fd);
		errno = error;
		return -1;
	}
	synced[fd] = written[fd];
	return REAL(fdatasync)(fd);
}

int fsync(int fd)
{
	return fails(FSYNC) ? -1 : REAL(fsync)(fd);
}

int ftruncate(int fd, off_t length)
{
	if (!watched(fd))
		return REAL(ftruncate)(fd, length);
	if (fails(FTRUNCATE))
		return -1;
	written[fd] = length;
	if (synced[fd] > length)
		synced[fd] = length;
	return REAL(ftruncate)(fd, length);
}

int unlinkat(int dir, const char *name, int flags)
{
	if (!names_segment(name))
		return REAL(unlinkat)(dir, name, flags);
	return fails(UNLINKAT) ? -1 : REAL(unlinkat)(dir, name, flags);
}

int close(int fd)
{
	if (!watched(fd))
		return REAL(close)(fd);
	bool bad = fails(CLOSE);
	int error = errno;
	is_segment[fd] = false;
	int done = REAL(close)(fd);
	if (bad)
		errno = error;
	return bad ? -1 : done;
}

ssize_t getdents64(int fd, void *buffer, size_t n)
{
	return fails(GETDENTS64) ? -1 : REAL(getdents64)(fd, buffer, n);
}

ssize_t readv(int fd, const struct iovec *span, int n)
{
	stall("TRAMMEL_STUCK_FLAG");
	return REAL(readv)(fd, span, n);
}

/* --- what is asked for at the start --- */

#define LARGE ((size_t)256 * 1024)

static bool start_fails(void)
{
	static atomic_uint asked;
	const char *k = getenv("TRAMMEL_START_FAULT");
	if (k == NULL || atomic_fetch_add(&asked, 1) + 1 != (unsigned)atoi(k))
		return false;
	errno = EMFILE;
	return true;
}

int eventfd(unsigned value, int flags)
{
	return start_fails() ? -1 : REAL(eventfd)(value, flags);
}

int signalfd(int fd, const sigset_t *set, int flags)
{
	return start_fails() ? -1 : REAL(signalfd)(fd, set, flags);
}

int pthread_sigmask(int how, const sigset_t *set, sigset_t *old)
{
	return start_fails() ? EINVAL : REAL(pthread_sigmask)(how, set, old);
}

int socket(int domain, int type, int protocol)
{
	return start_fails() ? -1 : REAL(socket)(domain, type, protocol);
}

int pthread_attr_init(pthread_attr_t *attr)
{
	return start_fails() ? ENOMEM : REAL(pthread_attr_init)(attr);
}

int pthread_create(pthread_t *thread, const pthread_attr_t *attr, void *(*body)(void *), void *arg)
{
	return start_fails() ? EAGAIN : REAL(pthread_create)(thread, attr, body, arg);
}

void *mmap(void *at, size_t n, int protection, int flags, int fd, off_t offset)
{
	return fd < 0 && n >= LARGE && start_fails() ? MAP_FAILED
	                                             : REAL(mmap)(at, n, protection, flags, fd, offset);
}
