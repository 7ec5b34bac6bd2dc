/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "common/air.h"

#include <math.h>

double air_flow_function(double ratio, double b)
{
	if (ratio >= 1)
		return 0;
	if (ratio <= b)
		return 1;
	double x = (ratio - b) / (1 - b);
	return sqrt(1 - x * x);
}

double air_mass_flow(double c_m3_s_pa, double b, double p1_pa, double t1_k, double p2_pa)
{
	if (!(p1_pa > p2_pa))
		return 0;
	double temperature = sqrt(AIR_ANR_TEMPERATURE_K / t1_k);
	return c_m3_s_pa * AIR_ANR_DENSITY * p1_pa * temperature * air_flow_function(p2_pa / p1_pa, b);
}

double air_polytropic_pa(double p1_pa, double v1_m3, double v2_m3, double n)
{
	return p1_pa * pow(v1_m3 / v2_m3, n);
}

/* Integral of (v1/v)^n dv/v1 from v1 to v2 = v1 e^L: (1 - e^-((n-1) L)) / (n-1),
 * written so that n -> 1 runs smoothly into L. */
static double expansion_integral(double log_ratio, double n)
{
	double x = (n - 1) * log_ratio;
	return x == 0 ? log_ratio : log_ratio * (-expm1(-x) / x);
}

double air_polytropic_work(double p1_pa, double v1_m3, double v2_m3, double n)
{
	return p1_pa * v1_m3 * expansion_integral(log(v2_m3 / v1_m3), n);
}

double air_cutoff_full_expansion(double supply_pa, double end_pa, double clearance_ratio, double n)
{
	return (1 + clearance_ratio) * pow(end_pa / supply_pa, 1 / n) - clearance_ratio;
}

double air_mean_forward_ratio(double cutoff, double clearance_ratio, double n)
{
	double at_cutoff = cutoff + clearance_ratio;
	if (at_cutoff <= 0) /* nothing admitted, nothing to expand */
		return 0;
	return cutoff + at_cutoff * expansion_integral(log((1 + clearance_ratio) / at_cutoff), n);
}

double air_normal_litre(double mass_kg)
{
	return mass_kg / AIR_ANR_DENSITY * 1000;
}

double air_atmosphere_pa(double height_m)
{
	/* ISO 2533, the layer with a constant temperature gradient. */
	const double t0_k = 288.15, gradient_k_m = -0.0065, gravity = 9.80665;
	if (!(height_m >= 0 && height_m <= 11000))
		return NAN;
	double t_k = t0_k + gradient_k_m * height_m;
	return AIR_ATMOSPHERE_PA * pow(t_k / t0_k, -gravity / (AIR_R * gradient_k_m));
}
