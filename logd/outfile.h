/* SPDX-License-Identifier: GPL-3.0-or-later */
/* One segment file while it is being written: whole blocks through a buffer,
 * and how much of it is known to be durable. */
#ifndef TRAMMEL_OUTFILE_H
#define TRAMMEL_OUTFILE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define OUTFILE_BUFFER ((size_t)64 * 1024)
#define OUTFILE_BLOCKS 64
#define OUTFILE_NAME_MAX 32

struct outfile {
	int fd; /* -1 = none */
	char name[OUTFILE_NAME_MAX];
	int64_t bytes;           /* written */
	uint32_t whole_blocks;   /* of them */
	uint64_t whole_records;  /* in those */
	int64_t proven_bytes;    /* durable, name included; set by outfile_proven */
	uint64_t proven_records; /* likewise */
	bool name_unproven;      /* its directory was not synced since it was created */
	size_t used;             /* of buffer */
	size_t blocks;
	size_t ends[OUTFILE_BLOCKS];      /* where each buffered block ends */
	uint32_t records[OUTFILE_BLOCKS]; /* and what it holds */
	uint8_t buffer[OUTFILE_BUFFER];
};

/* No file. */
void outfile_none(struct outfile *f);

/* Creates `name`, which must not exist.  0, or -1 with errno. */
int outfile_create(struct outfile *f, int dir_fd, const char *name);

/* Whether a block of n bytes goes into the buffer, and putting it there. */
bool outfile_fits(const struct outfile *f, size_t n);
void outfile_put(struct outfile *f, const uint8_t *block, size_t n, uint32_t records);

/* Writes the buffer.  0; or -1 with errno, the file then ends with a whole block
 * (as far as the file system still allows), and before the place where the write broke off
 * there are some bytes left, enough for a last word. */
int outfile_write(struct outfile *f);

/* fdatasync; 0, or -1 with errno. */
int outfile_sync(const struct outfile *f);

/* All that was written is durable, the name included. */
void outfile_proven(struct outfile *f);

/* Somebody deleted it. */
bool outfile_unlinked(const struct outfile *f);

/* Cuts the file back to what was proven.  Bytes cut off; -1 with errno. */
int64_t outfile_cut_unproven(struct outfile *f);

/* Deletes it.  0, or -1 with errno. */
int outfile_unlink(const struct outfile *f, int dir_fd);

/* Closes without a word: whatever close(2) could report was asked for by sync. */
void outfile_abandon(struct outfile *f);

#endif
