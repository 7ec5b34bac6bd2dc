/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The indicator diagram as a row of nodes: work, whether the loop closes, and
 * over how much of an angle a quantity stays above a threshold. */
#ifndef TRAMMEL_INDICATOR_H
#define TRAMMEL_INDICATOR_H

#include <stdbool.h>
#include <stddef.h>

struct indicator_node {
	double phi_rad; /* crank angle past the end's own dead centre, rising */
	double v_m3;
	double p_pa;
};

struct indicator_loop {
	double work_j; /* > 0: the gas does work */
	double gap_j;  /* how far the loop is from closing: (largest - least pressure) times
	                  the volume between last and first node */
	bool closed;   /* gap at most INDICATOR_GAP_MAX of the work */
};

#define INDICATOR_GAP_MAX 0.01

/* Work over the nodes, sum of (p_k + p_k+1)/2 (V_k+1 - V_k): the trapezium rule
 * over volume, exact for straight lines between nodes.  J. */
double indicator_work_j(const struct indicator_node *node, size_t n);

/* The loop through the nodes and straight back from the last to the first, so
 * that a zero error of the gauge cancels.  Fewer than 3 nodes: all zero, not closed. */
void indicator_loop(const struct indicator_node *node, size_t n, struct indicator_loop *out);

/* Length of [x0, x1] over which the straight line from y0 to y1 is >= 0, with
 * the crossing interpolated. */
double indicator_span_above(double x0, double y0, double x1, double y1);

/* Change of the work of a closed loop when every angle is shifted, J/rad: minus the sum of
 * (dV/dphi) dp, slopes taken from the nodes. */
double indicator_work_per_rad(const struct indicator_node *node, size_t n);

#endif
