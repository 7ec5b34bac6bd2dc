/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Entries of a trace of disk calls: a head, then `bytes` bytes (what was written,
 * or a name).  Same machine writes and reads them. */
#ifndef TRAMMEL_TRACE_H
#define TRAMMEL_TRACE_H

#include <stdint.h>

enum trace_op {
	TRACE_CREATE = 1, /* bytes = name */
	TRACE_WRITE,      /* bytes = appended */
	TRACE_SYNC,       /* fdatasync returned 0 */
	TRACE_SYNC_NAMES, /* fsync of the directory returned 0 */
	TRACE_TRUNCATE,   /* amount = length */
	TRACE_UNLINK      /* bytes = name */
};

struct trace_entry {
	uint32_t op, file; /* file: from 1, in order of creation */
	int64_t mono_us;
	int64_t amount;
	uint64_t bytes;
};

#endif
