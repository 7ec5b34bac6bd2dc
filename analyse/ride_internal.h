/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Inside of a ride, shared by ride.c (the legs) and ride_open.c (which ride of the log it is). */
#ifndef TRAMMEL_RIDE_INTERNAL_H
#define TRAMMEL_RIDE_INTERNAL_H

#include "analyse/ride.h"
#include "analyse/ride_list.h"

#include <pthread.h>

#define REMARKS_MAX 8
#define REMARK_MAX 240

/* Growing columns of the leg. */
struct columns {
	size_t tooth, tooth2, index, command, arrival, note;
	size_t sensor[ENGINE_SENSORS_MAX];
};

/* A leg and the room of its columns. */
struct store {
	struct leg leg;
	struct columns room;
};

/* The next leg, read by a thread of its own while the caller works on this one. */
struct fetch {
	bool started, threaded;
	pthread_t thread;
	int got; /* as ride_next_leg answers */
	struct fault fault;
	ride_leg_work work; /* NULL = only read it */
	void *ctx;
};

struct ride {
	struct log *log;
	struct timeline *timeline;
	struct engine engine;
	char name[256];
	char path[4096];            /* of the log */
	unsigned number;            /* asked for; 0 = the newest */
	uint64_t begin, end;        /* ordinals */
	struct ride_lister *lister; /* NULL = the rides of the log are known, and this one is chosen */
	char remark[REMARKS_MAX][REMARK_MAX];
	size_t remarks;

	struct store store[2];      /* one is the caller's, one is being filled */
	struct store *fill, *given; /* given: the caller's */
	struct fetch fetch;
	struct timeline_record held; /* first record of the next leg */
	char held_text[RECORD_TEXT_MAX];
	bool has_held, ended, any;
	size_t leg_records;
	unsigned epoch;
	struct ride_counts counts; /* up to the caller's leg */
	struct ride_counts read;   /* up to the leg being filled */
	bool epoch_timed;          /* a record of this epoch had a time */
	int64_t epoch_first_us;
};

/* Ends the reader's thread, if one is at work. */
void ride_fetch_wait(struct ride *r);

/* --- ride_open.c --- */
/* Reads on to the end of the log, where it is not there yet, and chooses the ride that was asked for: the
 * newest if none was.  Nothing is listed any more then.  0; -1 with fault. */
int ride_choose(struct ride *r, struct fault *fault);

#endif
