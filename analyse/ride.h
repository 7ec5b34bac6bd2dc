/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The ride: segments in, legs out.
 *
 * A ride is read as a row of legs.  A leg holds at most about half a million
 * records in columns, times unwrapped, samples turned into SI by the engine
 * file.  It answers for its core [core_from_us, core_to_us); what lies outside
 * the core is context shared with its neighbours, so that every stage can
 * look a few turns back and ahead.  The next leg is read while the caller works
 * on this one: memory is that of two legs whatever the length of the ride; short
 * rides are one leg.  A second pass is a rewind. */
#ifndef TRAMMEL_RIDE_H
#define TRAMMEL_RIDE_H

#include "common/engine.h"
#include "common/fault.h"
#include "common/record.h"
#include "common/segment.h"

/* t_us everywhere: sender time in us, unwrapped: the first record keeps its
 * own 32-bit value, later ones count on through the counter's wraps. */
struct ride_edge {
	int64_t t_us;
	uint8_t level;
};

struct ride_command {
	int64_t t_us;
	double intended_rad;   /* NAN = neither sent nor in the engine file */
	double controller_rad; /* NAN = not sent */
	uint8_t valve;
	bool on;
};

struct ride_series { /* one sensor channel */
	size_t n;
	int64_t *t_us; /* rising */
	float *value;  /* SI (Pa absolute, V, fraction) */
	uint16_t *counts;
};

struct ride_arrival {
	int64_t t_us;
	int64_t host_us;
};

struct ride_note { /* gap, lost, alarm, mark */
	int64_t t_us;
	int64_t value;
	uint8_t kind; /* enum record_kind */
	uint8_t reason;
	char text[RECORD_TEXT_MAX + 1];
};

struct leg {
	unsigned number;        /* from 0 */
	unsigned epoch;         /* rises when the sender's clock started again */
	bool continues;         /* overlaps the previous leg; same epoch */
	int64_t from_us, to_us; /* first and last record */
	int64_t core_from_us, core_to_us;
	size_t tooth_n, tooth2_n, index_n, command_n, arrival_n, note_n;
	struct ride_edge *tooth, *tooth2, *index; /* rising in time */
	struct ride_command *command;
	struct ride_arrival *arrival;
	struct ride_note *note;
	struct ride_series sensor[ENGINE_SENSORS_MAX]; /* by ADC channel */
};

struct ride_counts { /* over the ride; complete after the last leg */
	uint64_t records, lost, damaged_bytes, gaps;
	uint64_t backwards; /* records whose time went backwards, left out */
	uint64_t outliers;  /* records with an impossible time, left out */
	uint64_t resets, wraps;
	uint64_t log_damaged_bytes, log_records_lost;
	bool timed; /* at least one record had a time: the next two stand */
	int64_t first_t_us, last_t_us;
	double duration_s; /* sum over epochs */
};

struct ride; /* opaque */

/* A ride as listed by `trammel runs`. */
struct ride_listing {
	unsigned number;            /* from 1 */
	double start_s, duration_s; /* of the log; sender time */
	uint64_t records, teeth, commands, samples;
	int64_t start_utc_us; /* 0 = unknown */
	char name[ENGINE_NAME_MAX + 1];
};

/* Opens RUN: a directory of segments, one *.tram file, or either followed by
 * "@N" for its N-th ride.  Without @N a log with several rides gives the
 * newest, and `ride_note_of` says so.  `engine_override` (may be NULL) is used
 * instead of the engine file in the log.  NULL with fault. */
struct ride *ride_open(const char *run, const char *engine_override, double rest_s, struct fault *fault);
/* The same without reading the log through: which rides it holds shows while the first is read.  Where it
 * proves not to be the newest the legs begin anew, with leg number 0 of the newest, and what the caller made
 * of those before is to be forgotten.  A log without records is a fault of ride_next_leg then. */
struct ride *ride_open_unlisted(const char *run, const char *engine_override, double rest_s,
                                struct fault *fault);
/* Lists the rides now, if that is not done yet.  1: what was read was of an older ride; 0; -1 with fault.
 * Back at the first leg, where anything was to be listed. */
int ride_settle(struct ride *r, struct fault *fault);
void ride_close(struct ride *r);

/* Next leg into the ride's own storage (valid until the next call).  1; 0 at
 * the end of the ride; -1 with fault. */
int ride_next_leg(struct ride *r, const struct leg **leg, struct fault *fault);
/* Back to the first leg. */
void ride_rewind(struct ride *r);

/* What is to be done with each leg as soon as it is read, in their order: beside the caller's work on the leg
 * before, so that it must touch nothing that this work touches.  0; -1 with fault, which ride_next_leg then
 * tells.  Goes back to the first leg, as ride_rewind does; NULL = no more work. */
typedef int (*ride_leg_work)(void *ctx, const struct leg *leg, struct fault *fault);
void ride_each_leg(struct ride *r, ride_leg_work work, void *ctx);

const struct engine *ride_engine(const struct ride *r);
const struct segment_facts *ride_facts(const struct ride *r);
const struct ride_counts *ride_counts(const struct ride *r);
/* RUN without directories in front. */
const char *ride_name(const struct ride *r);
/* Remarks on opening ("the log holds 3 rides; ..."), NULL-terminated order 0.. */
const char *ride_remark(const struct ride *r, size_t i);

/* The rides of a log. Number of rides, or -1 with fault; *list is malloc'd. */
int ride_list(const char *run, double rest_s, struct ride_listing **list, struct fault *fault);

/* First element of a rising time column that is >= t (n when none). */
size_t ride_lower_bound(const int64_t *t_us, size_t n, int64_t t);

/* Were records lost on the way (by the sender, the link or the recorder) between
 * two times?  Who lost them says so a little later; LEG_LOST_SAID_US is allowed. */
#define LEG_LOST_SAID_US 150000
bool leg_lost_between(const struct leg *leg, int64_t from_us, int64_t to_us);

/* Linear interpolation in a series; NAN when t lies outside it or in a hole
 * longer than max_hole_us. */
double ride_series_at(const struct ride_series *s, double t_us, double max_hole_us);

#endif
