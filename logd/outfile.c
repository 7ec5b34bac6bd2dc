/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logd/outfile.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

/* A block with one gap record and the closing block. */
#define LAST_WORD ((size_t)256)

void outfile_none(struct outfile *f)
{
	f->fd = -1;
	f->name[0] = '\0';
	f->bytes = f->proven_bytes = 0;
	f->whole_records = f->proven_records = 0;
	f->whole_blocks = 0;
	f->name_unproven = false;
	f->used = f->blocks = 0;
}

int outfile_create(struct outfile *f, int dir_fd, const char *name)
{
	outfile_none(f);
	f->fd = openat(dir_fd, name, O_WRONLY | O_CREAT | O_EXCL | O_APPEND | O_CLOEXEC, 0666);
	if (f->fd < 0)
		return -1;
	snprintf(f->name, sizeof f->name, "%s", name);
	f->name_unproven = true;
	return 0;
}

bool outfile_fits(const struct outfile *f, size_t n)
{
	return f->blocks < OUTFILE_BLOCKS && sizeof f->buffer - f->used >= n;
}

void outfile_put(struct outfile *f, const uint8_t *block, size_t n, uint32_t records)
{
	memcpy(f->buffer + f->used, block, n);
	f->used += n;
	f->records[f->blocks] = records;
	f->ends[f->blocks++] = f->used;
}

/* As much as goes; errno tells why it was not all. */
static size_t write_some(int fd, const uint8_t *bytes, size_t n)
{
	size_t done = 0;
	while (done < n) {
		ssize_t put = write(fd, bytes + done, n - done);
		if (put > 0)
			done += (size_t)put;
		else if (put == 0 || errno != EINTR)
			break;
	}
	return done;
}

/* Takes the whole blocks among the first `done` bytes of the buffer as written; their bytes. */
static size_t take_whole(struct outfile *f, size_t done)
{
	size_t whole = 0;
	for (size_t i = 0; i < f->blocks && f->ends[i] <= done; i++) {
		whole = f->ends[i];
		f->whole_blocks++;
		f->whole_records += f->records[i];
	}
	return whole;
}

int outfile_write(struct outfile *f)
{
	errno = ENOSPC; /* what a write of 0 bytes stands for */
	size_t done = write_some(f->fd, f->buffer, f->used);
	int error = errno;
	bool all = done == f->used;
	size_t whole = take_whole(f, all ? done : done - (done < LAST_WORD ? done : LAST_WORD));
	bool cut = done == whole || ftruncate(f->fd, f->bytes + (int64_t)whole) == 0;
	f->bytes += (int64_t)(cut ? whole : done);
	f->used = f->blocks = 0;
	errno = error;
	return all ? 0 : -1;
}

int outfile_sync(const struct outfile *f)
{
	return fdatasync(f->fd);
}

void outfile_proven(struct outfile *f)
{
	f->name_unproven = false;
	f->proven_bytes = f->bytes;
	f->proven_records = f->whole_records;
}

bool outfile_unlinked(const struct outfile *f)
{
	struct stat st;
	return fstat(f->fd, &st) == 0 && st.st_nlink == 0;
}

int64_t outfile_cut_unproven(struct outfile *f)
{
	int64_t extra = f->bytes - f->proven_bytes;
	if (extra <= 0)
		return 0;
	if (ftruncate(f->fd, f->proven_bytes) != 0)
		return -1;
	f->bytes = f->proven_bytes;
	return extra;
}

int outfile_unlink(const struct outfile *f, int dir_fd)
{
	return unlinkat(dir_fd, f->name, 0);
}

void outfile_abandon(struct outfile *f)
{
	if (f->fd >= 0)
		close(f->fd);
	outfile_none(f);
}
