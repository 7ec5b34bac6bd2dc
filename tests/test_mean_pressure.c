/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Mean pressure, cut-off and work of the ideal diagram, against handbooks. */
#include "common/air.h"
#include "common/mech.h"
#include "common/unit.h"

#include <check.h>
#include <math.h>
#include <stdlib.h>

#define ROWS(t) (sizeof(t) / sizeof *(t))

static void expect(double got, double want, double relative, const char *source)
{
	ck_assert_msg(fabs(got - want) <= relative * fabs(want), "%.9g, but %s says %.9g", got, source, want);
}

START_TEST(hyperbolic_expansion_without_clearance)
{
	/* (1 + ln R)/R, R = 1/c, exact; the formula of the hypothetical mean
	 * pressure in O. Singh, Applied Thermodynamics, ch. 12 (book from memory). */
	static const double rows[][2] = {
	    {.1, .330259},   {1 / 8., .384930}, {1 / 7., .420844}, {1 / 6., .465293},
	    {.2, .521888},   {.25, .596574},    {.3, .661192},     {1 / 3., .699537},
	    {.375, .742811}, {.4, .766516},     {.5, .846574},     {.6, .906495},
	    {.625, .918752}, {2 / 3., .936977}, {.75, .965762},    {.9, .994824}};
	for (size_t i = 0; i < ROWS(rows); i++)
		ck_assert_double_eq_tol(air_mean_forward_ratio(rows[i][0], 0, 1), rows[i][1], 1e-6);
}
END_TEST

START_TEST(hyperbolic_expansion_in_old_books)
{
	/* J. Bourne, A Catechism of the Steam Engine, Q.180: cut-off at 1/4 gives 50
	 * + about 69 squares of 200. */
	ck_assert_double_eq_tol(air_mean_forward_ratio(.25, 0, 1), .595, .005);
	/* Kent, Mechanical Engineers' Pocket-Book (values from memory). */
	static const double kent[][2] = {
	    {.25, .597}, {1 / 3., .700}, {.5, .847}, {2 / 3., .937}, {.75, .966}};
	for (size_t i = 0; i < ROWS(kent); i++)
		ck_assert_double_eq_tol(air_mean_forward_ratio(kent[i][0], 0, 1), kent[i][1], 5e-4);
}
END_TEST

START_TEST(watts_table_of_1782)
{
	/* James Watt's table, cut-off 1/4, pressure at the end of each twentieth
	 * (appendix B of the English Reflections on the Motive Power of Heat,
	 * p. 254); his last digits are cut, and .375 at .70 is a slip for .357. */
	static const double printed[] = {.830, .714, .625, .555, .500, .454, .417, .385,
	                                 .357, .333, .312, .294, .277, .262, .250};
	double sum = 5;
	for (size_t i = 0; i < ROWS(printed); i++) {
		double p = air_polytropic_pa(1, .25, .25 + .05 * (double)(i + 1), 1);
		ck_assert_double_eq_tol(p, printed[i], .0034);
		sum += p;
	}
	/* Printed mean .579: a sum of right ends is 3 % low, and must not be ours. */
	ck_assert_double_eq_tol(sum / 20, .579, 5e-4);
	ck_assert_double_gt(air_mean_forward_ratio(.25, 0, 1), 1.02 * sum / 20);
}
END_TEST

START_TEST(mean_pressure_with_clearance)
{
	/* k, c, n = 1, 1.2, 1.3, 1.4, then end pressure at n = 1 and 1.4: closed
	 * forms, computed by an independent program. */
	static const double rows[][8] = {
	    {0, .25, .59657, .55268, .53354, .51603, .25000, .14359},
	    {0, .50, .84657, .82362, .81291, .80268, .50000, .37893},
	    {0, .75, .96576, .95967, .95671, .95381, .75000, .66848},
	    {.05, .25, .62583, .58244, .56328, .54560, .28571, .17310},
	    {.05, .50, .85564, .83361, .82328, .81337, .52381, .40443},
	    {.05, .75, .96755, .96174, .95891, .95613, .76190, .68338},
	    {.08, .25, .64126, .59833, .57924, .56156, .30556, .19016},
	    {.10, .25, .65080, .60821, .58920, .57155, .31818, .20125},
	    {.10, .50, .86368, .84250, .83253, .82295, .54545, .42802},
	    {.15, .25, .67242, .63079, .61205, .59454, .34783, .22799},
	};
	static const double indexes[] = {1, 1.2, 1.3, 1.4};
	for (size_t i = 0; i < ROWS(rows); i++) {
		const double *r = rows[i];
		for (size_t k = 0; k < 4; k++)
			ck_assert_double_eq_tol(air_mean_forward_ratio(r[1], r[0], indexes[k]), r[2 + k],
			                        6e-6);
		ck_assert_double_eq_tol(air_polytropic_pa(1, r[1] + r[0], 1 + r[0], 1), r[6], 6e-6);
		ck_assert_double_eq_tol(air_polytropic_pa(1, r[1] + r[0], 1 + r[0], 1.4), r[7], 6e-6);
	}
}
END_TEST

START_TEST(mean_pressure_over_the_atmosphere)
{
	/* 5 bar gauge, k = .05, exhaust at 1.01325 bar: bar at n = 1 and 1.3. */
	static const double rows[][3] = {{.10, 1.3433, .9176},  {.20, 2.3468, 1.9424}, {.25, 2.7500, 2.3739},
	                                 {.30, 3.1029, 2.7605}, {.40, 3.6848, 3.4166}, {.50, 4.1320, 3.9373},
	                                 {.75, 4.8049, 4.7529}, {1.00, 5.0000, 5.0000}};
	for (size_t i = 0; i < ROWS(rows); i++) {
		ck_assert_double_eq_tol(6.01325 * air_mean_forward_ratio(rows[i][0], .05, 1) - 1.01325,
		                        rows[i][1], 6e-5);
		ck_assert_double_eq_tol(6.01325 * air_mean_forward_ratio(rows[i][0], .05, 1.3) - 1.01325,
		                        rows[i][2], 6e-5);
	}
}
END_TEST

START_TEST(cutoff_for_complete_expansion)
{
	/* Supply bar gauge; k = 0, .05, .10, each at n = 1, 1.2, 1.4 (closed form). */
	static const double rows[][10] = {
	    {2, .3363, .4032, .4591, .3031, .3734, .4321, .2699, .3436, .4050},
	    {3, .2525, .3176, .3741, .2151, .2835, .3428, .1777, .2493, .3115},
	    {4, .2021, .2638, .3192, .1622, .2270, .2851, .1223, .1902, .2511},
	    {5, .1685, .2267, .2803, .1269, .1881, .2443, .0854, .1494, .2083},
	    {6, .1445, .1994, .2511, .1017, .1594, .2137, .0589, .1194, .1762},
	    {7, .1264, .1785, .2283, .0828, .1374, .1897, .0391, .0963, .1511},
	};
	static const double indexes[] = {1, 1.2, 1.4};
	for (size_t i = 0; i < ROWS(rows); i++)
		for (size_t k = 0; k < 9; k++) {
			double c =
			    air_cutoff_full_expansion(rows[i][0] * 1e5 + AIR_ATMOSPHERE_PA, AIR_ATMOSPHERE_PA,
			                              .05 * (double)(k / 3), indexes[k % 3]);
			ck_assert_double_eq_tol(c, rows[i][1 + k], 6e-5);
		}
}
END_TEST

START_TEST(complete_expansion_ends_at_the_exhaust)
{
	for (double k = 0; k < .2; k += .0385)
		for (double n = 1; n < 1.45; n += .1) {
			double c = air_cutoff_full_expansion(7e5, 1e5, k, n);
			ck_assert_double_eq_tol(air_polytropic_pa(7e5, c + k, 1 + k, n), 1e5, 1e-6);
		}
	/* More clearance than the expansion needs: no cut-off does it. */
	ck_assert_double_lt(air_cutoff_full_expansion(11e5, 1e5, .3, 1), 0);
	ck_assert_double_eq(air_mean_forward_ratio(0, 0, 1.3), 0);
}
END_TEST

/* Work of a kilogram of air at 20 degC admitted up to cut-off c, kJ. */
static double work_kj_kg(double p1_pa, double c, double n)
{
	double swept_m3 = AIR_R * 293.15 / p1_pa / c;
	return (p1_pa * air_mean_forward_ratio(c, 0, n) - AIR_ATMOSPHERE_PA) * swept_m3 / 1000;
}

START_TEST(work_of_a_kilogram_of_air)
{
	/* Bar gauge; kJ/kg adiabatic gamma/(gamma-1) R (T1 - T2), isothermal R T ln r,
	 * without expansion R T (1 - pb/p1): closed forms of the flow engine. */
	static const double rows[][4] = {{2, 78.81, 91.71, 55.85},   {3, 95.76, 115.83, 62.90},
	                                 {4, 108.01, 134.55, 67.14}, {5, 117.45, 149.85, 69.97},
	                                 {6, 125.07, 162.80, 71.99}, {7, 131.40, 174.02, 73.51},
	                                 {8, 136.79, 183.91, 74.69}, {10, 145.57, 200.78, 76.41}};
	for (size_t i = 0; i < ROWS(rows); i++) {
		double p1 = rows[i][0] * 1e5 + AIR_ATMOSPHERE_PA;
		double adiabatic = air_cutoff_full_expansion(p1, AIR_ATMOSPHERE_PA, 0, AIR_GAMMA);
		double isothermal = air_cutoff_full_expansion(p1, AIR_ATMOSPHERE_PA, 0, 1);
		expect(work_kj_kg(p1, adiabatic, AIR_GAMMA), rows[i][1], 2e-4, "adiabatic flow work");
		expect(work_kj_kg(p1, isothermal, 1), rows[i][2], 2e-4, "isothermal flow work");
		expect(work_kj_kg(p1, 1, AIR_GAMMA), rows[i][3], 2e-4, "work without expansion");
	}
}
END_TEST

START_TEST(economy_has_its_best_cutoff_at_the_pressure_ratio)
{
	/* n = 1, no clearance: most work per admitted air at c* = pb/p1 = .16850 for
	 * 5 bar gauge (derivation of the closed form confirmed by search). */
	double best = 0, best_c = 0;
	for (double c = .05; c < .9; c += 1e-4)
		if (work_kj_kg(6.01325e5, c, 1) > best) {
			best = work_kj_kg(6.01325e5, c, 1);
			best_c = c;
		}
	ck_assert_double_eq_tol(best_c, .16850, 1.1e-4);
}
END_TEST

START_TEST(hypothetical_mean_pressures_of_textbooks)
{
	/* Data of worked examples 12.03, 12.05 (O. Singh) and 11.8, 11.9 (R. Joel,
	 * Basic Engineering Thermodynamics; both book titles from memory). */
	expect(7.5 * air_mean_forward_ratio(.4, 0, 1) - .1, 5.648872, 1e-6, "example 12.03, bar");
	expect(10 * air_mean_forward_ratio(.25, 0, 1) - .75, 5.215736, 1e-6, "example 12.05, bar");
	expect(1100 * air_mean_forward_ratio(1 / 12., 0, 1) - 32, 287.450, 2e-6, "example 11.8, kPa");
	expect(1400 * air_mean_forward_ratio(1 / 15., 0, 1) - 20, 326.085, 2e-6, "example 11.9, kPa");
}
END_TEST

/* Swept volume of the cap end, through the mechanism, m3. */
static double swept_m3(double bore_m, double stroke_m)
{
	struct engine e = {.mechanism = MECHANISM_CROSSHEAD,
	                   .crank_radius_m = stroke_m / 2,
	                   .rod_length_m = 5 * stroke_m,
	                   .bore_m = bore_m};
	struct mech m = mech_of(&e);
	return mech_swept_m3(&m, END_CAP);
}

START_TEST(indicated_power_of_textbooks)
{
	/* Double acting, the same examples: 86.2478 kW with diagram factor .6, and
	 * 117.9772 kW so that 100 kW is a factor of .84762. */
	double w6 = 5.648872e5 * .6 * swept_m3(.3, .6) * 2 * 180 / 60;
	double w7 = 5.215736e5 * swept_m3(.3, .4) * 2 * 240 / 60;
	expect(w6, 86247.8, 1e-5, "example 12.03, W");
	expect(w7, 117977.2, 1e-5, "example 12.05, W");
	expect(100e3 / w7, .84762, 1e-5, "example 12.05, diagram factor");
}
END_TEST

START_TEST(air_motor_with_clearance_and_compression)
{
	/* Example 20.34 (R. K. Rajput; original in Eastop & McConkey, both titles from
	 * memory): bore 63.5 mm, stroke 114 mm, 6.3 bar, 24 degC, exhaust 1.013 bar,
	 * clearance 5 %, cut-off .5, last 5 % of the return compressed, n = 1.3,
	 * 300 rev/min single acting, T0 = 273, R = 287. */
	const double n = 1.3, k = .05, p1 = 6.3e5, pb = 1.013e5, t1 = 297, r = 287;
	const char *source = "air motor example 20.34";
	double vs = swept_m3(.0635, .114);
	expect(vs, 3.610291e-4, 1e-6, source);
	double release = air_polytropic_pa(p1, .5 + k, 1 + k, n);
	expect(release, 2.718103e5, 1e-6, source);
	expect(air_polytropic_pa(pb, .05 + k, k, n), 2.494298e5, 1e-6, source);
	double back = .95 * pb - air_polytropic_work(pb, .05 + k, k, n);
	double mean = p1 * air_mean_forward_ratio(.5, k, n) - back;
	expect(mean, 4.146239e5, 1e-6, source);
	expect(mean * vs, 149.6913, 1e-6, source);
	expect(mean * vs * 300 / 60, 748.456, 1e-5, source);
	double t_release = t1 * release * (1 + k) / (p1 * (.5 + k));
	expect(t_release, 244.6293, 1e-6, source);
	double t_exhaust = t_release * pow(pb / release, (AIR_GAMMA - 1) / AIR_GAMMA);
	expect(t_exhaust, 184.516, 1e-5, source);
	double air = p1 * (.5 + k) * vs / (r * t1) - pb * (.05 + k) * vs / (r * t_exhaust);
	expect(air * 300, .419561, 1e-5, source);
}
END_TEST

START_TEST(air_motor_with_incomplete_expansion)
{
	/* Engineering reference page "Air Motors": bore 13.54 in, stroke 18 in, 90
	 * to 15 psi, n = 1.25; then the stroke cut to 12 in.  Data as published, the
	 * answers computed by an independent program. */
	const double ft3 = .3048 * .3048 * .3048;
	const char *source = "air motor example, 13.54 in by 18 in";
	double full_ft3 = swept_m3(13.54 * .0254, 18 * .0254) / ft3, short_ft3 = full_ft3 * 12 / 18;
	expect(full_ft3, 1.499878, 1e-6, source);
	double c = air_cutoff_full_expansion(90, 15, 0, 1.25);
	expect(c, .238495, 3e-6, source);
	expect(c * full_ft3, .357713, 3e-6, source);
	double work = (90 * air_mean_forward_ratio(c, 0, 1.25) - 15) * 144 * full_ft3;
	expect(work, 6981.13, 1e-6, source);
	double c_short = c * 18 / 12;
	expect(air_polytropic_pa(90, c_short, 1, 1.25), 24.9003, 3e-6, source);
	double work_short = (90 * air_mean_forward_ratio(c_short, 0, 1.25) - 15) * 144 * short_ft3;
	expect(work_short, 6678.56, 1e-6, source);
	expect(100 * (1 - work_short / work), 4.3342, 2e-5, source);
}
END_TEST

START_TEST(mean_torque_of_both_ends)
{
	/* Bore 50, rod 20, stroke 100 mm, 3 bar at both ends: 58.9049 + 49.4801 J a
	 * turn, exactly 17.25 N m (closed form). */
	struct engine e = {.mechanism = MECHANISM_OSCILLATING,
	                   .pivot_distance_m = .3,
	                   .crank_radius_m = .05,
	                   .bore_m = .05,
	                   .rod_m = .02};
	struct mech m = mech_of(&e);
	double cap_j = 3e5 * mech_swept_m3(&m, END_CAP), rod_j = 3e5 * mech_swept_m3(&m, END_ROD);
	ck_assert_double_eq_tol(cap_j, 58.9049, 1e-4);
	ck_assert_double_eq_tol(rod_j, 49.4801, 1e-4);
	ck_assert_double_eq_tol((cap_j + rod_j) / (2 * UNIT_PI), 17.25, 1e-12);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("mean pressure");
	TCase *t = tcase_create("mean pressure");
	tcase_add_test(t, hyperbolic_expansion_without_clearance);
	tcase_add_test(t, hyperbolic_expansion_in_old_books);
	tcase_add_test(t, watts_table_of_1782);
	tcase_add_test(t, mean_pressure_with_clearance);
	tcase_add_test(t, mean_pressure_over_the_atmosphere);
	tcase_add_test(t, cutoff_for_complete_expansion);
	tcase_add_test(t, complete_expansion_ends_at_the_exhaust);
	tcase_add_test(t, work_of_a_kilogram_of_air);
	tcase_add_test(t, economy_has_its_best_cutoff_at_the_pressure_ratio);
	tcase_add_test(t, hypothetical_mean_pressures_of_textbooks);
	tcase_add_test(t, indicated_power_of_textbooks);
	tcase_add_test(t, air_motor_with_clearance_and_compression);
	tcase_add_test(t, air_motor_with_incomplete_expansion);
	tcase_add_test(t, mean_torque_of_both_ends);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
