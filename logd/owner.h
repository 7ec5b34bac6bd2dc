/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Who holds something we found locked: for messages only. */
#ifndef TRAMMEL_OWNER_H
#define TRAMMEL_OWNER_H

/* Process that holds the flock(2) on the open file `fd` waits for; 0 when not known
 * (/proc hidden, or the owner is outside our view). */
int owner_of_lock(int fd);

/* A process other than this one that has the device or file `path` open; 0 when not known. */
int owner_of_open(const char *path);

/* "process 123 (name)" or "another process" into `text` (at least OWNER_TEXT bytes). */
#define OWNER_TEXT 64
void owner_describe(int pid, char text[OWNER_TEXT]);

#endif
