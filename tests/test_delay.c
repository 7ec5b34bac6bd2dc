/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/delay.h"

#include <check.h>
#include <gsl/gsl_multifit.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdlib.h>

#define RPM (M_PI / 30)

START_TEST(a_mean_ignores_gross_outliers)
{
	double x[40];
	for (int i = 0; i < 40; i++)
		x[i] = 20 + 0.1 * ((i * 7) % 11 - 5) + (i % 10 == 3 ? 25 : 0);
	struct delay_mean m;
	ck_assert_int_eq(delay_mean(x, NULL, 40, &m), 0);
	ck_assert_double_eq_tol(m.mean, 20, 0.1);
	ck_assert_double_lt(m.ci95[0], m.mean);
	ck_assert_double_gt(m.ci95[1], m.mean);
	ck_assert_double_lt(m.ci95[1] - m.ci95[0], 0.6);
}
END_TEST

START_TEST(nothing_and_one_value_have_no_interval)
{
	struct delay_mean m;
	double one = 3;
	ck_assert_int_eq(delay_mean(NULL, NULL, 0, &m), 0);
	ck_assert(isnan(m.mean) && isnan(m.ci95[0]));
	ck_assert_int_eq(delay_mean(&one, NULL, 1, &m), 0);
	ck_assert_double_eq(m.mean, 3);
	ck_assert(isnan(m.ci95[0]) && isnan(m.spread));
}
END_TEST

START_TEST(equal_values_give_themselves)
{
	double x[20];
	struct delay_mean m;
	for (int i = 0; i < 20; i++)
		x[i] = 0.0123;
	ck_assert_int_eq(delay_mean(x, NULL, 20, &m), 0);
	ck_assert_double_eq_tol(m.mean, 0.0123, 1e-15);
	ck_assert_double_eq_tol(m.ci95[0], 0.0123, 1e-12);
}
END_TEST

START_TEST(the_same_values_give_the_same_interval)
{
	double x[60];
	struct delay_mean a, b;
	for (int i = 0; i < 60; i++)
		x[i] = sin(i * 1.7);
	ck_assert_int_eq(delay_mean(x, NULL, 60, &a), 0);
	ck_assert_int_eq(delay_mean(x, NULL, 60, &b), 0);
	ck_assert_double_eq(a.ci95[0], b.ci95[0]);
	ck_assert_double_eq(a.ci95[1], b.ci95[1]);
}
END_TEST

/* NIST StRD, Norris: certified least-squares line -0.262323073774029 (sd 0.232818234301152) and
 * 1.00211681802045 (sd 0.000429796848199937).  A robust line is not least squares, but on data without
 * outliers it must lie within the certified standard deviations. */
static const double norris_x[] = {.2,    337.4, 118.2, 884.6, 10.1,  226.5, 666.3, 996.3, 448.6,
                                  777.0, 558.2, .4,    .6,    775.5, 666.9, 338.0, 447.5, 11.6,
                                  556.0, 228.1, 995.8, 887.6, 120.2, .3,    .3,    556.8, 339.1,
                                  887.2, 999.0, 779.0, 11.1,  118.3, 229.2, 669.1, 448.9, .5};
static const double norris_y[] = {.1,    338.8, 118.1, 888.0, 9.2,   228.1, 668.5, 998.5, 449.1,
                                  778.9, 559.2, .3,    .1,    778.1, 668.8, 339.3, 448.9, 10.8,
                                  557.7, 228.3, 998.0, 888.8, 119.6, .3,    .6,    557.6, 339.3,
                                  888.0, 998.5, 778.9, 10.2,  117.6, 228.9, 668.4, 449.2, .2};
#define NORRIS (sizeof(norris_x) / sizeof(*norris_x))

START_TEST(norris_line_within_its_certified_deviation)
{
	struct delay_line l;
	ck_assert_int_eq(delay_line(norris_x, norris_y, NULL, NORRIS, &l), 0);
	ck_assert(l.separable);
	ck_assert_double_eq_tol(l.at_zero, -0.262323073774029, 0.232818234301152);
	ck_assert_double_eq_tol(l.slope, 1.00211681802045, 0.000429796848199937);
	ck_assert_double_eq_tol(l.at_mean, l.at_zero + l.slope * l.mean_speed, 1e-9);
	ck_assert_double_lt(l.slope_ci95[0], 1.00211681802045);
	ck_assert_double_gt(l.slope_ci95[1], 1.00211681802045);
}
END_TEST

/* One synthetic ride, as the methods page has it: scatter 0.1 deg and 0.4 ms, outliers of 20 ms. */
struct ride {
	double speed[200], y[200];
	int64_t turn[200];
};

static void make_ride(gsl_rng *rng, double low_rpm, double high_rpm, double offset_deg, double delay_s,
                      struct ride *r)
{
	for (int i = 0; i < 200; i++) {
		double w = RPM * (low_rpm + (high_rpm - low_rpm) * gsl_rng_uniform(rng));
		double t = delay_s + gsl_ran_gaussian(rng, 0.4e-3);
		if (gsl_rng_uniform(rng) < 0.1)
			t += gsl_rng_uniform(rng) < 0.5 ? -20e-3 : 20e-3;
		r->speed[i] = w;
		r->y[i] = (offset_deg + gsl_ran_gaussian(rng, 0.1)) * M_PI / 180 + w * t;
		r->turn[i] = i;
	}
}

START_TEST(gsl_finds_the_same_line)
{
	struct ride r;
	struct delay_line l;
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_taus2);
	make_ride(rng, 60, 200, 2, 20e-3, &r);
	ck_assert_int_eq(delay_line(r.speed, r.y, r.turn, 200, &l), 0);
	gsl_matrix *x = gsl_matrix_alloc(200, 2);
	gsl_vector_view y = gsl_vector_view_array(r.y, 200);
	for (size_t i = 0; i < 200; i++) {
		gsl_matrix_set(x, i, 0, 1);
		gsl_matrix_set(x, i, 1, r.speed[i]);
	}
	gsl_vector *c = gsl_vector_alloc(2);
	gsl_matrix *cov = gsl_matrix_alloc(2, 2);
	gsl_multifit_robust_workspace *work = gsl_multifit_robust_alloc(gsl_multifit_robust_bisquare, 200, 2);
	ck_assert_int_eq(gsl_multifit_robust(x, &y.vector, c, cov, work), 0);
	/* GSL knows nothing of the weights: the same within its own standard deviations */
	ck_assert_double_eq_tol(l.at_zero, gsl_vector_get(c, 0), 2 * sqrt(gsl_matrix_get(cov, 0, 0)));
	ck_assert_double_eq_tol(l.slope, gsl_vector_get(c, 1), 2 * sqrt(gsl_matrix_get(cov, 1, 1)));
	gsl_multifit_robust_free(work);
	gsl_matrix_free(cov);
	gsl_vector_free(c);
	gsl_matrix_free(x);
	gsl_rng_free(rng);
}
END_TEST

START_TEST(delay_and_offset_are_told_apart_over_a_wide_span)
{
	enum { SETS = 60 };
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_taus2);
	double slope2 = 0, offset2 = 0;
	int inside = 0;
	for (int i = 0; i < SETS; i++) {
		struct ride r;
		struct delay_line l;
		make_ride(rng, 60, 200, 2, 20e-3, &r);
		ck_assert_int_eq(delay_line(r.speed, r.y, r.turn, 200, &l), 0);
		ck_assert(l.separable);
		ck_assert_double_lt(fabs(l.bend_t), 6);
		slope2 += pow(l.slope - 20e-3, 2);
		offset2 += pow(l.at_zero * 180 / M_PI - 2, 2);
		inside += l.slope_ci95[0] < 20e-3 && l.slope_ci95[1] > 20e-3;
	}
	ck_assert_double_lt(sqrt(slope2 / SETS), 0.15e-3);
	ck_assert_double_lt(sqrt(offset2 / SETS), 0.1);
	ck_assert_int_ge(inside, SETS * 88 / 100);
	gsl_rng_free(rng);
}
END_TEST

START_TEST(a_narrow_span_is_refused_but_its_middle_is_given)
{
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_taus2);
	struct ride r;
	struct delay_line l;
	make_ride(rng, 90, 110, 2, 20e-3, &r);
	ck_assert_int_eq(delay_line(r.speed, r.y, r.turn, 200, &l), 0);
	ck_assert(!l.separable);
	ck_assert(isnan(l.slope) && isnan(l.at_zero) && isnan(l.slope_ci95[0]));
	double middle = 2 * M_PI / 180 + 20e-3 * l.mean_speed;
	ck_assert_double_eq_tol(l.at_mean, middle, 0.1 * M_PI / 180);
	ck_assert_double_lt(l.at_mean_ci95[0], middle);
	ck_assert_double_gt(l.at_mean_ci95[1], middle);
	gsl_rng_free(rng);
}
END_TEST

START_TEST(a_bent_line_is_noticed)
{
	double speed[100], y[100];
	struct delay_line l;
	for (int i = 0; i < 100; i++) {
		speed[i] = 5 + 0.2 * i;
		y[i] = 0.02 * speed[i] + 2e-3 * pow(speed[i] - 15, 2) + 0.01 * sin(i * 2.3);
	}
	ck_assert_int_eq(delay_line(speed, y, NULL, 100, &l), 0);
	ck_assert_double_gt(fabs(l.bend_t), 6);
}
END_TEST

/* Supply from 4 to 6 bar and battery from 12.6 V down, `alike` of its way with the supply: 20 ms, -1.5 ms a
 * bar, -0.8 ms a volt; scatter and outliers as above. */
struct causes {
	double supply_pa[200], battery_v[200], delay_s[200];
};

static void make_causes(gsl_rng *rng, double alike, struct causes *c)
{
	for (int i = 0; i < 200; i++) {
		double way = (double)i / 200, own = gsl_rng_uniform(rng);
		c->supply_pa[i] = 6e5 - 2e5 * way;
		c->battery_v[i] = 12.6 - 1.5 * (alike * way + (1 - alike) * own);
		c->delay_s[i] = 20e-3 - 1.5e-8 * (c->supply_pa[i] - 5e5) - 0.8e-3 * (c->battery_v[i] - 12) +
		                gsl_ran_gaussian(rng, 0.4e-3);
		if (gsl_rng_uniform(rng) < 0.1)
			c->delay_s[i] += gsl_rng_uniform(rng) < 0.5 ? -20e-3 : 20e-3;
	}
}

START_TEST(two_causes_are_told_apart)
{
	enum { SETS = 60 };
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_taus2);
	int inside[2] = {0, 0};
	for (int i = 0; i < SETS; i++) {
		struct causes c;
		struct delay_plane p;
		make_causes(rng, 0.3, &c);
		const double *x[2] = {c.supply_pa, c.battery_v};
		ck_assert_int_eq(delay_plane(x, 2, c.delay_s, NULL, 200, &p), 0);
		ck_assert_double_eq_tol(p.cause[0].per, -1.5e-8, 0.35e-8);
		ck_assert_double_eq_tol(p.cause[1].per, -0.8e-3, 0.4e-3);
		inside[0] += p.cause[0].per_ci95[0] < -1.5e-8 && -1.5e-8 < p.cause[0].per_ci95[1];
		inside[1] += p.cause[1].per_ci95[0] < -0.8e-3 && -0.8e-3 < p.cause[1].per_ci95[1];
	}
	ck_assert_int_ge(inside[0], SETS * 88 / 100);
	ck_assert_int_ge(inside[1], SETS * 88 / 100);
	gsl_rng_free(rng);
}
END_TEST

START_TEST(causes_that_move_together_widen_the_interval)
{
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_taus2);
	struct causes apart, together;
	struct delay_plane a, t;
	make_causes(rng, 0.3, &apart);
	make_causes(rng, 0.97, &together);
	const double *xa[2] = {apart.supply_pa, apart.battery_v};
	const double *xt[2] = {together.supply_pa, together.battery_v};
	ck_assert_int_eq(delay_plane(xa, 2, apart.delay_s, NULL, 200, &a), 0);
	ck_assert_int_eq(delay_plane(xt, 2, together.delay_s, NULL, 200, &t), 0);
	ck_assert_double_gt(fabs(t.cause[0].alike), 0.99);
	ck_assert_int_eq(t.cause[0].with, 1);
	ck_assert_double_lt(fabs(a.cause[0].alike), 0.9);
	double wide = t.cause[0].per_ci95[1] - t.cause[0].per_ci95[0];
	ck_assert_double_gt(wide, 4 * (a.cause[0].per_ci95[1] - a.cause[0].per_ci95[0]));
	ck_assert_double_lt(t.cause[0].per_ci95[0], -1.5e-8);
	ck_assert_double_gt(t.cause[0].per_ci95[1], -1.5e-8);
	gsl_rng_free(rng);
}
END_TEST

START_TEST(gsl_finds_the_same_plane)
{
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_taus2);
	struct causes c;
	struct delay_plane p;
	make_causes(rng, 0.3, &c);
	const double *x[2] = {c.supply_pa, c.battery_v};
	ck_assert_int_eq(delay_plane(x, 2, c.delay_s, NULL, 200, &p), 0);
	gsl_matrix *m = gsl_matrix_alloc(200, 3);
	gsl_vector_view y = gsl_vector_view_array(c.delay_s, 200);
	for (size_t i = 0; i < 200; i++) {
		gsl_matrix_set(m, i, 0, 1);
		gsl_matrix_set(m, i, 1, (c.supply_pa[i] - 5e5) * 1e-5);
		gsl_matrix_set(m, i, 2, c.battery_v[i] - 12);
	}
	gsl_vector *b = gsl_vector_alloc(3);
	gsl_matrix *cov = gsl_matrix_alloc(3, 3);
	gsl_multifit_robust_workspace *work = gsl_multifit_robust_alloc(gsl_multifit_robust_bisquare, 200, 3);
	ck_assert_int_eq(gsl_multifit_robust(m, &y.vector, b, cov, work), 0);
	ck_assert_double_eq_tol(p.cause[0].per * 1e5, gsl_vector_get(b, 1), sqrt(gsl_matrix_get(cov, 1, 1)));
	ck_assert_double_eq_tol(p.cause[1].per, gsl_vector_get(b, 2), sqrt(gsl_matrix_get(cov, 2, 2)));
	gsl_multifit_robust_free(work);
	gsl_matrix_free(cov);
	gsl_vector_free(b);
	gsl_matrix_free(m);
	gsl_rng_free(rng);
}
END_TEST

/* Delay 20 ms, offset 2 deg; of one in eight the count is 10 deg out, one in nine comes 20 ms late. */
START_TEST(parts_add_up_to_the_whole_and_outliers_touch_neither)
{
	double speed[120], whole[120], count[120], advance[120], unknown[120];
	struct delay_split s;
	for (int i = 0; i < 120; i++) {
		speed[i] = RPM * (60 + i);
		count[i] = M_PI / 180 * (2 + 0.1 * ((i * 7) % 11 - 5) + (i % 8 == 2 ? 10 : 0));
		advance[i] = speed[i] * (20e-3 + 1e-4 * ((i * 5) % 13 - 6) + (i % 9 == 4 ? 20e-3 : 0));
		whole[i] = count[i] + advance[i];
		unknown[i] = NAN;
	}
	const double *part[3] = {count, advance, unknown};
	ck_assert_int_eq(delay_split(speed, whole, part, 3, NULL, 120, &s), 0);
	ck_assert_double_eq_tol(s.part[0] + s.part[1], s.whole, 1e-12);
	ck_assert(isnan(s.part[2]));
	ck_assert_double_eq_tol(s.mean_speed, RPM * 119.5, 1e-9);
	ck_assert_double_eq_tol(s.part[0] * 180 / M_PI, 2, 0.1);
	ck_assert_double_eq_tol(s.part[1], 20e-3 * s.mean_speed, 0.1 * M_PI / 180);
	double truth = 2 * M_PI / 180 + 20e-3 * s.mean_speed;
	ck_assert_double_lt(s.whole_ci95[0], truth);
	ck_assert_double_gt(s.whole_ci95[1], truth);
	ck_assert_double_lt(s.whole_ci95[1] - s.whole_ci95[0], 0.5 * M_PI / 180);
	ck_assert_double_lt(s.spread * 180 / M_PI, 1);
}
END_TEST

START_TEST(nothing_has_no_parts)
{
	struct delay_split s;
	const double *part[1] = {NULL};
	ck_assert_int_eq(delay_split(NULL, NULL, part, 1, NULL, 0, &s), 0);
	ck_assert(isnan(s.whole) && isnan(s.part[0]) && isnan(s.whole_ci95[0]));
}
END_TEST

int main(void)
{
	Suite *suite = suite_create("delay");
	TCase *tc = tcase_create("delay");
	tcase_set_timeout(tc, 60);
	tcase_add_test(tc, a_mean_ignores_gross_outliers);
	tcase_add_test(tc, nothing_and_one_value_have_no_interval);
	tcase_add_test(tc, equal_values_give_themselves);
	tcase_add_test(tc, the_same_values_give_the_same_interval);
	tcase_add_test(tc, norris_line_within_its_certified_deviation);
	tcase_add_test(tc, gsl_finds_the_same_line);
	tcase_add_test(tc, delay_and_offset_are_told_apart_over_a_wide_span);
	tcase_add_test(tc, a_narrow_span_is_refused_but_its_middle_is_given);
	tcase_add_test(tc, a_bent_line_is_noticed);
	tcase_add_test(tc, two_causes_are_told_apart);
	tcase_add_test(tc, causes_that_move_together_widen_the_interval);
	tcase_add_test(tc, gsl_finds_the_same_plane);
	tcase_add_test(tc, parts_add_up_to_the_whole_and_outliers_touch_neither);
	tcase_add_test(tc, nothing_has_no_parts);
	suite_add_tcase(suite, tc);
	SRunner *runner = srunner_create(suite);
	srunner_run_all(runner, CK_NORMAL);
	int failed = srunner_ntests_failed(runner);
	srunner_free(runner);
	return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
