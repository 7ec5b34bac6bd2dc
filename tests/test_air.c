/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "common/air.h"

#include <check.h>
#include <math.h>
#include <stdlib.h>

#define CRITICAL 0.5282817877 /* (2/2.4)^3.5, NACA Report 1135, gamma 1.4 */
#define ROWS(t) (sizeof(t) / sizeof *(t))
#define LITRE_S_BAR 1e-8 /* dm3/(s bar) in m3/(s Pa), ISO 6358-1 */

/* Relative comparison that names its source. */
static void expect(double got, double want, double relative, const char *source)
{
	ck_assert_msg(fabs(got - want) <= relative * fabs(want), "%.9g, but %s says %.9g", got, source, want);
}

/* NACA Report 1135 (1953), Table I, gamma 1.4: M, p/pt, rho/rhot, A/A*; rows
 * confirmed in the Aeronautical Engineer's Data Book, table A4.1. */
static const double naca[][4] = {
    {0.05, .99825, .99875, 11.59144}, {0.10, .99303, .99502, 5.82183}, {0.20, .97250, .98028, 2.96352},
    {0.30, .93947, .95638, 2.03507},  {0.40, .89561, .92427, 1.59014}, {0.50, .84302, .88517, 1.33984},
    {0.60, .78400, .84045, 1.18820},  {0.70, .72093, .79158, 1.09437}, {0.80, .65602, .73999, 1.03823},
    {0.90, .59126, .68704, 1.00886},  {1.00, .52828, .63394, 1.00000},
};

START_TEST(adiabatic_pressure_follows_naca_1135)
{
	const double *row = naca[_i];
	double ratio = air_polytropic_pa(1, row[2], 1, AIR_GAMMA);
	ck_assert_double_eq_tol(ratio, row[1], 1.5e-5); /* two roundings of 5 figures */
}
END_TEST

START_TEST(ellipse_stays_near_the_nozzle_of_naca_1135)
{
	const double *row = naca[_i];
	/* Mass flow relative to choked is the inverse of A/A*; the ellipse stays within .3 %. */
	double rounding = 1e-5 / fmax(1 - row[1], 1e-3);
	expect(air_flow_function(row[1], CRITICAL), 1 / row[3], .003 + rounding, "NACA Report 1135, A*/A");
}
END_TEST

START_TEST(ellipse_against_the_nozzle_function)
{
	/* r, ellipse with b = .5283, true subsonic nozzle function: closed forms. */
	static const double rows[][3] = {{.6, .98838, .98859},
	                                 {.7, .93140, .93222},
	                                 {.8, .81745, .81880},
	                                 {.9, .61567, .61715},
	                                 {.95, .44807, .44929}};
	for (size_t i = 0; i < ROWS(rows); i++) {
		double phi = air_flow_function(rows[i][0], .5283);
		ck_assert_double_eq_tol(phi, rows[i][1], 1e-5);
		expect(phi, rows[i][2], .003, "isentropic nozzle function, gamma 1.4");
	}
}
END_TEST

START_TEST(flow_function_exact_values)
{
	ck_assert_double_eq_tol(air_flow_function(.8, .2), sqrt(7) / 4, 1e-12);
	ck_assert_double_eq_tol(air_flow_function(.8, .5), .8, 1e-12);
	ck_assert_double_eq(air_flow_function(.3, .3), 1);
	ck_assert_double_eq(air_flow_function(0, .3), 1);
	ck_assert_double_eq(air_flow_function(1, .3), 0);
	ck_assert_double_eq(air_flow_function(1.2, .3), 0);
}
END_TEST

START_TEST(flow_function_examples_iso_6358)
{
	/* Worked examples to ISO 6358:1989, b = .3; printed 96, 82, 62, 37 %. */
	static const double rows[][2] = {
	    {.5, .9583}, {.7, .8207}, {.85, .6186}, {.95, .3712}, {5.013 / 7.013, .80550}};
	for (size_t i = 0; i < ROWS(rows); i++)
		ck_assert_double_eq_tol(air_flow_function(rows[i][0], .3), rows[i][1], 6e-5);
}
END_TEST

/* Volume flow, normal litres a minute, of a valve at 20 degC. */
static double litre_min(double c_litre, double b, double p1_bar, double p2_bar)
{
	double q = air_mass_flow(c_litre * LITRE_S_BAR, b, p1_bar * 1e5, 293.15, p2_bar * 1e5);
	return air_normal_litre(q) * 60;
}

START_TEST(volume_flow_examples_iso_6358)
{
	const char *source = "worked example to ISO 6358:1989";
	expect(litre_min(2, .3, 7.013, 1.013), 841.56, 1e-5, source);
	expect(litre_min(2, .3, 7.013, 5.013), 677.878, 1e-5, source);
	expect(litre_min(1.5, .3, 6.013, 1.013), 541.17, 1e-5, source);
	expect(litre_min(3, .3, 6.013, 1.013), 1082.34, 1e-5, source);
	/* Identified from 600 L/min to atmosphere and 360 L/min from 7.013 to 6.013. */
	expect(litre_min(1.42593, .287038, 7.013, 1.013), 600, 1e-5, source);
	expect(litre_min(1.42593, .287038, 7.013, 6.013), 360, 1e-5, source);
}
END_TEST

START_TEST(mass_flow_examples)
{
	expect(air_mass_flow(2e-8, .3, 7.013e5, 293.15, 1.013e5), 16.6208e-3, 1e-5,
	       "ISO 6358 worked example");
	expect(air_mass_flow(1e-8, .35, 7e5, 293.15, 1e5), 8.2950e-3, 1e-5, "ISO 6358, rho0 1.185");
	/* A hole of 1 mm2 effective: 5.0202 mm2 of ideal nozzle make 1 dm3/(s bar). */
	double hole = air_mass_flow(LITRE_S_BAR / 5.0202, CRITICAL, 7e5, 293.15, 101325);
	expect(hole, 1.65231e-3, 5e-3, "choked nozzle, K A p0/sqrt(T0)");
	expect(air_normal_litre(hole) * 60, 83.66, 5e-3, "printed as about 84 L/min (ANR)");
	expect(hole, .0404147 * 1e-6 * 7e5 / sqrt(293.15), 2e-4, "K = .0404147 s sqrt(K)/m, choked flow");
}
END_TEST

START_TEST(warm_air_flows_less)
{
	double cold = air_mass_flow(1e-8, .3, 7e5, 293.15, 1e5);
	/* Volume at the inlet temperature, ISO 6358: sqrt(T0/T1). */
	ck_assert_double_eq_tol(air_mass_flow(1e-8, .3, 7e5, 333.15, 1e5) / cold, .93805, 1e-5);
	ck_assert_double_eq_tol(air_mass_flow(1e-8, .3, 7e5, 353.15, 1e5) / cold, .91110, 1e-5);
}
END_TEST

START_TEST(no_flow_without_a_pressure_drop)
{
	ck_assert_double_eq(air_mass_flow(1e-8, .3, 1e5, 293.15, 1e5), 0);
	ck_assert_double_eq(air_mass_flow(1e-8, .3, 1e5, 293.15, 2e5), 0);
	ck_assert_double_eq(air_mass_flow(1e-8, .3, NAN, 293.15, 2e5), 0);
}
END_TEST

START_TEST(choking_begins_where_published)
{
	/* NACA Report 1135: upstream/downstream 1.8929 at the critical ratio; a
	 * rule met in the trade, "choked above .83 bar absolute upstream", is wrong. */
	double choked = air_mass_flow(1e-8, CRITICAL, 1.9e5, 293.15, 1e5);
	ck_assert_double_eq_tol(choked, air_mass_flow(1e-8, CRITICAL, 1.9e5, 293.15, 0), 1e-18);
	ck_assert_double_lt(air_mass_flow(1e-8, CRITICAL, 1.85e5, 293.15, 1e5),
	                    air_mass_flow(1e-8, CRITICAL, 1.85e5, 293.15, 0));
}
END_TEST

START_TEST(time_constant_of_a_tank)
{
	/* Isothermal, choked: tau = m/q = V/(C rho0 R sqrt(T T0)) = 1.002836 s for
	 * 1 dm3 through 1 dm3/(s bar) at 20 degC (closed form). */
	double p = 7e5, mass = p * 1e-3 / (AIR_R * 293.15);
	expect(mass / air_mass_flow(LITRE_S_BAR, .3, p, 293.15, 0), 1.002836, 1e-6,
	       "closed form of the blow-down");
}
END_TEST

/* Steps the blow-down of 1 dm3 (ISO 6358 valve C = 1 dm3/(s bar), b = .3) by the
 * midpoint rule until the pressure has fallen to `end`; `n` 1 = isothermal,
 * AIR_GAMMA = adiabatic. */
static double blow_down_s(double n, double end_pa)
{
	const double p0 = 7.013e5, t0 = 293.15, v = 1e-3, dt = 1e-4;
	double m0 = p0 * v / (AIR_R * t0), m = m0, t = 0, p = p0;
	while (p > end_pa) {
		double k1 = air_mass_flow(LITRE_S_BAR, .3, p, p * v / (m * AIR_R), 1.013e5);
		double half = m - k1 * dt / 2, p_half = air_polytropic_pa(p0, v / m0, v / half, n);
		m -= dt * air_mass_flow(LITRE_S_BAR, .3, p_half, p_half * v / (half * AIR_R), 1.013e5);
		p = air_polytropic_pa(p0, v / m0, v / m, n);
		t += dt;
	}
	return t;
}

START_TEST(blow_down_times)
{
	/* Down to, isothermal s, adiabatic s: Runge-Kutta of an independent program;
	 * half pressure also in closed form, tau ln 2. */
	static const double rows[][3] = {{3.5065e5, .69512, .52193},
	                                 {2.013e5, 1.25832, .98430},
	                                 {1.513e5, 1.57268, 1.25834},
	                                 {1.113e5, 2.01678, 1.66280}};
	for (size_t i = 0; i < ROWS(rows); i++) {
		expect(blow_down_s(1, rows[i][0]), rows[i][1], 1e-3, "isothermal blow-down");
		expect(blow_down_s(AIR_GAMMA, rows[i][0]), rows[i][2], 1e-3, "adiabatic blow-down");
	}
}
END_TEST

START_TEST(atmosphere_iso_2533)
{
	/* ISO 2533:1975 / US Standard Atmosphere 1976; 11 000 m printed 22 632.06. */
	static const double rows[][2] = {{0, 101325.00},   {500, 95460.84},  {1000, 89874.56},
	                                 {1500, 84555.99}, {2000, 79495.20}, {3000, 70108.53},
	                                 {5000, 54019.89}, {11000, 22632.04}};
	for (size_t i = 0; i < ROWS(rows); i++)
		ck_assert_double_eq_tol(air_atmosphere_pa(rows[i][0]), rows[i][1], 0.02);
	ck_assert_double_nan(air_atmosphere_pa(11001));
	ck_assert_double_nan(air_atmosphere_pa(-1));
}
END_TEST

START_TEST(constants_agree_with_each_other)
{
	/* US Standard Atmosphere 1976: 8314.32/28.9644; the difference is 7e-7. */
	expect(AIR_R, 8314.32 / 28.9644, 1e-6, "US Standard Atmosphere 1976");
	expect(AIR_ATMOSPHERE_PA / (AIR_R * 288.15), 1.2250, 5e-5, "ISO 2533, density at sea level");
	expect(sqrt(AIR_GAMMA * AIR_R * 288.15), 340.294, 2e-6, "ISO 2533, speed of sound at sea level");
	/* ISO 8778 air is moist: 1.185 lies .3 % from dry air at 100 kPa, 20 degC. */
	expect(AIR_ANR_DENSITY, 1e5 / (AIR_R * AIR_ANR_TEMPERATURE_K), .003, "ISO 8778");
	expect(air_normal_litre(AIR_ANR_DENSITY), 1000, 1e-15, "ISO 8778: 1 m3 (ANR)");
}
END_TEST

START_TEST(polytropic_work_is_the_area_under_the_curve)
{
	static const double indexes[] = {1, 1.0000001, 1.2, 1.3, AIR_GAMMA, 0};
	for (size_t k = 0; k < ROWS(indexes); k++) {
		double n = indexes[k], area = 0;
		const int steps = 20000;
		for (int i = 0; i < steps; i++)
			area +=
			    air_polytropic_pa(6e5, 1e-4, 1e-4 + 3e-4 * (i + .5) / steps, n) * 3e-4 / steps;
		ck_assert_double_eq_tol(air_polytropic_work(6e5, 1e-4, 4e-4, n), area, 1e-6);
	}
}
END_TEST

START_TEST(polytropic_work_of_compression_is_negative)
{
	double out = air_polytropic_work(6e5, 1e-4, 3e-4, 1.3);
	double back = air_polytropic_work(air_polytropic_pa(6e5, 1e-4, 3e-4, 1.3), 3e-4, 1e-4, 1.3);
	ck_assert_double_gt(out, 0);
	ck_assert_double_eq_tol(back, -out, 1e-10);
}
END_TEST

START_TEST(isothermal_work_of_a_receiver)
{
	/* 10 L at 7 bar gauge: p1 V ln(p1/pa) = 16 570.9 J, less 7 000 J pushed
	 * against the atmosphere (closed form). */
	double p1 = 8.01325e5, v = .01, v2 = v * p1 / AIR_ATMOSPHERE_PA;
	ck_assert_double_eq_tol(air_polytropic_work(p1, v, v2, 1), 16570.9, 1);
	ck_assert_double_eq_tol(air_polytropic_work(p1, v, v2, 1) - AIR_ATMOSPHERE_PA * (v2 - v), 9570.9, 1);
}
END_TEST

START_TEST(compressing_to_half_volume)
{
	/* Scientific American Supplement 799 (1891): air compressed to half its
	 * volume shows about 24 psi gauge (24.26 at gamma 1.406). */
	ck_assert_double_eq_tol(air_polytropic_pa(14.7, 1, .5, 1.406) - 14.7, 24.26, .05);
	/* The same: 1 to 25 atm leaves .1020 of the volume. */
	ck_assert_double_eq_tol(air_polytropic_pa(1, 1, .1020, 1.41), 25, .05);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("air");
	TCase *t = tcase_create("air");
	tcase_add_loop_test(t, adiabatic_pressure_follows_naca_1135, 0, ROWS(naca));
	tcase_add_loop_test(t, ellipse_stays_near_the_nozzle_of_naca_1135, 0, ROWS(naca));
	tcase_add_test(t, ellipse_against_the_nozzle_function);
	tcase_add_test(t, flow_function_exact_values);
	tcase_add_test(t, flow_function_examples_iso_6358);
	tcase_add_test(t, volume_flow_examples_iso_6358);
	tcase_add_test(t, mass_flow_examples);
	tcase_add_test(t, warm_air_flows_less);
	tcase_add_test(t, no_flow_without_a_pressure_drop);
	tcase_add_test(t, choking_begins_where_published);
	tcase_add_test(t, time_constant_of_a_tank);
	tcase_add_test(t, blow_down_times);
	tcase_add_test(t, atmosphere_iso_2533);
	tcase_add_test(t, constants_agree_with_each_other);
	tcase_add_test(t, polytropic_work_is_the_area_under_the_curve);
	tcase_add_test(t, polytropic_work_of_compression_is_negative);
	tcase_add_test(t, isothermal_work_of_a_receiver);
	tcase_add_test(t, compressing_to_half_volume);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
