/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Writes down what the recorder does to its segments, for tests/faults_cut.c to
 * replay with a power cut after every call.
 * TRAMMEL_TRACE names the file; its entries are in tests/trace.h. */
#include "tests/trace.h"

#include <dlfcn.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#define FDS_MAX 256

#define REAL(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))

static int trace_fd = -1;
static uint32_t file_of[FDS_MAX]; /* 0 = not a segment */
static uint32_t files;

__attribute__((constructor)) static void open_trace(void)
{
	const char *path = getenv("TRAMMEL_TRACE");
	if (path != NULL)
		trace_fd = REAL(open)(path, O_WRONLY | O_CREAT | O_TRUNC | O_APPEND | O_CLOEXEC, 0666);
}

static void note(enum trace_op op, uint32_t file, int64_t amount, const void *bytes, size_t n)
{
	struct timespec t;
	clock_gettime(CLOCK_MONOTONIC, &t);
	struct trace_entry e = {op, file, (int64_t)t.tv_sec * 1000000 + t.tv_nsec / 1000, amount, n};
	if (trace_fd < 0)
		return;
	(void)!REAL(write)(trace_fd, &e, sizeof e);
	if (n > 0)
		(void)!REAL(write)(trace_fd, bytes, n);
}

static bool names_segment(const char *name)
{
	size_t n = strlen(name);
	return n > 5 && strcmp(name + n - 5, ".tram") == 0;
}

static uint32_t segment(int fd)
{
	return fd >= 0 && fd < FDS_MAX ? file_of[fd] : 0;
}

int openat(int dir, const char *name, int flags, ...)
{
	va_list args;
	va_start(args, flags);
	mode_t mode = (flags & O_CREAT) != 0 ? va_arg(args, mode_t) : 0;
	va_end(args);
	int fd = REAL(openat)(dir, name, flags, mode);
	if (fd >= 0 && fd < FDS_MAX && names_segment(name)) {
		file_of[fd] = ++files;
		note(TRACE_CREATE, files, 0, name, strlen(name));
	}
	return fd;
}

ssize_t write(int fd, const void *bytes, size_t n)
{
	ssize_t done = REAL(write)(fd, bytes, n);
	if (segment(fd) != 0 && done > 0)
		note(TRACE_WRITE, segment(fd), done, bytes, (size_t)done);
	return done;
}

int fdatasync(int fd)
{
	int bad = REAL(fdatasync)(fd);
	if (segment(fd) != 0 && bad == 0)
		note(TRACE_SYNC, segment(fd), 0, NULL, 0);
	return bad;
}

int fsync(int fd)
{
	struct stat st;
	int bad = REAL(fsync)(fd);
	if (bad == 0 && fstat(fd, &st) == 0 && S_ISDIR(st.st_mode))
		note(TRACE_SYNC_NAMES, 0, 0, NULL, 0);
	return bad;
}

int ftruncate(int fd, off_t length)
{
	int bad = REAL(ftruncate)(fd, length);
	if (segment(fd) != 0 && bad == 0)
		note(TRACE_TRUNCATE, segment(fd), length, NULL, 0);
	return bad;
}

int unlinkat(int dir, const char *name, int flags)
{
	int bad = REAL(unlinkat)(dir, name, flags);
	if (bad == 0 && names_segment(name))
		note(TRACE_UNLINK, 0, 0, name, strlen(name));
	return bad;
}

int close(int fd)
{
	if (fd >= 0 && fd < FDS_MAX)
		file_of[fd] = 0;
	return REAL(close)(fd);
}
