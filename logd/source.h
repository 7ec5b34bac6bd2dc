/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Where the bytes come from: one face for a serial port, a pty, a FIFO, a
 * file and standard input.  A source is a non-blocking descriptor that the
 * receiver polls and reads by itself: libserialport opens and configures a
 * port, but its own reads cannot tell an unplugged port from a silent one. */
#ifndef TRAMMEL_SOURCE_H
#define TRAMMEL_SOURCE_H

#include "common/fault.h"

#include <limits.h>
#include <stdbool.h>
#include <stdint.h>

enum source_kind { SOURCE_PORT, SOURCE_PTY, SOURCE_FIFO, SOURCE_FILE, SOURCE_STDIN };

struct source {
	/* Given by the caller. */
	const char *path; /* as named by the user; "-" = standard input */
	int baud;         /* ports only */
	bool reset_board; /* pulse DTR at the first opening */

	/* Known after source_open. */
	int fd; /* -1 while closed */
	enum source_kind kind;
	bool live;           /* arrival times mean something: port or pty */
	char real[PATH_MAX]; /* what a stable name stood for this time */
	int overruns;        /* driver's count at the last look; -1 = not told */
	char note[120];      /* advice that came up while opening; empty = none */
};

/* A closed source. */
struct source source_make(const char *path, int baud, bool reset_board);

/* Opens (again).  The name is resolved anew each time, since an adapter that
 * was plugged in again often bears another number.  0, or -1 with `fault`:
 * EX_NOINPUT no such thing, EX_TEMPFAIL busy, EX_NOPERM, EX_IOERR. */
int source_open(struct source *s, struct fault *fault);

/* Closes; a descriptor held on a vanished port keeps its number in use. */
void source_close(struct source *s);

/* Bytes that the driver lost since the last call; 0 where it does not tell. */
int64_t source_overrun(struct source *s);

/* True for a kind whose end is the end of the recording. */
bool source_ends(enum source_kind kind);

/* What a name that is not there yet stands for, as far as the name tells. */
enum source_kind source_expected(const char *path);

/* "port", "pty", "fifo", "file", "stdin". */
const char *source_kind_name(enum source_kind kind);

/* "port, frames, 500000 baud" or "pty, lines": what a segment says of its source. */
#define SOURCE_LABEL_MAX 64
void source_label(enum source_kind kind, const char *link, int baud, char label[SOURCE_LABEL_MAX]);

#endif
