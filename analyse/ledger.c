/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/ledger.h"

#include "common/air.h"
#include "common/unit.h"

#include <math.h>

/* Share of the blow-down's pressure drop that may be left when it counts as over. */
static const double BLOWN_DOWN = 0.05;
static const double CALM_RAD = 0.04; /* 2.3 deg, either way: some five samples of a usual ride */

static const struct {
	const char *key, *name;
} LINES[LEDGER_LINES] = {
    [LEDGER_LATE_ADMISSION] = {"late_admission", "late admission"},
    [LEDGER_CUT_OFF] = {"cut_off", "cut-off"},
    [LEDGER_RELEASE] = {"release", "release"},
    [LEDGER_COMPRESSION] = {"compression", "compression"},
    [LEDGER_WIRE_DRAWING] = {"wire_drawing", "wire-drawing"},
    [LEDGER_BACK_PRESSURE] = {"back_pressure", "back pressure"},
    [LEDGER_REMAINDER] = {"remainder", "leak and heat together"},
};

const char *ledger_line_key(enum ledger_line l)
{
	return LINES[l].key;
}

const char *ledger_line_name(enum ledger_line l)
{
	return LINES[l].name;
}

static size_t insert_sorted(double *row, size_t n, double x)
{
	if (!(x > 0 && x < 2 * UNIT_PI))
		return n;
	size_t at = n;
	while (at > 0 && row[at - 1] >= x)
		at--;
	if (at < n && row[at] == x)
		return n;
	for (size_t k = n; k > at; k--)
		row[k] = row[k - 1];
	row[at] = x;
	return n + 1;
}

size_t ledger_boundaries(const struct ledger_case *c, double phi_rad[LEDGER_BOUNDARIES])
{
	const double all[LEDGER_BOUNDARIES] = {
	    c->turn_back_rad, c->intended_cut_off_rad, c->admission_rad,     c->cut_off_rad,
	    c->release_rad,   c->compression_rad,      c->next_admission_rad};
	size_t n = 0;
	for (size_t k = 0; k < LEDGER_BOUNDARIES; k++)
		n = insert_sorted(phi_rad, n, all[k]);
	return n;
}

double ledger_ideal_pa(const struct ledger_case *c, double phi_rad, double v_m3)
{
	if (phi_rad > c->turn_back_rad)
		return c->ambient_pa;
	if (v_m3 <= c->v_intended_m3)
		return c->supply_pa;
	return air_polytropic_pa(c->supply_pa, c->v_intended_m3, v_m3, c->n);
}

/* Work of the reference diagram on the working stroke from v_dead to v. */
static double forward_work_j(const struct ledger_case *c, double v_m3)
{
	double admitted = fmin(v_m3, c->v_intended_m3) - c->v_dead_m3;
	double work = c->supply_pa * admitted;
	if (v_m3 > c->v_intended_m3)
		work += air_polytropic_work(c->supply_pa, c->v_intended_m3, v_m3, c->n);
	return work;
}

double ledger_ideal_work_j(const struct ledger_case *c)
{
	return forward_work_j(c, c->v_turn_back_m3) + c->ambient_pa * (c->v_dead_m3 - c->v_turn_back_m3);
}

static double ideal_piece_j(const struct ledger_case *c, const struct indicator_node *a,
                            const struct indicator_node *b, bool working)
{
	if (working)
		return forward_work_j(c, b->v_m3) - forward_work_j(c, a->v_m3);
	return c->ambient_pa * (b->v_m3 - a->v_m3);
}

/* Both valves shut.  With p_c, V_c measured at the actual cut-off the loss is
 *   [supply (V_i/V)^n - supply (V_c/V)^n]   cut-off at another volume
 * + [supply (V_c/V)^n - p_c (V_c/V)^n]      less pressure caught
 * + [p_c (V_c/V)^n - p]                     leak and heat since. */
static void share_closed(const struct ledger_case *c, const struct indicator_node *a,
                         const struct indicator_node *b, double ideal_j, double measured_j, double *line_j)
{
	double at_a = pow(c->v_cut_off_m3 / a->v_m3, c->n);
	double unit = air_polytropic_work(at_a, a->v_m3, b->v_m3, c->n); /* of 1 Pa at V_c */
	double supply_j = c->supply_pa * unit, caught_j = c->p_cut_off_pa * unit;
	line_j[LEDGER_CUT_OFF] += ideal_j - supply_j;
	line_j[LEDGER_WIRE_DRAWING] += supply_j - caught_j;
	line_j[LEDGER_REMAINDER] += caught_j - measured_j;
}

/* Line of a piece of the working stroke by its middle angle; LEDGER_LINES = both
 * valves shut. */
static enum ledger_line working_line(const struct ledger_case *c, double phi)
{
	if (phi < c->admission_rad)
		return LEDGER_LATE_ADMISSION;
	if (phi > c->release_rad)
		return LEDGER_RELEASE;
	bool open = phi < c->cut_off_rad, ideal_open = phi < c->intended_cut_off_rad;
	if (open && ideal_open)
		return LEDGER_WIRE_DRAWING;
	if (open != ideal_open)
		return LEDGER_CUT_OFF;
	return LEDGER_LINES;
}

static enum ledger_line return_line(const struct ledger_case *c, double phi, double blown_down_rad)
{
	if (phi < c->cut_off_rad) /* the inlet is still open */
		return LEDGER_CUT_OFF;
	if (phi > c->next_admission_rad)
		return LEDGER_LATE_ADMISSION;
	if (phi > c->compression_rad)
		return LEDGER_COMPRESSION;
	return phi < blown_down_rad ? LEDGER_RELEASE : LEDGER_BACK_PRESSURE;
}

/* Highest pressure between two angles; -INFINITY where there is no node. */
static double highest_pa(const struct indicator_node *node, size_t n, double from_rad, double to_rad)
{
	double high = -INFINITY;
	for (size_t k = 0; k < n; k++)
		if (node[k].phi_rad >= from_rad && node[k].phi_rad <= to_rad)
			high = fmax(high, node[k].p_pa);
	return high;
}

/* Pressure about a node without the gauge's noise; there the chamber changes little over such an angle. */
static double calm_pa(const struct indicator_node *node, size_t n, size_t k)
{
	size_t from = k, to = k + 1;
	double sum = 0;
	while (from > 0 && node[k].phi_rad - node[from - 1].phi_rad <= CALM_RAD)
		from--;
	while (to < n && node[to].phi_rad - node[k].phi_rad <= CALM_RAD)
		to++;
	for (size_t i = from; i < to; i++)
		sum += node[i].p_pa;
	return sum / (double)(to - from);
}

static double highest_calm_pa(const struct indicator_node *node, size_t n, double from_rad, double to_rad)
{
	double high = -INFINITY;
	for (size_t k = 0; k < n; k++)
		if (node[k].phi_rad >= from_rad && node[k].phi_rad <= to_rad)
			high = fmax(high, calm_pa(node, n, k));
	return high;
}

/* Angle on the return stroke at which the blow-down is over: all but BLOWN_DOWN of the
 * drop from release to what the exhaust's own resistance keeps up, which is the highest
 * pressure of the second half of the time that it is open. */
static double blown_down_rad(const struct ledger_case *c, const struct indicator_node *node, size_t n)
{
	double start = fmax(c->release_rad, c->turn_back_rad);
	double shut = fmin(c->compression_rad, 2 * UNIT_PI);
	double kept = highest_calm_pa(node, n, 0.5 * (start + shut), shut - CALM_RAD);
	double released = highest_pa(node, n, fmin(c->release_rad, c->turn_back_rad), start);
	if (!(released > kept))
		return start;
	double threshold = kept + BLOWN_DOWN * (released - kept) + c->blown_down_pa;
	for (size_t k = 0; k < n; k++)
		if (node[k].phi_rad >= start && calm_pa(node, n, k) <= threshold)
			return node[k].phi_rad;
	return start;
}

void ledger_partition(const struct ledger_case *c, const struct indicator_node *node, size_t n,
                      double line_j[LEDGER_LINES])
{
	for (int l = 0; l < LEDGER_LINES; l++)
		line_j[l] = 0;
	double blown_down = blown_down_rad(c, node, n);
	for (size_t k = 0; k + 1 < n; k++) {
		const struct indicator_node *a = &node[k], *b = a + 1;
		double phi = 0.5 * (a->phi_rad + b->phi_rad);
		bool working = phi < c->turn_back_rad;
		double ideal = ideal_piece_j(c, a, b, working);
		double measured = indicator_work_j(a, 2);
		enum ledger_line l = working ? working_line(c, phi) : return_line(c, phi, blown_down);
		if (l == LEDGER_LINES)
			share_closed(c, a, b, ideal, measured, line_j);
		else
			line_j[l] += ideal - measured;
	}
}
