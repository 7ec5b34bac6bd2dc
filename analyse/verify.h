/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Integrity of segment files: each by itself, and as the row of a session. */
#ifndef TRAMMEL_VERIFY_H
#define TRAMMEL_VERIFY_H

#include "common/segment.h"

#include <stdio.h>

/* Exit codes of trammel verify. */
enum verify_verdict { VERIFY_WHOLE = 0, VERIFY_FAILED = 1, VERIFY_LOSSY = 3 };

struct verify_file {
	char *path; /* owned */
	enum verify_verdict verdict;
	uint64_t file_id, previous_file_id;
	uint32_t session, number;
	uint64_t first_record, records_end; /* numbers in the session */
};

struct verify_list {
	struct verify_file *file;
	size_t n;
};

/* Adds a file, or the *.tram files of a directory by name.  0, or -1 with
 * fault (the directory cannot be read, or holds none). */
int verify_add(struct verify_list *l, const char *path, struct fault *fault);
void verify_free(struct verify_list *l);

/* Reads a file to its end and prints one line for it and one for each damaged
 * stretch; fills in the rest of `f`. */
void verify_read(struct verify_file *f, FILE *out);

/* After all were read: prints which segments are missing between those of a
 * session; returns their number. */
unsigned verify_chain(const struct verify_list *l, FILE *out);

#endif
