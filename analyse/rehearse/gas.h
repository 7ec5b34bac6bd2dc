/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Air in a volume, by mass and internal energy (ideal gas, constant specific
 * heats), and what flows between volumes.  Both balances are kept, so the
 * temperature is a state and nothing is polytropic here. */
#ifndef TRAMMEL_REHEARSE_GAS_H
#define TRAMMEL_REHEARSE_GAS_H

#define GAS_CV (287.05287 / 0.4) /* J/(kg K): R/(gamma - 1), ISO 2533 */
#define GAS_CP (287.05287 * 1.4 / 0.4)

struct gas {
	double p_pa, t_k;
};

/* Rates of one volume: kg/s and W. */
struct gas_rate {
	double m, u;
};

/* Pressure and temperature of mass m_kg with internal energy u_j in v_m3. */
struct gas gas_state(double m_kg, double u_j, double v_m3);

/* Mass and internal energy that give this pressure and temperature. */
double gas_mass(double p_pa, double t_k, double v_m3);
double gas_energy(double p_pa, double v_m3);

/* Flow from a to b (negative: from b to a) through sonic conductance
 * c_m3_s_pa and critical ratio b, ISO 6358; near equal pressures it is
 * proportional to the difference, as in the laminar range.  Subtracts mass
 * and enthalpy from `ra` and adds them to `rb`; returns kg/s. */
double gas_flow(double c_m3_s_pa, double critical, struct gas a, struct gas b, struct gas_rate *ra,
                struct gas_rate *rb);

/* How fast pressures settle, 1/s in a volume of 1 m3 at 20 degC, when the flow
 * falls by `slope` of its choked value as the ratio rises by 1. */
double gas_settling_rate(double c_m3_s_pa, double slope);

/* The steepest such slope of gas_flow, near equal pressures. */
double gas_slope(double critical);

#endif
