/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The loss ledger: where the work of one stroke went.
 *
 * The reference diagram: supply pressure from the dead centre to the intended
 * cut-off, expansion p V^n = const to the other dead centre, the return stroke
 * at ambient, no compression.  Each piece (p_ideal - p) dV of the difference
 * to the measured diagram goes to the line whose event rules at that angle:
 *
 *   dead centre .. inlet opens          late admission
 *   inlet open, ideal also admitting    wire-drawing (supply drop included)
 *   between intended and actual cut-off cut-off (negative when late: it gains
 *                                       work and costs air)
 *   both shut                           carried from cut-off: volume -> cut-off,
 *                                       pressure -> wire-drawing; what is then
 *                                       left -> remainder (leak, heat)
 *   exhaust open .. dead centre         release (early)
 *   dead centre .. blown down           release (late)
 *   blown down .. exhaust shuts         back pressure
 *   exhaust shut .. dead centre         compression
 *   inlet open before dead centre       late admission (that is: its setting)
 *
 * The partition is exact, so the lines add up to ideal minus measured. */
#ifndef TRAMMEL_LEDGER_H
#define TRAMMEL_LEDGER_H

#include "analyse/indicator.h"
#include "analyse/strokes.h"

/* Angles past the end's own dead centre, rad. */
struct ledger_case {
	double supply_pa, ambient_pa; /* absolute */
	double n;                     /* index of expansion */
	double turn_back_rad;         /* the other dead centre, about pi */
	double intended_cut_off_rad;
	double admission_rad; /* inlet opens; turn_back_rad or more: it never did */
	double cut_off_rad;
	double release_rad;
	double compression_rad;    /* exhaust shuts, about 2 pi */
	double next_admission_rad; /* inlet opens again; below 2 pi = before dead centre */
	double v_dead_m3, v_turn_back_m3;
	double v_intended_m3;              /* volume at the intended cut-off */
	double v_cut_off_m3, p_cut_off_pa; /* measured, at the actual cut-off */
	double blown_down_pa; /* the blow-down counts as over so much higher: 0, but for asking what if */
};

/* Boundaries that should be nodes of the diagram, so that no piece straddles two
 * lines.  Sorted, inside (0, 2 pi); returns how many. */
#define LEDGER_BOUNDARIES 7
size_t ledger_boundaries(const struct ledger_case *c, double phi_rad[LEDGER_BOUNDARIES]);

/* Pressure of the reference diagram, Pa. */
double ledger_ideal_pa(const struct ledger_case *c, double phi_rad, double v_m3);

/* Work of the whole reference diagram, J. */
double ledger_ideal_work_j(const struct ledger_case *c);

/* Fills the lines, J.  Nodes run from phi 0 to 2 pi. */
void ledger_partition(const struct ledger_case *c, const struct indicator_node *node, size_t n,
                      double line_j[LEDGER_LINES]);

#endif
