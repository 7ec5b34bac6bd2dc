/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Closed forms of the ideal diagram of one end, per swept volume: supply
 * pressure to cut-off, expansion p V^n, ambient on the way back until the
 * exhaust shuts, compression p V^n into the clearance, no throttling.
 *
 *   mep = p_s x + [p_s (k + x) - p_e (1 + k)] / (n - 1)
 *         - p_b (1 - y) - [p_c k - p_b (k + y)] / (n - 1)
 *   air = [p_s x + (p_s - p_c) k / g] / (R T)
 *
 * x = fraction of the stroke at cut-off, y = fraction of the return stroke left
 * when the exhaust shuts, k = clearance / swept, p_e and p_c the ends of
 * expansion and compression.  The air follows from the energy balance of
 * filling: g = AIR_GAMMA without heat from the walls, 1 with so much that it
 * stays at supply temperature; the truth lies between. */
#ifndef TRAMMEL_PLAN_IDEAL_H
#define TRAMMEL_PLAN_IDEAL_H

struct plan_ideal {
	double supply_pa, ambient_pa, air_k; /* absolute */
	double clearance_ratio;              /* k */
	double n;                            /* of expansion and compression */
	double fill;                         /* g: 1 .. AIR_GAMMA */
	double friction_pa;                  /* mean pressure lost to friction, taken from the work */
};

struct plan_ideal_point {
	double x, y;
	double mep_pa; /* before friction */
	double air_kg_m3;
	double economy_j_kg; /* (mep - friction) / air */
	double end_pa;       /* at the end of expansion */
	double compression_pa;
};

/* The diagram with this x and y (fractions 0..1; x + k > 0). */
struct plan_ideal_point plan_ideal_at(const struct plan_ideal *d, double x, double y);

/* Cut-off at which expansion ends at ambient.  x <= 0: the air left in the
 * clearance over-expands by itself. */
double plan_ideal_full_expansion(const struct plan_ideal *d);

/* Largest y: compression reaches the supply pressure. */
double plan_ideal_most_compression(const struct plan_ideal *d);

/* Most work per air, net of friction; y searched too when `compress`. */
struct plan_ideal_point plan_ideal_economy(const struct plan_ideal *d, int compress);

/* Stroke fraction at which the charge has fallen to ambient; 1 when it never
 * does.  What comes after is work lost. */
double plan_ideal_reaches_ambient(const struct plan_ideal *d, double x);

/* Turns a tank gives from p_full_pa down to p_empty_pa.  A tank that cools as it
 * empties gives less before it is warm again: *low with adiabatic air in the tank,
 * *high with air that keeps its temperature. */
void plan_ideal_tank_turns(double tank_m3, double p_full_pa, double p_empty_pa, double air_k,
                           double air_kg_per_turn, double *low, double *high);

#endif
