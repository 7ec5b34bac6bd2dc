/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/rehearse/gas.h"

#include "common/air.h"

/* Above this pressure ratio the flow is taken as laminar, straight in the
 * ratio: the ellipse of ISO 6358 has an infinite slope at equal pressures. */
#define LAMINAR_RATIO 0.995

struct gas gas_state(double m_kg, double u_j, double v_m3)
{
	return (struct gas){.p_pa = (AIR_GAMMA - 1) * u_j / v_m3, .t_k = u_j / (m_kg * GAS_CV)};
}

double gas_mass(double p_pa, double t_k, double v_m3)
{
	return p_pa * v_m3 / (AIR_R * t_k);
}

double gas_energy(double p_pa, double v_m3)
{
	return p_pa * v_m3 / (AIR_GAMMA - 1);
}

static double downhill(double c, double critical, struct gas up, double p_down)
{
	double ratio = p_down / up.p_pa;
	if (ratio <= LAMINAR_RATIO)
		return air_mass_flow(c, critical, up.p_pa, up.t_k, p_down);
	double edge = air_mass_flow(c, critical, up.p_pa, up.t_k, LAMINAR_RATIO * up.p_pa);
	return edge * (1 - ratio) / (1 - LAMINAR_RATIO);
}

double gas_flow(double c_m3_s_pa, double critical, struct gas a, struct gas b, struct gas_rate *ra,
                struct gas_rate *rb)
{
	if (c_m3_s_pa <= 0 || a.p_pa == b.p_pa)
		return 0;
	double q, h;
	if (a.p_pa > b.p_pa) {
		q = downhill(c_m3_s_pa, critical, a, b.p_pa);
		h = q * GAS_CP * a.t_k;
	} else {
		q = -downhill(c_m3_s_pa, critical, b, a.p_pa);
		h = q * GAS_CP * b.t_k;
	}
	ra->m -= q;
	ra->u -= h;
	rb->m += q;
	rb->u += h;
	return q;
}

double gas_settling_rate(double c_m3_s_pa, double slope)
{
	return slope * AIR_GAMMA * c_m3_s_pa * AIR_ANR_DENSITY * AIR_R * AIR_ANR_TEMPERATURE_K;
}

double gas_slope(double critical)
{
	return air_flow_function(LAMINAR_RATIO, critical) / (1 - LAMINAR_RATIO);
}
