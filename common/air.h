/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Air: gas constants, polytropic change, ISO 6358 flow, reference atmosphere. */
#ifndef TRAMMEL_AIR_H
#define TRAMMEL_AIR_H

#define AIR_R 287.05287       /* J/(kg K), ISO 2533 */
#define AIR_GAMMA 1.4         /* ISO 2533 */
#define AIR_ANR_DENSITY 1.185 /* kg/m3, ISO 8778: 100 kPa, 20 degC, 65 % RH */
#define AIR_ANR_TEMPERATURE_K 293.15
#define AIR_ATMOSPHERE_PA 101325.0

/* ISO 6358 flow function phi(p2/p1), 1 when choked, 0 at ratio >= 1:
 * sqrt(1 - ((r - b)/(1 - b))^2) for r > b. */
double air_flow_function(double ratio, double b);

/* Mass flow, kg/s, from p1_pa, t1_k (upstream) to p2_pa through sonic
 * conductance c_m3_s_pa (m3/(s Pa), ANR) and critical ratio b:
 * q = C rho0 p1 sqrt(T0/T1) phi.  0 unless p1 > p2. */
double air_mass_flow(double c_m3_s_pa, double b, double p1_pa, double t1_k, double p2_pa);

/* p2 = p1 (v1/v2)^n. */
double air_polytropic_pa(double p1_pa, double v1_m3, double v2_m3, double n);

/* Work done by the gas from v1 to v2 along p v^n = const, J; n = 1 limit. */
double air_polytropic_work(double p1_pa, double v1_m3, double v2_m3, double n);

/* Fraction of the stroke at cut-off for expansion of supply to `end_pa` at
 * stroke end: (1 + c)(end/supply)^(1/n) - c; c = clearance / swept.  May be <= 0. */
double air_cutoff_full_expansion(double supply_pa, double end_pa, double clearance_ratio, double n);

/* Forward mean pressure over supply pressure with cut-off fraction c,
 * clearance ratio k, expansion index n: c + (c + k) E. */
double air_mean_forward_ratio(double cutoff, double clearance_ratio, double n);

/* kg of air to normal litres (ANR, ISO 8778). */
double air_normal_litre(double mass_kg);

/* ISO 2533 atmosphere pressure at a height, Pa (0..11 000 m). */
double air_atmosphere_pa(double height_m);

#endif
