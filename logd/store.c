/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logd/store.h"

#include "logd/clock.h"
#include "logd/gaps.h"
#include "logd/outfile.h"
#include "logd/ride.h"
#include "logd/retention.h"
#include "logd/shelf.h"
#include "logd/tail.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/random.h>
#include <sysexits.h>
#include <systemd/sd-id128.h>
#include <time.h>
#include <unistd.h>

#define TAIL_LIVE_RECORDS ((size_t)600000) /* 24 MB when full: 85 s at 7,000 records/s */
#define TAIL_FILE_RECORDS ((size_t)262144) /* a file can wait */
#define WRITE_EVERY_US 60000               /* so that even a busy machine writes within 0.1 s */
#define WRITE_LEAST_RECORDS 256            /* fewer wait for the sync: small blocks cost their heads */
#define RETRY_US (CLOCK_SECOND_US / 2)
#define PAUSE_US 50000
#define CLOSE_WITHIN_US (CLOCK_SECOND_US / 2) /* half of the second that ending may take */
#define STALE_FILES 3
#define WORTH_BLOCKS 4 /* of records that must have room before a full disk is tried again */

struct store {
	struct store_config config;
	struct status *status;
	struct log *log;
	const atomic_bool *stop;

	struct shelf shelf;
	struct retention retention;
	struct segment_writer *writer;
	struct tail *tail;
	size_t handed; /* of the tail's records, how many the segment writer has been given */
	struct segment_facts facts;
	struct outfile out;                /* segment being written */
	struct outfile stale[STALE_FILES]; /* failed, to be cut back to what was proven */
	struct outfile brim;               /* proven, when the disk is full: waits for a last word */
	uint64_t previous_id;              /* newest file with proven records */

	uint64_t total;   /* records kept so far, RAM included */
	int64_t not_kept; /* since the disk failed, not yet told */
	int last_error;   /* of the disk; 0 = it works */
	bool rotate_wanted;
	uint32_t last_t_us; /* of the newest record */

	int64_t write_us, sync_us, rotate_us, retry_us; /* deadlines */
	uint8_t block[SEGMENT_BLOCK_MAX];
};

/* --- making --- */

struct store *store_new(const struct store_config *config, struct status *status, struct log *log,
                        const atomic_bool *stop)
{
	struct store *s = calloc(1, sizeof *s);
	if (s == NULL)
		return NULL;
	s->config = *config;
	s->status = status;
	s->log = log;
	s->stop = stop;
	s->shelf.fd = -1;
	s->retention = (struct retention){
	    .shelf = &s->shelf,
	    .keep_bytes = config->keep_bytes,
	    .keep_free_bytes = config->keep_free_bytes,
	    .keep_free_fraction = config->keep_free_fraction,
	    .status = status,
	    .log = log,
	};
	outfile_none(&s->out);
	outfile_none(&s->brim);
	for (unsigned i = 0; i < STALE_FILES; i++)
		outfile_none(&s->stale[i]);
	s->writer = segment_writer_new();
	s->tail = tail_new(config->live ? TAIL_LIVE_RECORDS : TAIL_FILE_RECORDS);
	if (s->writer == NULL || s->tail == NULL) {
		store_free(s);
		return NULL;
	}
	return s;
}

static void forget_failed(struct store *s)
{
	outfile_abandon(&s->brim);
	for (unsigned i = 0; i < STALE_FILES; i++)
		outfile_abandon(&s->stale[i]);
}

void store_free(struct store *s)
{
	if (s == NULL)
		return;
	outfile_abandon(&s->out);
	forget_failed(s);
	shelf_close(&s->shelf);
	segment_writer_free(s->writer);
	tail_free(s->tail);
	free(s);
}

/* --- telling --- */

static void publish(struct store *s)
{
	struct status *t = s->status;
	status_set(&t->disk_ok, s->last_error == 0);
	status_set(&t->records_synced, (int64_t)(s->total - tail_count(s->tail)));
	status_set(&t->records_waiting, (int64_t)tail_count(s->tail));
	status_set(&t->segment, s->facts.number);
	status_set(&t->bytes_kept, s->shelf.bytes);
}

static void publish_space(struct store *s)
{
	int64_t bytes_free = -1, all;
	if (s->shelf.fd < 0 || shelf_space(&s->shelf, &bytes_free, &all) != 0)
		bytes_free = -1;
	status_set(&s->status->bytes_free, bytes_free);
}

/* --- failing --- */

static const char *advice_for(int error)
{
	switch (error) {
	case ENOSPC:
	case EDQUOT:
		return "free some space, or let --keep or --keep-free delete old rides";
	case EROFS:
		return "the file system turned read-only: look at dmesg, then check the disk";
	case EIO:
		return "the disk reports errors: look at dmesg, replace the card or disk";
	case ENOENT:
	case ESTALE:
		return "the file or its directory was removed";
	default:
		return "recording goes on by itself when it works again";
	}
}

/* What was proven of it stays; the rest is cut off when it is safe elsewhere.  With
 * more failures at once than we keep files for, the oldest stays as it is: readers
 * know by the record numbers what they have had already. */
static void set_aside(struct store *s)
{
	struct outfile *last = &s->stale[STALE_FILES - 1];
	outfile_abandon(last);
	for (unsigned i = STALE_FILES - 1; i > 0; i--)
		s->stale[i] = s->stale[i - 1];
	s->stale[0] = s->out;
	outfile_none(&s->out);
}

/* Nothing of it was proven: as if it had never been. */
static void undo_segment(struct store *s)
{
	if (outfile_unlink(&s->out, s->shelf.fd) != 0) {
		set_aside(s);
		return;
	}
	s->shelf.bytes -= s->out.bytes;
	s->shelf.segments--;
	s->facts.number--;
	outfile_abandon(&s->out);
}

static bool is_full(int error)
{
	return error == ENOSPC || error == EDQUOT;
}

/* The unproven records of a failed file are safe elsewhere now.  What cannot be cut off
 * at once is tried again with the next sync. */
static void cut_one(struct store *s, struct outfile *f)
{
	int64_t bytes = f->bytes;
	if (f->proven_bytes == 0 && outfile_unlink(f, s->shelf.fd) == 0)
		s->shelf.segments--;
	else
		bytes = outfile_cut_unproven(f);
	if (bytes < 0)
		return;
	s->shelf.bytes -= bytes;
	outfile_abandon(f);
}

static void cut_stale(struct store *s)
{
	for (unsigned i = 0; i < STALE_FILES; i++)
		if (s->stale[i].fd >= 0)
			cut_one(s, &s->stale[i]);
}

/* The disk failed.  Nothing is lost yet: unproven records are in the tail. */
static void fail(struct store *s, const char *what, int error)
{
	log_say(s->log, LOG_DISK, LOG_LEVEL_ERROR, "%s: %s: %s; still receiving, %zu record%s in RAM; %s",
	        s->config.directory, what, strerror(error), tail_count(s->tail),
	        tail_count(s->tail) == 1 ? " waits" : "s wait", advice_for(error));
	status_add(&s->status->disk_faults, 1);
	s->last_error = error;
	s->handed = 0;
	s->retry_us = clock_mono_us() + RETRY_US;
	if (s->out.fd >= 0 && s->out.proven_bytes > 0) {
		s->previous_id = s->facts.file_id;
		set_aside(s);
	} else if (s->out.fd >= 0) {
		undo_segment(s);
	}
	if (is_full(error))
		cut_stale(s); /* else what is unproven there would take the room that its records need */
	publish(s);
}

/* --- writing --- */

/* Makes what was written of the segment durable, the file's name included.  NULL; or, with errno,
 * what failed. */
static const char *make_durable(struct store *s)
{
	if (outfile_sync(&s->out) != 0)
		return "cannot sync";
	if (s->out.name_unproven && fsync(s->shelf.fd) != 0)
		return "cannot sync the directory";
	if (shelf_vanished(&s->shelf) || outfile_unlinked(&s->out)) {
		errno = ENOENT;
		return "the log is not where it was";
	}
	outfile_proven(&s->out);
	status_set(&s->status->last_sync_us, clock_mono_us());
	status_add(&s->status->syncs, 1);
	return NULL;
}

/* The disk is full, and said so at a write, which leaves what it took before as good as it was: those
 * records need not wait.  The file takes no more of them. */
static void keep_what_fitted(struct store *s)
{
	size_t fitted = (size_t)(s->out.whole_records - s->out.proven_records);
	if ((fitted == 0 && s->out.proven_bytes == 0) || make_durable(s) != NULL)
		return;
	tail_drop(s->tail, fitted);
	s->previous_id = s->facts.file_id;
	outfile_abandon(&s->brim);
	s->brim = s->out;
	outfile_none(&s->out);
}

static void fail_to_write(struct store *s, const char *what, int error)
{
	if (is_full(error))
		keep_what_fitted(s);
	fail(s, what, error);
}

static int write_out(struct store *s)
{
	size_t n = s->out.used;
	if (n == 0)
		return 0;
	if (retention_make_room(&s->retention, (int64_t)n) != 0) {
		fail_to_write(s, "less free space than --keep-free asks for", errno);
		return -1;
	}
	int64_t before = s->out.bytes;
	int bad = outfile_write(&s->out);
	int error = errno;
	s->shelf.bytes += s->out.bytes - before;
	status_add(&s->status->bytes_written, s->out.bytes - before);
	if (bad != 0)
		fail_to_write(s, "cannot write", error);
	return bad;
}

static int put_block(struct store *s, size_t n, size_t records)
{
	if (!outfile_fits(&s->out, n) && write_out(s) != 0)
		return -1;
	outfile_put(&s->out, s->block, n, (uint32_t)records);
	return 0;
}

static int64_t block_mono_us(const struct store *s)
{
	return s->config.live ? clock_mono_us() : 0;
}

/* Moves finished blocks, the open one included, from the segment writer to the file's buffer. */
static int take_blocks(struct store *s)
{
	size_t n, open = segment_writer_pending(s->writer);
	while ((n = segment_writer_take(s->writer, block_mono_us(s), s->block)) > 0) {
		size_t left = segment_writer_pending(s->writer);
		if (put_block(s, n, open - left) != 0)
			return -1;
		open = left;
	}
	return 0;
}

static int write_all(struct store *s)
{
	s->write_us = clock_mono_us() + WRITE_EVERY_US;
	return take_blocks(s) == 0 ? write_out(s) : -1;
}

static int prove(struct store *s)
{
	const char *failed = make_durable(s);
	if (failed != NULL) {
		fail(s, failed, errno);
		return -1;
	}
	tail_drop(s->tail, s->handed);
	s->handed = 0;
	return 0;
}

static int sync_all(struct store *s)
{
	s->sync_us = clock_mono_us() + s->config.sync_us;
	publish_space(s);
	bool nothing = tail_count(s->tail) == 0 && !s->out.name_unproven;
	if (nothing && !shelf_vanished(&s->shelf) && !outfile_unlinked(&s->out)) {
		status_set(&s->status->last_sync_us, clock_mono_us());
		return 0;
	}
	if (write_all(s) != 0 || prove(s) != 0)
		return -1;
	cut_stale(s);
	publish(s);
	return 0;
}

/* --- segments --- */

static uint64_t random_id(void)
{
	uint64_t id = 0;
	while (id == 0 && getrandom(&id, sizeof id, 0) == (ssize_t)sizeof id)
		;
	return id;
}

static void next_facts(struct store *s)
{
	s->facts.file_id = random_id();
	s->facts.number++;
	s->facts.previous_file_id = s->previous_id;
	s->facts.first_record = s->total - tail_count(s->tail);
	s->facts.start_mono_us = block_mono_us(s);
	s->facts.start_utc_us = s->config.live ? clock_utc_us() : 0;
}

/* Creates the next segment and writes its facts into the buffer. */
static int open_segment(struct store *s)
{
	char name[SHELF_NAME_MAX];
	next_facts(s);
	shelf_name(s->facts.session, s->facts.number, name);
	s->shelf.newest.active = s->facts.number;
	if (outfile_create(&s->out, s->shelf.fd, name) != 0) {
		int error = errno;
		if (error != EEXIST)
			s->facts.number--;
		fail(s, "cannot create a segment", error);
		return -1;
	}
	s->shelf.segments++;
	status_add(&s->status->segments_made, 1);
	s->rotate_us = clock_mono_us() + s->config.segment_age_us;
	segment_writer_start(s->writer, &s->facts);
	return take_blocks(s);
}

static int write_close_block(struct store *s)
{
	if (take_blocks(s) != 0)
		return -1;
	size_t n = segment_writer_close(s->writer, block_mono_us(s), s->block);
	return put_block(s, n, 0) == 0 && write_out(s) == 0 ? prove(s) : -1;
}

static void put_last(struct store *s, size_t n, uint32_t records)
{
	outfile_put(&s->brim, s->block, n, records);
}

/* Ends the file that filled the disk, as far as there is room for it; `gap` may be NULL. */
static void close_brim(struct store *s, const struct record *gap)
{
	struct outfile *f = &s->brim;
	if (f->fd < 0)
		return;
	f->used = f->blocks = 0; /* what had no room waits in the tail */
	segment_writer_cut(s->writer, f->whole_blocks, f->whole_records);
	if (gap != NULL && segment_writer_add(s->writer, gap))
		put_last(s, segment_writer_take(s->writer, block_mono_us(s), s->block), 1);
	put_last(s, segment_writer_close(s->writer, block_mono_us(s), s->block), 0);
	int64_t before = f->bytes;
	if (outfile_write(f) == 0)
		(void)outfile_sync(f);
	s->shelf.bytes += f->bytes - before;
	status_add(&s->status->bytes_written, f->bytes - before);
	outfile_abandon(f);
}

/* Ends the segment; it is whole and durable afterwards. */
static int close_segment(struct store *s)
{
	if (write_close_block(s) != 0)
		return -1;
	cut_stale(s);
	s->previous_id = s->facts.file_id;
	outfile_abandon(&s->out);
	return 0;
}

/* Leaves room for the open block, the buffered ones and the closing block. */
static bool segment_full(const struct store *s)
{
	int64_t coming = (int64_t)s->out.used + 2 * SEGMENT_BLOCK_MAX;
	return s->out.bytes + coming > s->config.segment_bytes;
}

static int next_segment(struct store *s)
{
	return close_segment(s) == 0 ? open_segment(s) : -1;
}

static void rotate(struct store *s)
{
	s->rotate_wanted = false;
	(void)next_segment(s);
	publish(s);
}

/* Writes the records that wait in RAM; they may fill several segments. */
static int replay_tail(struct store *s)
{
	while (s->handed < tail_count(s->tail)) {
		if (!segment_writer_add(s->writer, tail_at(s->tail, s->handed))) {
			if (take_blocks(s) != 0 || (segment_full(s) && next_segment(s) != 0))
				return -1;
			continue;
		}
		s->handed++;
	}
	return 0;
}

/* Tells the log what it lacks, in the place where it lacks it. */
static void tell_not_kept(struct store *s, int error)
{
	if (s->not_kept == 0)
		return;
	struct record gap = gaps_record(GAP_DISK, s->last_t_us, s->not_kept, strerror(error));
	s->not_kept = 0;
	(void)store_add(s, &gap);
}

/* Looks at the directory afresh when something in it went away. */
static int reopen_directory(struct store *s)
{
	struct fault fault = {0};
	bool vanished = shelf_vanished(&s->shelf);
	if (!vanished && s->last_error != ENOENT)
		return 0;
	forget_failed(s);
	if (!vanished)
		return shelf_scan(&s->shelf);
	shelf_close(&s->shelf);
	if (shelf_open(&s->shelf, s->config.directory, &fault) == 0)
		return 0;
	log_say(s->log, LOG_DISK, LOG_LEVEL_ERROR, "%s", fault.text);
	return -1;
}

/* With a full disk, a try that must fail is not made: each would create and delete a file. */
static bool worth_trying(struct store *s)
{
	int64_t bytes_free, all;
	if (s->last_error != ENOSPC || shelf_space(&s->shelf, &bytes_free, &all) != 0)
		return true;
	int64_t blocks = WORTH_BLOCKS + 2 * (int64_t)(s->config.engine_len / SEGMENT_BLOCK_MAX + 1);
	return bytes_free >= blocks * SEGMENT_BLOCK_MAX + retention_floor(&s->retention, all);
}

static void recover(struct store *s)
{
	s->retry_us = clock_mono_us() + RETRY_US;
	publish_space(s);
	if (reopen_directory(s) != 0 || !worth_trying(s))
		return;
	int error = s->last_error;
	close_brim(s, NULL);
	if (open_segment(s) != 0 || replay_tail(s) != 0 || sync_all(s) != 0)
		return;
	s->last_error = 0;
	log_say(s->log, LOG_PLAIN, LOG_LEVEL_NOTICE, "%s: the disk works again; %lld record%s not kept",
	        s->config.directory, (long long)s->not_kept, s->not_kept == 1 ? " was" : "s were");
	tell_not_kept(s, error);
	publish(s);
}

/* --- the face --- */

static int begin_session(struct store *s)
{
	struct store_config *c = &s->config;
	s->facts = (struct segment_facts){
	    .session = s->shelf.last_session + 1,
	    .live = c->live,
	    .engine_text = c->engine_text,
	    .engine_len = c->engine_len,
	};
	sd_id128_t boot;
	if (sd_id128_get_boot(&boot) == 0)
		memcpy(s->facts.boot_id, boot.bytes, sizeof s->facts.boot_id);
	snprintf(s->facts.source, sizeof s->facts.source, "%s", c->source);
	s->shelf.newest.session = s->facts.session;
	s->shelf.newest.earlier_session = ride_newest_session(&s->shelf);
	status_set(&s->status->session, s->facts.session);
	return open_segment(s) == 0 ? sync_all(s) : -1;
}

int store_start(struct store *s, struct fault *fault)
{
	if (shelf_open(&s->shelf, s->config.directory, fault) != 0)
		return -1;
	int bad = begin_session(s);
	publish(s);
	if (bad == 0 || s->last_error == ENOSPC || s->last_error == EDQUOT)
		return 0;
	return fault_set(fault, EX_CANTCREAT, "%s: cannot write there: %s", s->config.directory,
	                 strerror(s->last_error));
}

/* The tail holds the record already, so a failure here loses nothing. */
static void add_to_file(struct store *s, const struct record *r)
{
	bool added = segment_writer_add(s->writer, r);
	if (!added && take_blocks(s) != 0)
		return;
	if (!added)
		(void)segment_writer_add(s->writer, r); /* an empty block takes any record */
	s->handed++;
	if (!added && segment_full(s))
		rotate(s);
}

static void pause_for_disk(void)
{
	nanosleep(&(struct timespec){.tv_nsec = PAUSE_US * 1000}, NULL);
}

/* A copy in RAM; a full tail is emptied by proving what it holds. */
static bool keep_copy(struct store *s, const struct record *r)
{
	while (!tail_add(s->tail, r)) {
		if (s->out.fd >= 0 && sync_all(s) == 0)
			continue;
		if (!s->config.patient || atomic_load(s->stop))
			return false;
		pause_for_disk();
		store_turn(s);
	}
	return true;
}

bool store_add(struct store *s, const struct record *r)
{
	s->last_t_us = r->t_us;
	if (!keep_copy(s, r)) {
		s->not_kept++;
		status_add(&s->status->records_not_kept, 1);
		return false;
	}
	s->total++;
	if (s->out.fd >= 0)
		add_to_file(s, r);
	return true;
}

static bool rotation_due(const struct store *s, int64_t now)
{
	bool old = s->config.timed && s->config.segment_age_us > 0 && now >= s->rotate_us;
	return s->rotate_wanted || segment_full(s) || (old && segment_writer_records(s->writer) > 0);
}

void store_turn(struct store *s)
{
	int64_t now = clock_mono_us();
	if (s->out.fd < 0) {
		if (now >= s->retry_us)
			recover(s);
	} else if (rotation_due(s, now)) {
		rotate(s);
	} else if (s->config.timed && now >= s->sync_us) {
		(void)sync_all(s);
	} else if (s->config.timed && now >= s->write_us &&
	           segment_writer_pending(s->writer) >= WRITE_LEAST_RECORDS) {
		(void)write_all(s);
	}
	publish(s);
}

void store_rotate(struct store *s)
{
	s->rotate_wanted = true;
}

void store_source(struct store *s, const char *source)
{
	if (strncmp(s->facts.source, source, sizeof s->facts.source - 1) == 0)
		return;
	snprintf(s->facts.source, sizeof s->facts.source, "%s", source);
	s->rotate_wanted = true;
}

void store_riding(struct store *s, bool anew)
{
	struct shelf_newest *n = &s->shelf.newest;
	if (anew || n->first == 0) {
		n->first = s->facts.number;
		s->shelf.oldest_count = 0; /* what had to stay may go now */
	}
	n->last = s->facts.number;
}

static bool close_once(struct store *s)
{
	if (s->out.fd < 0)
		recover(s);
	return s->out.fd >= 0 && close_segment(s) == 0;
}

int store_close(struct store *s)
{
	bool closed = close_once(s);
	/* What can be made to wait for the disk waits at its end, too. */
	while (!closed && s->config.patient && !atomic_load(s->stop)) {
		pause_for_disk();
		closed = clock_mono_us() >= s->retry_us && close_once(s);
	}
	/* By the clock: on a slow machine each try takes its time, too. */
	for (int64_t end = clock_mono_us() + CLOSE_WITHIN_US; !closed && clock_mono_us() < end;) {
		pause_for_disk();
		closed = close_once(s);
	}
	cut_stale(s);
	int64_t waiting = (int64_t)tail_count(s->tail), lost = s->not_kept + waiting;
	struct record gap = gaps_record(GAP_DISK, s->last_t_us, lost, strerror(s->last_error));
	close_brim(s, lost > 0 ? &gap : NULL);
	publish(s);
	status_add(&s->status->records_not_kept, waiting);
	return lost > 0 ? -1 : 0;
}
