/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logd/dirlist.h"

#include <dirent.h>
#include <unistd.h>

int dirlist_each(int dir_fd, void (*fn)(void *ctx, const char *name), void *ctx)
{
	_Alignas(struct dirent64) char buffer[8192];
	if (lseek(dir_fd, 0, SEEK_SET) != 0)
		return -1;
	ssize_t got;
	while ((got = getdents64(dir_fd, buffer, sizeof buffer)) > 0) {
		for (char *p = buffer; p < buffer + got;) {
			const struct dirent64 *entry = (const struct dirent64 *)(void *)p;
			fn(ctx, entry->d_name);
			p += entry->d_reclen;
		}
	}
	return got < 0 ? -1 : 0;
}
