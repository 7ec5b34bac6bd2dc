/* SPDX-License-Identifier: GPL-3.0-or-later */
/* For tests of trammeld: a sender with numbered records on a pty, the recorder
 * as a child, and an account of what its log holds against what was sent. */
#ifndef TRAMMEL_LOGD_RIG_H
#define TRAMMEL_LOGD_RIG_H

#include "common/link.h"
#include "common/segment.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/types.h>

/* --- places and times --- */

/* Makes a fresh directory below $TMPDIR (or /dev/shm, or /tmp); its name goes into `path`. */
#define LOGD_RIG_PATH 256
void logd_rig_directory(char path[LOGD_RIG_PATH]);
void logd_rig_remove(const char *path);
void logd_rig_sleep_us(int64_t us);
/* Waits until `done(ctx)` or `limit_us` passed; true when it came true. */
bool logd_rig_until(bool (*done)(void *ctx), void *ctx, int64_t limit_us);
/* Writes the rig's engine file into `path`. */
void logd_rig_engine(const char *path);

/* --- the sender: record i is at time i * step --- */

#define LOGD_RIG_STEP_US 143 /* 7,000 records a second */
/* Mostly samples, one in 16 a tooth edge; the time tells the number, up to 30 million. */
struct record logd_rig_record(uint32_t serial);

struct logd_sender {
	struct link_encoder *encoder;
	uint32_t next; /* serial */
	uint64_t bytes;
	unsigned refused;         /* calls whose bytes were not all taken in time */
	int fd;                   /* pty master, or any descriptor */
	char slave[64];           /* "/dev/pts/N" */
	char name[LOGD_RIG_PATH]; /* stable name, a link to the slave; empty = none */
	int keep_open;            /* the slave, held open so that the master works without a reader */
};

/* Opens a pty and, unless `name` is NULL, makes the link `name` point to it. */
void logd_sender_open(struct logd_sender *s, enum link_kind kind, const char *name);
/* Hangs up: the far end sees what an unplugged adapter gives. */
void logd_sender_unplug(struct logd_sender *s);
/* A new pty, often with another number, under the same name. */
void logd_sender_plug(struct logd_sender *s);
void logd_sender_close(struct logd_sender *s);
/* Takes back an ended recorder's claim to be the only one.  With a real port it ends with the last
 * descriptor; here the sender holds one, and without privileges the next recorder minds. */
void logd_sender_unclaim(const struct logd_sender *s);
/* Sends n records; what the pty does not take at once is waited for, `limit_us` at most.
 * False when it was not taken. */
bool logd_sender_send(struct logd_sender *s, uint32_t n, int64_t limit_us);
/* Sends bytes as they are; as logd_sender_send. */
bool logd_sender_bytes(struct logd_sender *s, const uint8_t *bytes, size_t n, int64_t limit_us);
/* Sends at `records_s` for `us`. */
void logd_sender_run(struct logd_sender *s, double records_s, int64_t us);
/* Sends a frame that is not full yet. */
void logd_sender_flush(struct logd_sender *s);
/* Bytes of one record on the text link. */
size_t logd_rig_line_bytes(uint32_t serial);

/* --- the recorder --- */

struct logd_daemon {
	pid_t pid;
	char into[LOGD_RIG_PATH];
	char messages[LOGD_RIG_PATH]; /* file of its standard error */
};

/* The program under test: beside the tests, or $TRAMMELD. */
const char *logd_rig_program(void);
/* It is several times slower then, and has a heap that is not its own. */
bool logd_rig_sanitized(void);
/* A preload library of this build: "faults" gives .../preload_faults.so. */
void logd_rig_preload(const char *name, char path[LOGD_RIG_PATH * 2]);

/* Starts trammeld with these arguments after --into and --engine (NULL ends); `environment` is a
 * list of NAME=VALUE, NULL ends, may be NULL.  Does not wait. */
void logd_daemon_start(struct logd_daemon *d, const char *into, const char *const *environment,
                       const char *const *arguments);
/* The same, and waits for its first segment (10 s at most). */
bool logd_daemon_up(struct logd_daemon *d, const char *into, const char *const *environment,
                    const char *const *arguments);
/* The same, with every call to its disk written down in the file `trace` (tests/trace.h). */
void logd_daemon_traced(struct logd_daemon *d, const char *into, const char *trace,
                        const char *const *arguments);
/* Exit code, 128 + signal, or -1 when it did not end within the limit (then it is killed). */
int logd_daemon_wait(struct logd_daemon *d, int64_t limit_us);
/* 0 while it runs; its exit code + 0 as logd_daemon_wait once it has ended, -2 for exit code 0. */
int logd_daemon_ended(struct logd_daemon *d);
void logd_daemon_signal(const struct logd_daemon *d, int sig);
/* Ends it with SIGTERM; as logd_daemon_wait.  `took_us` may be NULL. */
int logd_daemon_stop(struct logd_daemon *d, int64_t *took_us);
/* A number or boolean of its status; NAN when it does not answer. */
double logd_daemon_status(const struct logd_daemon *d, const char *key);
/* Lines of its messages that contain `text`. */
size_t logd_daemon_said(const struct logd_daemon *d, const char *text);

/* --- the account --- */

struct logd_account {
	unsigned files, unreadable, not_closed;
	uint64_t damages;       /* stretches that the reader stepped over, cut ends left out */
	uint64_t records;       /* of the sender, each serial once */
	uint64_t twice;         /* serials met again */
	uint64_t altered;       /* a value that was never sent, or at another time */
	uint64_t missing;       /* serials jumped over */
	uint64_t missing_bytes; /* of them on the text link */
	uint32_t first, last;   /* serials */
	uint64_t gap_records[GAP_END];
	int64_t gap_amount[GAP_END];
	uint64_t number_holes; /* record numbers missing between files of a session */

	/* Where the reading stands. */
	bool any;
	uint32_t session;
	uint64_t next_number; /* record number that the next file should begin with */
};

/* Adds one segment, in order, and frees the reader; NULL counts as unreadable.  `a` begins as zeros. */
void logd_account_take(struct logd_account *a, struct segment_reader *s);

/* Reads all segments of a directory in order. */
void logd_account_read(const char *into, struct logd_account *a);

/* --- results: one line a goal --- */

struct logd_result {
	const char *goal, *what;
	uint64_t trials, failures;
	double worst;
	const char *unit; /* of worst */
	char note[300];
};

/* Prints; returns 1 when there were failures or no trial, else 0. */
int logd_result_print(const struct logd_result *r);
/* Counts a failed trial and says why on standard error. */
void logd_result_fail(struct logd_result *r, const char *format, ...) __attribute__((format(printf, 2, 3)));
void logd_result_worst(struct logd_result *r, double value);

#endif
