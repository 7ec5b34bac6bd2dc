/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logd/shelf.h"

#include "logd/dirlist.h"
#include "logd/owner.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <sysexits.h>
#include <unistd.h>

/* --- names --- */

void shelf_name(uint32_t session, uint32_t number, char name[SHELF_NAME_MAX])
{
	snprintf(name, SHELF_NAME_MAX, "%06u-%04u.tram", (unsigned)session, (unsigned)number);
}

/* At least `least` digits, no more leading zeros than that needs; NULL when it is no such number. */
static const char *digits(const char *p, size_t least, uint32_t *value)
{
	size_t n = strspn(p, "0123456789");
	if (n < least || n > 9 || (n > least && *p == '0'))
		return NULL;
	*value = 0;
	for (size_t i = 0; i < n; i++)
		*value = *value * 10 + (uint32_t)(p[i] - '0');
	return p + n;
}

bool shelf_parse(const char *name, uint32_t *session, uint32_t *number)
{
	const char *p = digits(name, 6, session);
	if (p == NULL || *p != '-')
		return false;
	p = digits(p + 1, 4, number);
	return p != NULL && strcmp(p, ".tram") == 0;
}

/* --- opening --- */

static int cannot_write(const char *path, int error, struct fault *fault)
{
	if (error == ENOENT)
		return fault_set(fault, EX_CANTCREAT,
		                 "%s: the directory above it does not exist; make it first (mkdir -p)", path);
	if (error == EACCES || error == EPERM || error == EROFS)
		return fault_set(fault, EX_CANTCREAT,
		                 "%s: not writable (%s); name another directory with --into", path,
		                 strerror(error));
	return fault_set(fault, EX_CANTCREAT, "%s: cannot use it as the directory of the log: %s", path,
	                 strerror(error));
}

static int lock(int fd, const char *path, struct fault *fault)
{
	if (flock(fd, LOCK_EX | LOCK_NB) == 0)
		return 0;
	char owner[OWNER_TEXT];
	owner_describe(owner_of_lock(fd), owner);
	return fault_set(
	    fault, EX_TEMPFAIL,
	    "%s: %s is recording into it already; stop that one, or name another directory with --into", path,
	    owner);
}

int shelf_open(struct shelf *s, const char *path, struct fault *fault)
{
	s->path = path;
	if (mkdir(path, 0777) != 0 && errno != EEXIST)
		return cannot_write(path, errno, fault);
	s->fd = open(path, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
	if (s->fd < 0)
		return cannot_write(path, errno, fault);
	if (lock(s->fd, path, fault) == 0) {
		if (faccessat(s->fd, ".", W_OK | X_OK, AT_EACCESS) == 0 && shelf_scan(s) == 0)
			return 0;
		cannot_write(path, errno, fault);
	}
	shelf_close(s);
	return -1;
}

void shelf_close(struct shelf *s)
{
	if (s->fd >= 0)
		close(s->fd);
	s->fd = -1;
}

bool shelf_vanished(const struct shelf *s)
{
	struct stat by_name, by_fd;
	if (s->fd < 0 || fstat(s->fd, &by_fd) != 0 || by_fd.st_nlink == 0)
		return true;
	if (stat(s->path, &by_name) != 0)
		return errno == ENOENT || errno == ENOTDIR;
	return by_name.st_dev != by_fd.st_dev || by_name.st_ino != by_fd.st_ino;
}

/* --- inventory --- */

static bool must_stay(const struct shelf_newest *n, const struct shelf_entry *e)
{
	if (e->session > n->session)
		return true;
	if (e->session == n->session)
		return e->number >= n->active ||
		       (n->first != 0 && e->number >= n->first && e->number <= n->last);
	return n->first == 0 && e->session == n->earlier_session;
}

static bool older(const struct shelf_entry *a, const struct shelf_entry *b)
{
	return a->session != b->session ? a->session < b->session : a->number < b->number;
}

/* Keeps the SHELF_OLDEST oldest in order. */
static void remember(struct shelf *s, const struct shelf_entry *e)
{
	size_t at = s->oldest_count;
	if (at == SHELF_OLDEST && !older(e, &s->oldest[at - 1]))
		return;
	if (at == SHELF_OLDEST)
		at--;
	else
		s->oldest_count++;
	for (; at > 0 && older(e, &s->oldest[at - 1]); at--)
		s->oldest[at] = s->oldest[at - 1];
	s->oldest[at] = *e;
}

static void count(void *ctx, const char *name)
{
	struct shelf *s = ctx;
	struct shelf_entry e;
	struct stat st;
	if (!shelf_parse(name, &e.session, &e.number) ||
	    fstatat(s->fd, name, &st, AT_SYMLINK_NOFOLLOW) != 0 || !S_ISREG(st.st_mode))
		return;
	e.bytes = st.st_size;
	s->bytes += e.bytes;
	s->segments++;
	if (e.session > s->last_session)
		s->last_session = e.session;
	if (!must_stay(&s->newest, &e))
		remember(s, &e);
}

int shelf_scan(struct shelf *s)
{
	s->bytes = 0;
	s->segments = 0;
	s->oldest_count = 0;
	return dirlist_each(s->fd, count, s);
}

static void forget(struct shelf *s, size_t i)
{
	memmove(&s->oldest[i], &s->oldest[i + 1], (s->oldest_count - i - 1) * sizeof s->oldest[0]);
	s->oldest_count--;
}

/* Unlinks the first remembered entry that may go; as shelf_drop_oldest. */
static int64_t drop_first(struct shelf *s)
{
	for (size_t i = 0; i < s->oldest_count; i++) {
		struct shelf_entry e = s->oldest[i];
		char name[SHELF_NAME_MAX];
		if (must_stay(&s->newest, &e))
			continue;
		shelf_name(e.session, e.number, name);
		if (unlinkat(s->fd, name, 0) != 0 && errno != ENOENT)
			return -1;
		forget(s, i);
		s->bytes -= e.bytes;
		s->segments--;
		return e.bytes > 0 ? e.bytes : 1;
	}
	return 0;
}

int64_t shelf_drop_oldest(struct shelf *s)
{
	int64_t freed = drop_first(s);
	if (freed != 0)
		return freed;
	return shelf_scan(s) != 0 ? -1 : drop_first(s);
}

int shelf_space(const struct shelf *s, int64_t *bytes_free, int64_t *bytes_all)
{
	struct statvfs v;
	if (fstatvfs(s->fd, &v) != 0)
		return -1;
	*bytes_free = (int64_t)v.f_bavail * (int64_t)v.f_frsize;
	*bytes_all = (int64_t)v.f_blocks * (int64_t)v.f_frsize;
	return 0;
}
