/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logd/owner.h"

#include "logd/dirlist.h"

#include <fcntl.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

/* Reads a small /proc file whole; its length, 0 on failure. */
static size_t slurp(const char *path, char *buffer, size_t size)
{
	int fd = open(path, O_RDONLY | O_CLOEXEC);
	if (fd < 0)
		return 0;
	size_t n = 0;
	ssize_t got;
	while (n < size - 1 && (got = read(fd, buffer + n, size - 1 - n)) > 0)
		n += (size_t)got;
	close(fd);
	buffer[n] = '\0';
	return n;
}

/* A line of /proc/locks: "1: FLOCK  ADVISORY  WRITE 123 fd:01:456 0 EOF".
 * Matched by inode number: the device that stat reports differs on layered
 * file systems. */
static int lock_line_owner(const char *line, unsigned long inode)
{
	int pid = 0;
	unsigned major, minor;
	unsigned long found;
	if (sscanf(line, "%*u: FLOCK ADVISORY WRITE %d %x:%x:%lu", &pid, &major, &minor, &found) != 4)
		return 0;
	return found == inode ? pid : 0;
}

int owner_of_lock(int fd)
{
	struct stat st;
	char locks[16384];
	if (fstat(fd, &st) != 0 || slurp("/proc/locks", locks, sizeof locks) == 0)
		return 0;
	int pid = 0;
	char *rest = locks;
	for (char *line; pid <= 0 && (line = strsep(&rest, "\n")) != NULL;)
		pid = lock_line_owner(line, (unsigned long)st.st_ino);
	return pid > 0 ? pid : 0;
}

struct seek_open {
	dev_t dev;
	ino_t inode;
	dev_t rdev;
	int pid; /* whose descriptors are being looked through */
	int fds; /* /proc/<pid>/fd */
	int found;
};

static bool same_file(const struct seek_open *s, const struct stat *st)
{
	bool same_device = S_ISCHR(st->st_mode) && s->rdev != 0 && st->st_rdev == s->rdev;
	return same_device || (st->st_dev == s->dev && st->st_ino == s->inode);
}

static void look_at_descriptor(void *ctx, const char *name)
{
	struct seek_open *s = ctx;
	struct stat st;
	if (fstatat(s->fds, name, &st, 0) == 0 && same_file(s, &st))
		s->found = s->pid;
}

static void look_at_process(void *ctx, const char *name)
{
	struct seek_open *s = ctx;
	s->pid = atoi(name);
	if (s->pid <= 0 || s->pid == getpid() || s->found != 0)
		return;
	char path[64];
	snprintf(path, sizeof path, "/proc/%d/fd", s->pid);
	s->fds = open(path, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
	if (s->fds < 0)
		return;
	dirlist_each(s->fds, look_at_descriptor, s);
	close(s->fds);
}

int owner_of_open(const char *path)
{
	struct stat st;
	if (stat(path, &st) != 0)
		return 0;
	struct seek_open s = {
	    .dev = st.st_dev, .inode = st.st_ino, .rdev = S_ISCHR(st.st_mode) ? st.st_rdev : 0};
	int proc = open("/proc", O_RDONLY | O_DIRECTORY | O_CLOEXEC);
	if (proc < 0)
		return 0;
	dirlist_each(proc, look_at_process, &s);
	close(proc);
	return s.found;
}

void owner_describe(int pid, char text[OWNER_TEXT])
{
	char path[64], name[32];
	snprintf(path, sizeof path, "/proc/%d/comm", pid);
	if (pid <= 0)
		snprintf(text, OWNER_TEXT, "another process");
	else if (slurp(path, name, sizeof name) == 0)
		snprintf(text, OWNER_TEXT, "process %d", pid);
	else
		snprintf(text, OWNER_TEXT, "process %d (%.*s)", pid, (int)strcspn(name, "\n"), name);
}
