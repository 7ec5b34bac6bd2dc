/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "common/mech.h"
#include "common/unit.h"

#include <check.h>
#include <math.h>
#include <stdlib.h>

#define ROWS(t) (sizeof(t) / sizeof *(t))
#define TURN (2 * UNIT_PI)

static struct mech sized(struct engine e)
{
	e.bore_m = .063;
	e.rod_m = .020;
	e.clearance_m3[END_CAP] = 18e-6;
	e.clearance_m3[END_ROD] = 21e-6;
	return mech_of(&e);
}

static struct mech oscillating(double d, double r)
{
	return sized(
	    (struct engine){.mechanism = MECHANISM_OSCILLATING, .pivot_distance_m = d, .crank_radius_m = r});
}

static struct mech crosshead(double rod, double r, double offset)
{
	return sized((struct engine){
	    .mechanism = MECHANISM_CROSSHEAD, .rod_length_m = rod, .crank_radius_m = r, .offset_m = offset});
}

/* Machines for the properties: long and short rods, both signs of offset, and
 * one close to what geometry allows. */
#define MACHINES 9
static struct mech machine(int i)
{
	switch (i) {
	case 0:
		return oscillating(.420, .0625);
	case 1:
		return oscillating(5, 3);
	case 2:
		return oscillating(1, .97);
	case 3:
		return crosshead(.300, .0625, 0);
	case 4:
		return crosshead(.300, .0625, .030);
	case 5:
		return crosshead(.300, .0625, -.030);
	case 6:
		return crosshead(4, 1, 2.5);
	case 7:
		return crosshead(4, 1, -2.9);
	default:
		return crosshead(1.05, 1, 0);
	}
}

/* Slider-crank, fraction of the stroke at theta for rod/crank n (first column n
 * without limit): closed form x = [1 + n - cos - sqrt(n^2 - sin^2)]/2.  J. Rose,
 * Modern Machine-Shop Practice, names six cranks an ordinary rod, A. Sinclair,
 * Locomotive Engine Running, draws 7 1/2. */
static const double rods[] = {1e6, 3, 4, 5, 6, 7.5, 8};
static const double slider[][8] = {
    {15, .01704, .02263, .02123, .02039, .01983, .01927, .01913},
    {30, .06699, .08797, .08267, .07952, .07742, .07533, .07481},
    {45, .14645, .18871, .17794, .17157, .16735, .16315, .16210},
    {60, .25000, .31386, .29744, .28779, .28141, .27508, .27351},
    {75, .37059, .45047, .42978, .41768, .40972, .40182, .39985},
    {90, .50000, .58579, .56351, .55051, .54196, .53348, .53137},
    {105, .62941, .70929, .68860, .67650, .66854, .66064, .65867},
    {120, .75000, .81386, .79744, .78779, .78141, .77508, .77351},
    {135, .85355, .89582, .88505, .87868, .87446, .87026, .86921},
    {150, .93301, .95399, .94870, .94554, .94345, .94136, .94083},
    {165, .98296, .98856, .98715, .98631, .98576, .98520, .98506},
};

START_TEST(slider_crank_travel)
{
	const double *row = slider[_i];
	for (size_t k = 0; k < ROWS(rods); k++) {
		struct mech m = crosshead(rods[k], 1, 0);
		ck_assert_double_eq_tol(mech_travel_m(&m, unit_rad(row[0])) / m.stroke_m, row[1 + k], 6e-6);
		ck_assert_double_eq_tol(mech_travel_m(&m, -unit_rad(row[0])) / m.stroke_m, row[1 + k], 6e-6);
	}
}
END_TEST

/* Fraction, then the angle from the dead centre where each stroke begins, n = 4,
 * 5, 6, out and back (closed form). */
static const double slider_angles[][7] = {
    {.10, 33.123, 41.948, 33.795, 40.787, 34.262, 40.059},
    {.25, 54.315, 66.868, 55.376, 65.376, 56.104, 64.417},
    {.30, 60.300, 73.541, 61.460, 72.019, 62.249, 71.034},
    {.50, 82.819, 97.181, 84.261, 95.739, 85.220, 94.780},
    {.625, 97.181, 111.118, 98.703, 109.833, 99.699, 108.966},
    {.75, 113.132, 125.685, 114.624, 124.624, 115.583, 123.896},
    {.90, 138.052, 146.877, 139.213, 146.205, 139.941, 145.738},
};

START_TEST(slider_crank_angle_at_fraction)
{
	const double *row = slider_angles[_i];
	for (int k = 0; k < 3; k++) {
		struct mech m = crosshead(4 + k, 1, 0);
		ck_assert_double_eq_tol(unit_deg(mech_angle_at_fraction_rad(&m, END_CAP, row[0])),
		                        row[1 + 2 * k], 6e-4);
		ck_assert_double_eq_tol(unit_deg(mech_angle_at_fraction_rad(&m, END_ROD, row[0])),
		                        row[2 + 2 * k], 6e-4);
	}
}
END_TEST

START_TEST(slider_crank_greatest_speed)
{
	/* Rod/crank, greatest piston speed over pin speed, at deg (closed form). */
	static const double rows[][3] = {{4, 1.03088, 76.72}, {5, 1.01983, 79.10}, {6, 1.01380, 80.79}};
	for (size_t i = 0; i < ROWS(rows); i++) {
		struct mech m = crosshead(rows[i][0], 1, 0);
		double best = 0, at = 0;
		for (double deg = 70; deg < 90; deg += .001)
			if (mech_arm_m(&m, unit_rad(deg)) > best) {
				best = mech_arm_m(&m, unit_rad(deg));
				at = deg;
			}
		ck_assert_double_eq_tol(best, rows[i][1], 6e-6);
		ck_assert_double_eq_tol(at, rows[i][2], .01);
	}
}
END_TEST

START_TEST(slider_crank_in_whole_numbers)
{
	/* Crank 3, rod 5, square to each other: crosshead 4 from the shaft. */
	struct mech m = crosshead(5, 3, 0);
	ck_assert_double_eq_tol(mech_travel_m(&m, UNIT_PI / 2), 4, 1e-12);
	ck_assert_double_eq_tol(m.stroke_m, 6, 1e-12);
}
END_TEST

/* Inverted slider-crank: d, r, theta deg, s, travel, torque arm.  Closed forms,
 * several in whole numbers (3-4-5 and 5-12-13 triangles, sqrt 19, sqrt 34). */
static const double inverted[][6] = {
    {5, 3, 53.130102, 4, 2, 3},
    {5, 3, 60, 4.358899, 2.358899, 2.980198},
    {5, 3, 90, 5.830952, 3.830952, 2.572479},
    {5, 3, 120, 7, 5, 1.855769},
    {13, 5, 67.380135, 12, 4, 5},
    {13, 5, 90, 13.928388, 5.928388, 4.666728},
    {5, 1, 30, 4.164102, .164102, .600370},
    {5, 1, 60, 4.582576, .582576, .944911},
    {5, 1, 78.463041, 4.898979, .898979, 1},
    {5, 1, 90, 5.099020, 1.099020, .980581},
    {5, 1, 135, 5.750745, 1.750745, .614796},
    {4, 1, 75.522488, 3.872983, .872983, 1},
};

START_TEST(oscillating_cylinder_travel_and_arm)
{
	const double *row = inverted[_i];
	struct mech m = oscillating(row[0], row[1]);
	double theta = unit_rad(row[2]);
	ck_assert_double_eq_tol(mech_travel_m(&m, theta), row[4], 1e-6);
	ck_assert_double_eq_tol(mech_travel_m(&m, theta) + row[0] - row[1], row[3], 1e-6);
	ck_assert_double_eq_tol(mech_arm_m(&m, theta), row[5], 1e-6);
	ck_assert_double_eq_tol(mech_arm_m(&m, -theta), -row[5], 1e-6);
}
END_TEST

START_TEST(oscillating_cylinder_angle_at_fraction)
{
	/* d/r, then deg at .10 .25 .50 .75 .90 of the stroke (closed form). */
	static const double fractions[] = {.10, .25, .50, .75, .90};
	static const double rows[][6] = {{3, 30.6834, 51.3178, 80.4059, 112.0243, 137.7314},
	                                 {4, 32.3281, 53.5764, 82.8192, 113.9695, 139.0254},
	                                 {5, 33.2799, 54.9004, 84.2608, 115.1507, 139.8181},
	                                 {6, 33.9013, 55.7711, 85.2198, 115.9445, 140.3539}};
	for (size_t i = 0; i < ROWS(rows); i++) {
		struct mech m = oscillating(rows[i][0], 1);
		for (size_t k = 0; k < ROWS(fractions); k++) {
			double cap = mech_angle_at_fraction_rad(&m, END_CAP, fractions[k]);
			double rod = mech_angle_at_fraction_rad(&m, END_ROD, 1 - fractions[k]);
			ck_assert_double_eq_tol(unit_deg(cap), rows[i][1 + k], 1e-4);
			ck_assert_double_eq_tol(unit_deg(rod), 180 - rows[i][1 + k], 1e-4);
		}
	}
}
END_TEST

START_TEST(mid_stroke_is_where_the_slider_crank_has_it)
{
	/* With n = d/r only the middle agrees between the two mechanisms. */
	struct mech o = oscillating(4, 1), c = crosshead(4, 1, 0);
	ck_assert_double_eq_tol(mech_angle_at_fraction_rad(&o, END_CAP, .5),
	                        mech_angle_at_fraction_rad(&c, END_CAP, .5), 1e-12);
	double apart =
	    mech_angle_at_fraction_rad(&o, END_CAP, .25) - mech_angle_at_fraction_rad(&c, END_CAP, .25);
	ck_assert_double_gt(fabs(apart), unit_rad(.5));
}
END_TEST

START_TEST(work_identity_of_the_arm)
{
	/* The arm summed over a stroke is the stroke: 2 r for the oscillating
	 * cylinder (6 for d = 5, r = 3; 2 for d = 5, r = 1). */
	struct mech m = machine(_i);
	double half = m.rod_dead_centre_rad, sum = 0;
	const int steps = 20000;
	for (int i = 0; i < steps; i++)
		sum += mech_arm_m(&m, half * (i + .5) / steps) * half / steps;
	ck_assert_double_eq_tol(sum, m.stroke_m, 1e-6 * m.stroke_m);
	if (m.kind == MECHANISM_OSCILLATING)
		ck_assert_double_eq_tol(m.stroke_m, 2 * m.r_m, 1e-15);
}
END_TEST

START_TEST(thrust_of_standard_cylinders)
{
	/* Bore, rod (ISO 6432 and ISO 15552 pairs, from memory), areas mm2, thrust N
	 * at 6 bar gauge; 50 mm at 6 bar printed as about 1178 N. */
	static const double rows[][6] = {
	    {16, 6, 201.06, 172.79, 120.6, 103.7},       {20, 8, 314.16, 263.89, 188.5, 158.3},
	    {25, 10, 490.87, 412.33, 294.5, 247.4},      {32, 12, 804.25, 691.15, 482.5, 414.7},
	    {40, 16, 1256.64, 1055.58, 754.0, 633.3},    {50, 20, 1963.50, 1649.34, 1178.1, 989.6},
	    {63, 20, 3117.25, 2803.09, 1870.3, 1681.9},  {80, 25, 5026.55, 4535.67, 3015.9, 2721.4},
	    {100, 25, 7853.98, 7363.11, 4712.4, 4417.9},
	};
	for (size_t i = 0; i < ROWS(rows); i++) {
		const double *r = rows[i];
		struct engine e = {.mechanism = MECHANISM_OSCILLATING,
		                   .pivot_distance_m = 1,
		                   .crank_radius_m = .1,
		                   .bore_m = r[0] / 1e3,
		                   .rod_m = r[1] / 1e3};
		struct mech m = mech_of(&e);
		for (int end = END_CAP; end < END_COUNT; end++) {
			ck_assert_double_eq_tol(m.area_m2[end] * 1e6, r[2 + end], .006);
			ck_assert_double_eq_tol(m.area_m2[end] * 6e5, r[4 + end], .1);
		}
	}
}
END_TEST

START_TEST(travel_stays_in_the_stroke_and_meets_its_ends)
{
	struct mech m = machine(_i);
	double least = m.stroke_m, most = 0;
	for (double theta = -2 * TURN; theta < 2 * TURN; theta += .00385) {
		double travel = mech_travel_m(&m, theta);
		ck_assert_double_ge(travel, 0);
		ck_assert_double_le(travel, m.stroke_m);
		ck_assert_double_eq_tol(travel, mech_travel_m(&m, theta + TURN), 1e-12 * (1 + m.stroke_m));
		least = fmin(least, travel);
		most = fmax(most, travel);
	}
	ck_assert_double_lt(least, 1e-4 * m.stroke_m);
	ck_assert_double_gt(most, (1 - 1e-4) * m.stroke_m);
	ck_assert_double_eq_tol(mech_travel_m(&m, 0), 0, 1e-12);
	ck_assert_double_eq_tol(mech_travel_m(&m, m.rod_dead_centre_rad), m.stroke_m, 1e-12);
}
END_TEST

START_TEST(derivative_is_that_of_the_volume)
{
	struct mech m = machine(_i);
	const double h = 1e-5;
	for (double theta = -7; theta < 7; theta += .0385)
		for (int end = END_CAP; end < END_COUNT; end++) {
			enum engine_end k = (enum engine_end)end;
			double slope =
			    (mech_volume_m3(&m, k, theta + h) - mech_volume_m3(&m, k, theta - h)) / (2 * h);
			/* Short rods bend sharply near the rod-end dead centre. */
			double scale = m.area_m2[end] * m.stroke_m;
			ck_assert_double_eq_tol(mech_dvolume_m3(&m, k, theta), slope, 1e-6 * scale);
		}
}
END_TEST

START_TEST(volumes_of_the_ends_belong_together)
{
	struct mech m = machine(_i);
	for (double theta = 0; theta < TURN; theta += .0385) {
		double cap =
		    (mech_volume_m3(&m, END_CAP, theta) - m.clearance_m3[END_CAP]) / m.area_m2[END_CAP];
		double rod =
		    (mech_volume_m3(&m, END_ROD, theta) - m.clearance_m3[END_ROD]) / m.area_m2[END_ROD];
		ck_assert_double_eq_tol(cap + rod, m.stroke_m, 1e-12 * (1 + m.stroke_m));
	}
	ck_assert_double_eq_tol(mech_volume_m3(&m, END_CAP, 0), 18e-6, 1e-15);
	ck_assert_double_eq_tol(mech_volume_m3(&m, END_ROD, 0), 21e-6 + mech_swept_m3(&m, END_ROD), 1e-14);
	ck_assert_double_eq_tol(mech_volume_m3(&m, END_ROD, mech_dead_centre_rad(&m, END_ROD)), 21e-6, 1e-14);
	ck_assert_double_eq(mech_dead_centre_rad(&m, END_CAP), 0);
}
END_TEST

START_TEST(angle_at_fraction_undoes_the_travel)
{
	struct mech m = machine(_i);
	for (double f = 0; f <= 1; f += 1 / 128.) {
		double cap = mech_angle_at_fraction_rad(&m, END_CAP, f);
		double rod = mech_angle_at_fraction_rad(&m, END_ROD, f);
		ck_assert_double_eq_tol(mech_travel_m(&m, cap) / m.stroke_m, f, 1e-12);
		ck_assert_double_eq_tol(mech_travel_m(&m, m.rod_dead_centre_rad + rod) / m.stroke_m, 1 - f,
		                        1e-12);
		/* The working stroke goes forward from the end's own dead centre. */
		ck_assert_double_ge(cap, -1e-7);
		ck_assert_double_le(cap, m.rod_dead_centre_rad + 1e-7);
		ck_assert_double_ge(rod, -1e-7);
		ck_assert_double_le(rod, TURN - m.rod_dead_centre_rad + 1e-7);
	}
	ck_assert_double_eq(mech_angle_at_fraction_rad(&m, END_CAP, -1),
	                    mech_angle_at_fraction_rad(&m, END_CAP, 0));
	ck_assert_double_eq(mech_angle_at_fraction_rad(&m, END_CAP, 2),
	                    mech_angle_at_fraction_rad(&m, END_CAP, 1));
}
END_TEST

/* Crosshead by search: slider on the line y = offset at rod length from the pin,
 * found by bisection. */
static double searched_x(double rod, double r, double offset, double a)
{
	double pin_x = r * cos(a), pin_y = r * sin(a);
	double low = pin_x, high = pin_x + 2 * rod;
	for (int i = 0; i < 80; i++) {
		double x = (low + high) / 2;
		if (hypot(x - pin_x, offset - pin_y) < rod)
			low = x;
		else
			high = x;
	}
	return low;
}

/* Crank angle of the greatest (sign 1) or least (-1) slider position. */
static double searched_dead_centre(double rod, double r, double offset, double sign)
{
	double best = 0, step = .01;
	for (double a = 0; a < TURN; a += step)
		if (sign * searched_x(rod, r, offset, a) > sign * searched_x(rod, r, offset, best))
			best = a;
	for (; step > 1e-10; step /= 2) {
		if (sign * searched_x(rod, r, offset, best + step) > sign * searched_x(rod, r, offset, best))
			best += step;
		if (sign * searched_x(rod, r, offset, best - step) > sign * searched_x(rod, r, offset, best))
			best -= step;
	}
	return best;
}

START_TEST(offset_crosshead_agrees_with_a_search)
{
	static const double rows[][3] = {
	    {.3, .0625, .03}, {.3, .0625, -.03}, {4, 1, 2.5}, {4, 1, -2.9}, {5, 3, 0}};
	const double rod = rows[_i][0], r = rows[_i][1], offset = rows[_i][2];
	struct mech m = crosshead(rod, r, offset);
	double a_cap = searched_dead_centre(rod, r, offset, 1),
	       a_rod = searched_dead_centre(rod, r, offset, -1);
	double x_cap = searched_x(rod, r, offset, a_cap);
	/* A search finds an extreme angle only to the root of the precision. */
	ck_assert_double_eq_tol(sin(m.a0_rad - a_cap), 0, 1e-6);
	ck_assert_double_eq_tol(m.rod_dead_centre_rad, fmod(a_rod - a_cap + TURN, TURN), 1e-6);
	ck_assert_double_eq_tol(m.stroke_m, x_cap - searched_x(rod, r, offset, a_rod), 1e-12 * rod);
	for (double theta = 0; theta < TURN; theta += .0385)
		ck_assert_double_eq_tol(mech_travel_m(&m, theta),
		                        x_cap - searched_x(rod, r, offset, theta + m.a0_rad), 1e-12 * rod);
}
END_TEST

START_TEST(positive_offset_lengthens_the_outward_half_turn)
{
	struct mech plus = crosshead(.3, .0625, .03), minus = crosshead(.3, .0625, -.03);
	ck_assert_double_gt(plus.rod_dead_centre_rad, UNIT_PI);
	ck_assert_double_eq_tol(plus.rod_dead_centre_rad + minus.rod_dead_centre_rad, TURN, 1e-12);
	/* Turning the other way round mirrors the machine. */
	for (double theta = 0; theta < TURN; theta += .1)
		ck_assert_double_eq_tol(mech_travel_m(&plus, theta), mech_travel_m(&minus, -theta), 1e-15);
}
END_TEST

START_TEST(single_acting_engine_has_no_rod_end)
{
	struct engine e = {.mechanism = MECHANISM_OSCILLATING,
	                   .pivot_distance_m = .42,
	                   .crank_radius_m = .0625,
	                   .bore_m = .063,
	                   .rod_m = NAN,
	                   .clearance_m3 = {18e-6, NAN}};
	struct mech m = mech_of(&e);
	ck_assert_double_nan(m.area_m2[END_ROD]);
	ck_assert_double_nan(mech_volume_m3(&m, END_ROD, 1));
	ck_assert_double_finite(mech_volume_m3(&m, END_CAP, 1));
}
END_TEST

int main(void)
{
	Suite *s = suite_create("mech");
	TCase *t = tcase_create("mech");
	tcase_add_loop_test(t, slider_crank_travel, 0, ROWS(slider));
	tcase_add_loop_test(t, slider_crank_angle_at_fraction, 0, ROWS(slider_angles));
	tcase_add_test(t, slider_crank_greatest_speed);
	tcase_add_test(t, slider_crank_in_whole_numbers);
	tcase_add_loop_test(t, oscillating_cylinder_travel_and_arm, 0, ROWS(inverted));
	tcase_add_test(t, oscillating_cylinder_angle_at_fraction);
	tcase_add_test(t, mid_stroke_is_where_the_slider_crank_has_it);
	tcase_add_loop_test(t, work_identity_of_the_arm, 0, MACHINES);
	tcase_add_test(t, thrust_of_standard_cylinders);
	tcase_add_loop_test(t, travel_stays_in_the_stroke_and_meets_its_ends, 0, MACHINES);
	tcase_add_loop_test(t, derivative_is_that_of_the_volume, 0, MACHINES);
	tcase_add_loop_test(t, volumes_of_the_ends_belong_together, 0, MACHINES);
	tcase_add_loop_test(t, angle_at_fraction_undoes_the_travel, 0, MACHINES);
	tcase_add_loop_test(t, offset_crosshead_agrees_with_a_search, 0, 5);
	tcase_add_test(t, positive_offset_lengthens_the_outward_half_turn);
	tcase_add_test(t, single_acting_engine_has_no_rod_end);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
