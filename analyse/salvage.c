/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/salvage.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>
#include <unistd.h>

struct job {
	struct segment_reader *in;
	struct segment_writer *writer;
	const char *out;
	int fd;
	uint64_t block;  /* number of blocks that `in` had read at the last record */
	int64_t mono_us; /* of the source block that the open block holds */
	uint32_t t_us;   /* of the last record */
	uint64_t lost;   /* not yet told by a gap record */
	bool gap;
};

/* A loss without bytes or numbers is none (a second copy of a block). */
static void on_damage(void *ctx, const struct segment_damage *d)
{
	struct job *j = ctx;
	bool at_end = d->to_mono_us == 0 && d->bytes > 0;
	j->lost += d->records_lost;
	j->gap = j->gap || d->records_lost > 0 || at_end;
}

static int write_all(const struct job *j, const uint8_t *bytes, size_t n, struct fault *fault)
{
	while (n > 0) {
		ssize_t did = write(j->fd, bytes, n);
		if (did < 0 && errno == EINTR)
			continue;
		if (did < 0)
			return fault_set(fault, EX_IOERR, "%s: cannot be written: %s", j->out,
			                 strerror(errno));
		bytes += did;
		n -= (size_t)did;
	}
	return 0;
}

static int write_blocks(const struct job *j, struct fault *fault)
{
	uint8_t block[SEGMENT_BLOCK_MAX];
	size_t n;
	while ((n = segment_writer_take(j->writer, j->mono_us, block)) > 0)
		if (write_all(j, block, n, fault) != 0)
			return -1;
	return 0;
}

static int add(const struct job *j, const struct record *r, struct fault *fault)
{
	if (segment_writer_add(j->writer, r))
		return 0;
	if (write_blocks(j, fault) != 0)
		return -1;
	if (!segment_writer_add(j->writer, r)) /* never: an empty block takes any record */
		return fault_set(fault, EX_SOFTWARE, "%s: a record does not fit an empty block", j->out);
	return 0;
}

static int add_gap(struct job *j, struct fault *fault)
{
	static const char why[] = "damage in the log";
	struct record r = record_make(RECORD_GAP, j->t_us, GAP_DISK, (int64_t)j->lost);
	if (!j->gap)
		return 0;
	r.text = why;
	r.text_len = sizeof why - 1;
	j->gap = false;
	j->lost = 0;
	return add(j, &r, fault);
}

/* Records keep the company that they had in blocks, so that block times stay
 * true and a second salvage changes nothing. */
static int add_record(struct job *j, const struct record *r, struct fault *fault)
{
	uint64_t block = segment_reader_totals(j->in)->blocks;
	if (block != j->block && write_blocks(j, fault) != 0)
		return -1;
	j->block = block;
	j->mono_us = segment_reader_block_mono_us(j->in);
	if (add_gap(j, fault) != 0) /* never: damage ends a block, so the one written is empty now */
		return -1;
	j->t_us = r->t_us;
	return add(j, r, fault);
}

static int copy_records(struct job *j, struct fault *fault)
{
	struct record r;
	int got;
	while ((got = segment_reader_next(j->in, &r, fault)) == 1)
		if (add_record(j, &r, fault) != 0)
			return -1;
	return got < 0 || add_gap(j, fault) != 0 ? -1 : write_blocks(j, fault);
}

static int finish(struct job *j, struct fault *fault)
{
	uint8_t block[SEGMENT_BLOCK_MAX];
	size_t n = segment_writer_close(j->writer, segment_reader_block_mono_us(j->in), block);
	if (write_all(j, block, n, fault) != 0)
		return -1;
	if (fsync(j->fd) != 0)
		return fault_set(fault, EX_IOERR, "%s: cannot be synced: %s", j->out, strerror(errno));
	return 0;
}

/* Reads the result as anybody would; its closing block tells how many records there must be. */
static int check_result(const char *out, struct fault *fault)
{
	struct record r;
	struct segment_reader *s = segment_reader_open(out, fault);
	if (s == NULL)
		return -1;
	int got;
	while ((got = segment_reader_next(s, &r, fault)) == 1)
		;
	const struct segment_totals *t = segment_reader_totals(s);
	bool whole = got == 0 && t->closed && t->damages == 0;
	segment_reader_free(s);
	if (got == 0 && !whole)
		fault_set(fault, EX_IOERR, "%s: does not read back whole; is the disk sound?", out);
	return whole ? 0 : -1;
}

static int write_result(struct job *j, struct fault *fault)
{
	segment_reader_on_damage(j->in, on_damage, j);
	segment_writer_start(j->writer, segment_reader_facts(j->in));
	j->mono_us = segment_reader_facts(j->in)->start_mono_us;
	if (write_blocks(j, fault) != 0 || copy_records(j, fault) != 0 || finish(j, fault) != 0)
		return -1;
	return check_result(j->out, fault);
}

static int create(struct job *j, struct fault *fault)
{
	j->fd = open(j->out, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0666);
	if (j->fd >= 0)
		return 0;
	if (errno == EEXIST)
		return fault_set(fault, EX_CANTCREAT, "%s: is there already; salvage never overwrites",
		                 j->out);
	return fault_set(fault, EX_CANTCREAT, "%s: cannot be created: %s", j->out, strerror(errno));
}

static int run(struct job *j, struct fault *fault)
{
	if (create(j, fault) != 0)
		return -1;
	int bad = write_result(j, fault);
	if (close(j->fd) != 0 && bad == 0)
		bad = fault_set(fault, EX_IOERR, "%s: cannot be closed: %s", j->out, strerror(errno));
	if (bad != 0)
		unlink(j->out);
	return bad;
}

int salvage(const char *path, const char *out, struct fault *fault)
{
	struct job j = {.in = segment_reader_open(path, fault), .out = out};
	if (j.in == NULL)
		return -1;
	j.writer = segment_writer_new();
	int bad = j.writer == NULL ? fault_set(fault, EX_OSERR, "out of memory") : run(&j, fault);
	segment_writer_free(j.writer);
	segment_reader_free(j.in);
	return bad;
}
