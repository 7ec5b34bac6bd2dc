/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What really happened: tables written while the rehearsal runs, and a
 * summary at its end.
 *
 * In a directory: crank_truth.csv, valve_truth.csv, stroke_truth.csv and
 * truth.json.  Times are sender time in us, counting on through wraps and
 * resets. */
#ifndef TRAMMEL_REHEARSE_TRUTH_H
#define TRAMMEL_REHEARSE_TRUTH_H

#include "analyse/rehearse/queue.h"
#include "analyse/rehearse/settings.h"
#include "common/fault.h"

#include <stdio.h>

enum valve_event { EVENT_ADMISSION, EVENT_CUT_OFF, EVENT_RELEASE, EVENT_COMPRESSION, EVENT_COUNT };

/* A command of one valve as one end felt it. */
struct truth_event {
	unsigned valve;
	enum engine_end end;
	enum valve_event event;
	double command_us, half_open_us, theta_deg; /* the last two NAN when it did not move */
};

/* A closed loop of one end: from its own dead centre, once round. */
struct truth_stroke {
	enum engine_end end;
	long number; /* turns of the crank since the beginning */
	double start_us, end_us;
	double work_j, useful_deg, mep_bar, release_bar_gauge, air_g;
	double peak_torque_nm; /* of both ends together, by air alone */
};

struct truth_slip {
	double t_us, theta_deg, healed_us; /* healed: NAN = not before the end */
	int teeth;                         /* furthest out */
	enum cause cause;
};

#define TRUTH_SLIPS_MAX 1000 /* listed one by one; more are only counted */

struct truth_mean {
	uint64_t count, not_moved;
	double sum, sum_squares;
};

struct truth {
	FILE *crank, *valve, *stroke;
	char *dir; /* owned; NULL = summary only */
	/* counts */
	uint64_t teeth, teeth_missed, teeth_extra, edges, edges_missed, edges_extra, edges_busy;
	uint64_t index_closed, index_missed, index_extra, index_bounces, bursts, reversals;
	uint64_t edges_emitted, index_emitted, commands, samples, records_sent, records_lost;
	uint64_t slips;
	struct truth_slip slip[TRUTH_SLIPS_MAX];
	struct truth_mean delay_ms[ENGINE_VALVES_MAX][END_COUNT][EVENT_COUNT];
	uint64_t strokes[END_COUNT];
	double work_j[END_COUNT], useful_deg[END_COUNT], air_g[END_COUNT];
	double crank_turns, duration_s, rpm_min, rpm_max, vented_g;
};

/* Opens the tables in `dir` (made when missing); NULL = keep only the sums.
 * NULL with fault when a file cannot be made. */
struct truth *truth_open(const char *dir, struct fault *fault);

void truth_edge(struct truth *t, double t_us, double theta_deg, double rpm);
void truth_event(struct truth *t, const struct truth_event *e);
void truth_stroke(struct truth *t, const struct truth_stroke *s);
/* A slip begins; the same call's place is returned for healing, or NULL. */
struct truth_slip *truth_slip(struct truth *t, double t_us, double theta_deg, enum cause cause);

/* What the summary tells besides the sums. */
struct truth_facts {
	const struct engine *engine;
	const struct settings *settings;
	double index_true_deg, controller_index_deg;
	const double *pitch_error_deg;
	size_t teeth;
	double first_tooth_deg;
	double start_us;
	double reset_us; /* NAN = none */
};

/* Writes truth.json and closes the tables. */
int truth_finish(struct truth *t, const struct truth_facts *f, struct fault *fault);
void truth_free(struct truth *t);

const char *truth_event_name(enum valve_event e);

#endif
