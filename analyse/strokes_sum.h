/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Sums over the strokes of one end: means for the report, mean diagram. */
#ifndef TRAMMEL_STROKES_SUM_H
#define TRAMMEL_STROKES_SUM_H

#include "analyse/ledger_doubt.h"
#include "analyse/mean_tally.h"
#include "analyse/stroke_nodes.h"

struct strokes_sum { /* zero before the first stroke */
	unsigned left_out;
	struct stroke_reason reason[STROKE_REASONS];
	struct mean_tally work, useful, mep, release, air, air_doubt, supply_k, supply, omega;
	struct speed_sums work_line, useful_line, factor_line, air_line;
	unsigned air_unknown; /* strokes through which air may have gone straight */
	double through_kg;    /* at most, of them together */
	double peak_force_n;
	double angle_shift_j;                 /* sum of |dW/dphi| sd(phi), phi off alike in every stroke */
	double angle_sd_rad, useful_zero_rad; /* sums */
	double zero_sd_pa;                    /* of the gauge */
	double noise_j2;
	size_t with_ideal;
	double ideal_j, work_with_ideal_j;
	double ledger_j[LEDGER_LINES];
	struct ledger_change doubt[LEDGER_DOUBTS]; /* sums over the strokes looked at for it */
	size_t doubted;
	double loop_gap, ledger_gap; /* worst */
	double intended_cut_off_rad; /* sum */
	double measured_pa[STROKE_BINS], supply_pa[STROKE_BINS];
	unsigned measured_n[STROKE_BINS], supply_n[STROKE_BINS];
};

struct stroke_extra { /* what the sums need beside the row */
	double intended_cut_off_rad, angle_sd_rad, angle_shift_j, noise_j;
	double useful_zero_rad; /* change of the useful angle by a zero off by its sd */
	double zero_sd_pa;
	struct ledger_case ledger; /* where the row has an ideal */
};

void strokes_sum_add(struct strokes_sum *s, const struct stroke *row, const struct stroke_extra *extra);
/* Adds the row's air, once its temperature is known. */
void strokes_sum_air(struct strokes_sum *s, const struct stroke *row, double supply_k);
/* How the ledger of a stroke moves with what it stands on. */
void strokes_sum_doubt(struct strokes_sum *s, const struct ledger_change change[LEDGER_DOUBTS]);
/* Adds the samples of a stroke to the mean diagram. */
void strokes_sum_nodes(struct strokes_sum *s, const struct stroke_nodes *nodes);
void strokes_sum_summary(const struct strokes_sum *s, const struct mech *m, enum engine_end end,
                         struct stroke_summary *out);
void strokes_sum_diagram(const struct strokes_sum *s, const struct mech *m, enum engine_end end,
                         double ambient_pa, double n, struct stroke_diagram *out);

/* Crank angle of the end's working stroke: pi, but for an offset crosshead. */
double strokes_turn_back_rad(const struct mech *m, enum engine_end end);

#endif
