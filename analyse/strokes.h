/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Strokes: useful angle, work, where the work went.
 *
 * A stroke of an end is one turn from that end's own dead centre (volume
 * least): working stroke out, return stroke back.  Work is the closed loop of
 * the indicator diagram over that turn, with dead centres, events and samples
 * as nodes.  Useful angle: degrees of the 180 of the working stroke over which
 * the end's gauge pressure is at least 10 % of the supply's and its torque is positive. */
#ifndef TRAMMEL_STROKES_H
#define TRAMMEL_STROKES_H

#include "analyse/speed_line.h"
#include "analyse/valve_events.h"

enum ledger_line {
	LEDGER_LATE_ADMISSION,
	LEDGER_CUT_OFF,
	LEDGER_RELEASE,
	LEDGER_COMPRESSION,
	LEDGER_WIRE_DRAWING,
	LEDGER_BACK_PRESSURE,
	LEDGER_REMAINDER, /* leak, heat, what no event explains */
	LEDGER_LINES
};
const char *ledger_line_key(enum ledger_line l);  /* "late_admission" */
const char *ledger_line_name(enum ledger_line l); /* "late admission" */

struct stroke {
	uint8_t end;
	int64_t number; /* turn */
	double t_start_us, t_end_us;
	double omega_rad_s; /* mean */
	double supply_pa;   /* absolute, mean over the working stroke */
	double work_j, work_sd_j;
	double ideal_work_j; /* NAN when no ideal can be drawn */
	double useful_rad;
	double mep_pa;
	double release_pa;   /* absolute, at release; NAN */
	double air_kg;       /* NAN */
	double air_doubt_kg; /* half of its 95 % interval, mostly alike in every stroke; see stroke_air.h */
	double peak_force_n;
	double peak_torque_nm,
	    peak_torque_sd_nm;         /* on the crank, both ends together; NAN: not all measured */
	double loop_gap_j;             /* how far the loop is from closing, as work; 0 when closed */
	double ledger_j[LEDGER_LINES]; /* sums to ideal - work; NAN when no ideal */
	double ledger_gap_j;           /* by how much it does not, a matter of rounding; NAN when no ideal */
	bool apart;                    /* not of the part of the ride that was asked for */
	const char *flag;              /* "" or why the stroke is left out of means; static text */
};

#define STROKE_REASONS 8
struct stroke_reason {   /* why strokes were left out, by the row's flag */
	const char *why; /* static text; NULL = no more */
	unsigned n;
};

struct stroke_summary {
	unsigned count, left_out;
	struct stroke_reason reason[STROKE_REASONS];
	double omega_rad_s, supply_pa;    /* mean of the strokes counted; supply absolute */
	double supply_k;                  /* its temperature */
	double useful_rad, useful_sd_rad; /* likewise */
	double useful_fraction, useful_fraction_work;
	double mep_sd_pa, release_sd_pa; /* likewise */
	double work_j, work_sd_j;        /* mean of the ride's strokes, and how well it is measured: noise,
	                                    angle, sensor lag; a gain error of the gauge is not in it */
	double work_spread_j;            /* sd from stroke to stroke */
	double useful_spread_rad;
	/* Over mean speed (rad/s), for comparing rides. */
	struct speed_line work_line, useful_line, factor_line, air_line;
	double ideal_work_j, diagram_factor, mep_pa, release_pa, air_kg, peak_force_n;
	double air_error_kg;  /* half of the 95 % interval of air_kg; alike at both ends */
	unsigned air_unknown; /* strokes not in air_kg: air may have gone straight through */
	double ledger_j[LEDGER_LINES];
	/* How well they are known: the events' instants, the angle, the gauges' zeros, noise; a gain error of
	   a gauge is not in it.  The ideal is that of the supply measured and the cut-off intended. */
	double ledger_sd_j[LEDGER_LINES], ideal_sd_j, diagram_factor_sd;
	/* The worst of the strokes counted: how far the loop is from closing, as part of its work; how far
	   the ledger is from adding up, as part of the ideal work (NAN when no ideal). */
	double loop_gap, ledger_gap;
};

#define LEDGER_GAP_MAX 1e-9 /* of the ideal work: more is no rounding */

#define STROKE_USEFUL_SHARE 0.10 /* of the supply's gauge pressure: from here on the air pushes */

struct strokes; /* opaque */
struct strokes *strokes_new(const struct engine *e, const struct mech *m);
void strokes_free(struct strokes *s);

/* From now on only strokes that this accepts go into means, diagrams and summaries, and become
 * rows (a part of a ride); the air that all take is still reckoned. */
typedef bool (*stroke_counts)(void *ctx, const struct stroke *row);
void strokes_count_only(struct strokes *s, stroke_counts counts, void *ctx);

/* The strokes that begin in the leg's core.  Rows owned by `s`, valid until the next call. */
int strokes_measure(struct strokes *s, const struct leg *leg, const struct crank *c,
                    const struct valve_event *events, size_t n_events, const struct gas_model *gas,
                    const struct stroke **rows, size_t *n, struct fault *fault);

/* Over the ride, by end.  count 0 where the end has no sensor. */
void strokes_finish(const struct strokes *s, struct stroke_summary out[END_COUNT]);

/* The most torque of a turn, by air alone, over the turns counted. */
struct torque_summary {
	unsigned turns;
	double mean_nm, mean_sd_nm; /* NAN; sd: how well it is measured, alike in every turn */
	double most_nm;             /* of the ride */
};
void strokes_torque(const struct strokes *s, struct torque_summary *out);

/* Mean indicator diagram of an end: pressure by angle past the end's dead
 * centre, STROKE_BINS bins of a turn; NAN where nothing was measured. */
#define STROKE_BINS 360
struct stroke_diagram {
	double measured_pa[STROKE_BINS];
	double ideal_pa[STROKE_BINS];
	double supply_pa[STROKE_BINS];
};
void strokes_diagram(const struct strokes *s, enum engine_end end, struct stroke_diagram *out);

/* Remarks in plain words, NULL after the last. */
const char *strokes_remark(const struct strokes *s, size_t i);

#endif
