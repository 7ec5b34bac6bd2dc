/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The cycle of one end against closed forms: with passages so wide that
 * nothing is throttled it must draw the ideal diagram. */
#include "analyse/cycle.h"
#include "common/air.h"
#include "common/unit.h"

#include <check.h>
#include <math.h>
#include <stdlib.h>

#define WIDE 2e-7   /* m3/(s Pa), ten times a hand-sized valve */
#define OFF_DEG 0.3 /* keeps the exhaust's ramp clear of the inlet's */

static struct mech a_mech(double clearance_ratio)
{
	struct engine e = {.mechanism = MECHANISM_CROSSHEAD,
	                   .rod_length_m = 0.3,
	                   .crank_radius_m = 0.05,
	                   .bore_m = 0.05,
	                   .rod_m = 0.02};
	double area = UNIT_PI / 4 * e.bore_m * e.bore_m;
	e.clearance_m3[END_CAP] = clearance_ratio * area * 0.1;
	e.clearance_m3[END_ROD] = clearance_ratio * area * 0.1 * (1 - 0.4 * 0.4);
	return mech_of(&e);
}

/* Cut-off and compression as fractions of their strokes. */
static struct cycle_case ideal_case(const struct mech *m, double supply_pa, double ambient_pa, double cut_off,
                                    double compression, double n)
{
	double shuts = mech_angle_at_fraction_rad(m, END_CAP, cut_off);
	double back = 2 * UNIT_PI - mech_angle_at_fraction_rad(m, END_CAP, compression);
	double off = unit_rad(OFF_DEG);
	return (struct cycle_case){
	    .mech = m,
	    .end = END_CAP,
	    .omega_rad_s = unit_rad(360),
	    .supply_pa = supply_pa,
	    .ambient_pa = ambient_pa,
	    .air_k = 293.15,
	    .n = n,
	    .inlet = {.c_m3_s_pa = WIDE, .b = 0.3, .opens_rad = off, .shuts_rad = shuts},
	    .exhaust = {.c_m3_s_pa = WIDE, .b = 0.3, .opens_rad = UNIT_PI, .shuts_rad = back - off},
	};
}

struct mean_row {
	double k, c, mean[4]; /* n = 1, 1.2, 1.3, 1.4 */
};

/* Forward mean pressure over supply pressure with clearance k and cut-off c:
 * c + (c + k) E, tabulated from the closed form of the textbooks (the k = 0,
 * n = 1 column is the one Bourne's and Kent's handbooks print). */
static const struct mean_row means[] = {
    {.05, .25, {.62583, .58244, .56328, .54560}}, {.05, .50, {.85564, .83361, .82328, .81337}},
    {.05, .75, {.96755, .96174, .95891, .95613}}, {.10, .25, {.65080, .60821, .58920, .57155}},
    {.10, .50, {.86368, .84250, .83253, .82295}}, {.15, .25, {.67242, .63079, .61205, .59454}},
};

START_TEST(wide_passages_draw_the_ideal_diagram)
{
	static const double n[4] = {1, 1.2, 1.3, 1.4};
	const struct mean_row *row = &means[_i];
	struct mech m = a_mech(row->k);
	for (int i = 0; i < 4; i++) {
		struct cycle_case c = ideal_case(&m, 6.01325e5, 1.01325e5, row->c, 0, n[i]);
		struct cycle_result r;
		cycle_run(&c, &r);
		ck_assert(r.periodic);
		double mean = (r.work_j / mech_swept_m3(&m, END_CAP) + c.ambient_pa) / c.supply_pa;
		ck_assert_double_eq_tol(mean, row->mean[i], 0.003);
	}
}
END_TEST

/* Air motor with clearance and compression: bore 63.5 mm, stroke 114 mm, 6.3
 * bar and 24 degC, exhaust 1.013 bar, clearance 5 %, cut-off 1/2, compression
 * over the last 5 %, n = 1.3, 300 rpm.  748.456 W, 2.718103 bar at the end of
 * expansion, 0.419561 kg/min: worked example in the manner of Eastop and
 * McConkey, "Positive displacement machines" (book named from memory). */
START_TEST(air_motor_example)
{
	struct engine e = {.mechanism = MECHANISM_CROSSHEAD,
	                   .rod_length_m = 0.4,
	                   .crank_radius_m = 0.057,
	                   .bore_m = 0.0635,
	                   .rod_m = 0.01,
	                   .clearance_m3 = {0.05 * 3.610291e-4, 1e-5}};
	struct mech m = mech_of(&e);
	struct cycle_case c = ideal_case(&m, 6.3e5, 1.013e5, 0.5, 0.05, 1.3);
	struct cycle_result r;
	c.air_k = 297.15;
	c.omega_rad_s = 10 * UNIT_PI;
	c.inlet.c_m3_s_pa = c.exhaust.c_m3_s_pa = 5 * WIDE;
	cycle_run(&c, &r);
	ck_assert_double_eq_tol(r.work_j * 5, 748.456, 748.456 * 0.004);
	ck_assert_double_eq_tol(r.pressure_pa[179], 2.718103e5, 0.01e5);
	ck_assert_double_eq_tol(r.air_kg * 300, 0.419561, 0.419561 * 0.06);
}
END_TEST

/* Air of an adiabatically filled cycle, exact from the energy balance:
 * m = V_s (p_s x + (p_s - p_c) k / gamma) / (R T_s). */
START_TEST(air_follows_the_energy_balance)
{
	struct mech m = a_mech(0.12);
	for (double x = 0.1; x < 0.95; x += 0.2) {
		struct cycle_case c = ideal_case(&m, 7e5, 1e5, x, 0, 1.4);
		struct cycle_result r;
		cycle_run(&c, &r);
		double want =
		    mech_swept_m3(&m, END_CAP) * (7e5 * x + 6e5 * 0.12 / AIR_GAMMA) / (AIR_R * c.air_k);
		ck_assert_double_eq_tol(r.air_kg, want, 0.01 * want);
		ck_assert_double_eq_tol(r.vent_kg, want, 0.01 * want);
	}
}
END_TEST

/* 1 dm3 blown down through C = 1 dm3/(s bar), b = 0.3: adiabatic and choked it
 * falls to half in 0.52193 s from 20 degC (closed form of ISO 6358's tank
 * discharge, tau = V / (C rho0 R sqrt(T T0))). */
START_TEST(tank_discharge)
{
	struct engine e = {.mechanism = MECHANISM_CROSSHEAD,
	                   .rod_length_m = 0.3,
	                   .crank_radius_m = 0.001,
	                   .bore_m = 0.002,
	                   .rod_m = 0.001,
	                   .clearance_m3 = {1e-3, 1e-3}};
	struct mech m = mech_of(&e);
	struct cycle_case c = {
	    .mech = &m,
	    .end = END_CAP,
	    .omega_rad_s = UNIT_PI / 4,
	    .supply_pa = 7.013e5,
	    .ambient_pa = 1.013e5,
	    .air_k = 293.15,
	    .n = 1.4,
	    .inlet = {.c_m3_s_pa = WIDE, .b = 0.3, .opens_rad = 0.2, .shuts_rad = 2},
	    .exhaust = {.c_m3_s_pa = 1e-8, .b = 0.3, .opens_rad = unit_rad(180), .shuts_rad = unit_rad(359)}};
	struct cycle_result r;
	cycle_run(&c, &r);
	double left = pow(r.pressure_pa[0] / 7.013e5, 1 / AIR_GAMMA); /* of the mass, adiabatic */
	double full_kg = r.air_kg / (1 - left), full_k = 7.013e5 * 1e-3 / (AIR_R * full_kg);
	int degree = 180;
	while (r.pressure_pa[degree] > 7.013e5 / 2)
		degree++;
	double above = r.pressure_pa[degree - 1] - 7.013e5 / 2,
	       fell = r.pressure_pa[degree - 1] - r.pressure_pa[degree];
	double t_s = unit_rad(degree - 1 + above / fell - 180) / c.omega_rad_s;
	ck_assert_double_eq_tol(t_s * sqrt(full_k / 293.15), 0.52193, 0.002);
}
END_TEST

static double uniform(unsigned *seed, double low, double high)
{
	*seed = *seed * 1664525u + 1013904223u;
	return low + (high - low) * (*seed >> 8) / 16777216.0;
}

static struct cycle_case random_case(const struct mech *m, unsigned *s)
{
	struct cycle_case c = {.mech = m,
	                       .end = uniform(s, 0, 1) < 0.5 ? END_CAP : END_ROD,
	                       .omega_rad_s = uniform(s, 2, 30),
	                       .supply_pa = uniform(s, 2e5, 9e5),
	                       .ambient_pa = 1.013e5,
	                       .air_k = 290,
	                       .n = uniform(s, 1.05, 1.4),
	                       .leak_m3_s_pa = uniform(s, 0, 2e-10),
	                       .seat_m3_s_pa = uniform(s, 0, 2e-9)};
	c.inlet = (struct cycle_valve){.c_m3_s_pa = uniform(s, 2e-9, 8e-8),
	                               .b = uniform(s, 0.1, 0.5),
	                               .opens_rad = uniform(s, -0.5, 0.8),
	                               .shuts_rad = uniform(s, 1, 3),
	                               .ramp_open_s = uniform(s, 0, 0.01),
	                               .ramp_shut_s = uniform(s, 0, 0.01)};
	c.exhaust = (struct cycle_valve){.c_m3_s_pa = uniform(s, 2e-9, 8e-8),
	                                 .b = uniform(s, 0.1, 0.5),
	                                 .opens_rad = uniform(s, 2, 4),
	                                 .shuts_rad = uniform(s, 4.5, 6.5),
	                                 .ramp_open_s = uniform(s, 0, 0.01),
	                                 .ramp_shut_s = uniform(s, 0, 0.01)};
	return c;
}

START_TEST(mass_and_energy_balance)
{
	struct mech m = a_mech(0.1);
	unsigned seed = 7;
	for (int i = 0; i < 60; i++) {
		struct cycle_case c = random_case(&m, &seed);
		struct cycle_result r;
		cycle_run(&c, &r);
		double mass = fabs(r.air_kg) + fabs(r.vent_kg),
		       energy = fabs(r.enthalpy_j) + fabs(r.work_j) + fabs(r.heat_j);
		ck_assert_double_eq_tol(r.air_kg - r.vent_kg, r.mass_change_kg, 1e-10 * mass);
		ck_assert_double_eq_tol(r.enthalpy_j + r.heat_j - r.work_j, r.energy_change_j,
		                        1e-10 * energy);
	}
}
END_TEST

/* Air that comes through the shut inlet is paid for, and fills the expansion. */
START_TEST(a_leaking_inlet_takes_more_air)
{
	struct mech m = a_mech(0.1);
	for (double x = 0.1; x < 0.7; x += 0.1) {
		struct cycle_case c = ideal_case(&m, 6e5, 1e5, x, 0, 1.3);
		struct cycle_result tight, leaking;
		c.inlet.c_m3_s_pa = c.exhaust.c_m3_s_pa = 2e-8;
		c.inlet.ramp_open_s = c.inlet.ramp_shut_s = 0.005;
		cycle_run(&c, &tight);
		c.seat_m3_s_pa = 0.05 * c.inlet.c_m3_s_pa;
		cycle_run(&c, &leaking);
		ck_assert_double_gt(leaking.air_kg, 1.02 * tight.air_kg);
		ck_assert_double_gt(leaking.release_pa, tight.release_pa);
		ck_assert_double_lt(leaking.work_j / leaking.air_kg, tight.work_j / tight.air_kg);
	}
}
END_TEST

START_TEST(the_turn_repeats_itself)
{
	struct mech m = a_mech(0.1);
	unsigned seed = 11;
	for (int i = 0; i < 60; i++) {
		struct cycle_case c = random_case(&m, &seed);
		struct cycle_result r;
		cycle_run(&c, &r);
		ck_assert(r.periodic);
		ck_assert_double_eq_tol(r.pressure_pa[0], r.pressure_pa[CYCLE_DEGREES], 3e-4 * c.supply_pa);
		double peak = 0, loop = 0;
		double dead = mech_dead_centre_rad(&m, c.end);
		for (int d = 0; d < CYCLE_DEGREES; d++) {
			double v0 = mech_volume_m3(&m, c.end, dead + unit_rad(d)),
			       v1 = mech_volume_m3(&m, c.end, dead + unit_rad(d + 1));
			loop += (r.pressure_pa[d] + r.pressure_pa[d + 1]) / 2 * (v1 - v0);
			peak = fmax(peak, r.pressure_pa[d + 1]);
		}
		ck_assert_double_eq_tol(loop, r.work_j, 0.01 * fabs(r.work_j) + 0.05);
		ck_assert_double_eq(peak, r.peak_pa);
		ck_assert_double_eq(r.torque_mean_nm, r.work_j / (2 * UNIT_PI));
		ck_assert_double_ge(r.torque_most_nm, r.torque_mean_nm);
		ck_assert_double_le(r.torque_least_nm, r.torque_mean_nm);
	}
}
END_TEST

/* A chamber that stays shut is a spring: p V^n constant, no work. */
START_TEST(shut_chamber_is_a_spring)
{
	struct mech m = a_mech(0.2);
	for (double n = 1; n < 1.45; n += 0.1) {
		struct cycle_case c = ideal_case(&m, 7e5, 1e5, 0.5, 0, n);
		struct cycle_result r;
		c.inlet.c_m3_s_pa = c.exhaust.c_m3_s_pa = 0;
		cycle_run(&c, &r);
		double want = air_polytropic_pa(r.pressure_pa[0], 0.2, 0.2 + 1, n);
		ck_assert_double_eq_tol(r.pressure_pa[180], want, 0.003 * want);
		ck_assert_double_eq_tol(r.work_j, 0, 0.05);
		ck_assert_double_eq_tol(r.air_kg, 0, 1e-15);
	}
}
END_TEST

START_TEST(useful_angle_of_full_admission_is_the_stroke)
{
	struct mech m = a_mech(0.1);
	struct cycle_case c = ideal_case(&m, 6e5, 1e5, 0.98, 0, 1.4);
	struct cycle_result r;
	cycle_run(&c, &r);
	ck_assert_double_eq_tol(unit_deg(r.useful_rad), 180, 1.5);
	ck_assert_double_eq_tol(r.peak_pa, 6e5, 0.02e5);
	ck_assert_double_eq_tol(r.peak_force_n, 5e5 * m.area_m2[END_CAP], 0.02 * 5e5 * m.area_m2[END_CAP]);
}
END_TEST

START_TEST(later_cut_off_gives_more_work_and_takes_more_air)
{
	struct mech m = a_mech(0.1);
	double work = -INFINITY, air = -INFINITY;
	for (double x = 0.1; x < 0.95; x += 0.05) {
		struct cycle_case c = ideal_case(&m, 6e5, 1e5, x, 0, 1.3);
		struct cycle_result r;
		c.inlet.c_m3_s_pa = c.exhaust.c_m3_s_pa = 2e-8;
		c.inlet.ramp_open_s = c.inlet.ramp_shut_s = 0.005;
		cycle_run(&c, &r);
		ck_assert_double_gt(r.work_j, work);
		ck_assert_double_gt(r.air_kg, air);
		work = r.work_j;
		air = r.air_kg;
	}
}
END_TEST

/* A delay is an angle that grows with speed. */
START_TEST(delay_is_speed_times_time)
{
	struct mech m = a_mech(0.1);
	struct cycle_case late = ideal_case(&m, 6e5, 1e5, 0.4, 0, 1.3), moved = late;
	struct cycle_result a, b;
	late.inlet.c_m3_s_pa = moved.inlet.c_m3_s_pa = 3e-8;
	late.inlet.delay_open_s = 0.02;
	late.exhaust.delay_shut_s = 0.01;
	moved.inlet.opens_rad += 0.02 * moved.omega_rad_s;
	moved.exhaust.shuts_rad += 0.01 * moved.omega_rad_s;
	cycle_run(&late, &a);
	cycle_run(&moved, &b);
	ck_assert_double_eq_tol(a.work_j, b.work_j, 1e-9 * fabs(b.work_j));
	ck_assert_double_eq_tol(cycle_area(&late.inlet, late.omega_rad_s, moved.inlet.opens_rad), 0.5, 1e-9);
}
END_TEST

START_TEST(area_ramps_about_its_angles)
{
	struct cycle_valve v = {.c_m3_s_pa = 1,
	                        .opens_rad = unit_rad(350),
	                        .shuts_rad = unit_rad(40),
	                        .ramp_open_s = 0.02,
	                        .ramp_shut_s = 0.04};
	double omega = unit_rad(1000); /* ramps of 20 and 40 deg */
	static const double at[][2] = {{339, 0}, {345, .25}, {350, .5}, {355, .75}, {0, 1},
	                               {10, 1},  {30, .75},  {40, .5},  {50, .25},  {61, 0}};
	for (size_t i = 0; i < sizeof at / sizeof *at; i++)
		ck_assert_double_eq_tol(cycle_area(&v, omega, unit_rad(at[i][0])), at[i][1], 1e-9);
	v.shuts_rad = v.opens_rad;
	ck_assert_double_eq(cycle_area(&v, omega, unit_rad(350)), 0);
}
END_TEST

START_TEST(a_case_without_sense_is_not_a_number)
{
	struct mech m = a_mech(0.1);
	struct cycle_result r;
	for (int i = 0; i < 4; i++) {
		struct cycle_case c = ideal_case(&m, 6e5, 1e5, 0.5, 0, 1.3);
		if (i == 0)
			c.omega_rad_s = 0;
		else if (i == 1)
			c.supply_pa = NAN;
		else if (i == 2)
			c.inlet.opens_rad = NAN;
		else
			c.exhaust.c_m3_s_pa = NAN;
		cycle_run(&c, &r);
		ck_assert(isnan(r.work_j));
		ck_assert(isnan(r.pressure_pa[77]));
		ck_assert(!r.periodic);
	}
}
END_TEST

int main(void)
{
	Suite *s = suite_create("cycle");
	TCase *t = tcase_create("cycle");
	tcase_set_timeout(t, 60);
	tcase_add_loop_test(t, wide_passages_draw_the_ideal_diagram, 0, (int)(sizeof means / sizeof *means));
	tcase_add_test(t, air_motor_example);
	tcase_add_test(t, air_follows_the_energy_balance);
	tcase_add_test(t, tank_discharge);
	tcase_add_test(t, mass_and_energy_balance);
	tcase_add_test(t, a_leaking_inlet_takes_more_air);
	tcase_add_test(t, the_turn_repeats_itself);
	tcase_add_test(t, shut_chamber_is_a_spring);
	tcase_add_test(t, useful_angle_of_full_admission_is_the_stroke);
	tcase_add_test(t, later_cut_off_gives_more_work_and_takes_more_air);
	tcase_add_test(t, delay_is_speed_times_time);
	tcase_add_test(t, area_ramps_about_its_angles);
	tcase_add_test(t, a_case_without_sense_is_not_a_number);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_ENV);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
