/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Finds the intact blocks of a file in one pass, whatever lies between them.
 * Knows nothing of files and numbers: that is segment_read.c's part. */
#ifndef TRAMMEL_SEGMENT_SCAN_H
#define TRAMMEL_SEGMENT_SCAN_H

#include "common/segment_block.h"

/* Bytes from a file (through a window) or from memory. */
struct segment_source {
	int fd;                /* -1: memory */
	const uint8_t *memory; /* borrowed */
	uint8_t *window;       /* owned */
	uint64_t window_at;
	size_t window_len;
	uint64_t size; /* memory: bytes; file: bytes when it was opened */
};

struct segment_scan {
	struct segment_source source;
	uint64_t at;     /* where to look next */
	uint64_t credit; /* bytes that failing checks may still read */
};

struct segment_found {
	struct segment_block block;
	const uint8_t *bytes; /* valid until the next call */
	uint64_t offset;
	/* What was stepped over just before: [skipped_at, offset). */
	uint64_t skipped_at;
	const char *skipped_why; /* static text */
};

/* 0, or -1 with errno. */
int segment_scan_open(struct segment_scan *s, const char *path);
void segment_scan_memory(struct segment_scan *s, const uint8_t *bytes, size_t n);
void segment_scan_close(struct segment_scan *s);
void segment_scan_rewind(struct segment_scan *s);

/* Next intact block: 1; 0 at the end (offset = end); -1 with errno. */
int segment_scan_next(struct segment_scan *s, struct segment_found *found);

#endif
