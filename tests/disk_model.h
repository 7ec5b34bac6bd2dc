/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A disk under power cuts: what a trace of calls may leave behind.
 *
 * Durable is only what was synced: a file's bytes by fdatasync, its name by fsync of
 * the directory.  Everything since may be there, or not, or in part, in any order: sectors
 * of 512 bytes of unsynced writes come through, or read as zeros or garbage;
 * the file may be shorter; a name may be missing. */
#ifndef TRAMMEL_DISK_MODEL_H
#define TRAMMEL_DISK_MODEL_H

#include "tests/trace.h"

#include <stdbool.h>
#include <stddef.h>

#define MODEL_FILES 4096

struct model_file {
	char name[40];
	uint8_t *bytes;
	size_t len, room;
	size_t durable;    /* this much is safe */
	bool name_durable; /* entry in the directory is safe */
	bool unlinked;
};

struct disk_model {
	struct model_file file[MODEL_FILES];
	size_t files;
	int64_t live_bytes; /* of all names there are now */
};

struct disk_model *disk_model_new(void);
void disk_model_free(struct disk_model *m);

/* One call. */
void disk_model_do(struct disk_model *m, const struct trace_entry *e, const uint8_t *bytes);

/* What one power cut leaves of file i: false = no such name.  `out` has room for its
 * `len`; `*n` gets the length found.  Seeded. */
bool disk_model_cut(const struct disk_model *m, size_t i, uint64_t *seed, uint8_t *out, size_t *n);

#endif
