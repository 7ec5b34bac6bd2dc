/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Names in a directory, read without the heap (readdir(3) allocates). */
#ifndef TRAMMEL_DIRLIST_H
#define TRAMMEL_DIRLIST_H

#include <stdbool.h>

/* Calls `fn` for every name in the open directory, from its beginning; the
 * order is the file system's.  0, or -1 with errno. */
int dirlist_each(int dir_fd, void (*fn)(void *ctx, const char *name), void *ctx);

#endif
