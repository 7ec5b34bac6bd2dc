/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The smoother against the slow, obvious way: the angles at all edges as one
 * Gaussian vector, conditioned on the measured ones by dense linear algebra. */
#include "analyse/crank_motion.h"
#include "analyse/crank_smooth.h"

#include <check.h>
#include <gsl/gsl_blas.h>
#include <gsl/gsl_linalg.h>
#include <gsl/gsl_rng.h>
#include <gsl/gsl_randist.h>
#include <math.h>
#include <stdlib.h>

#define EDGES 60
#define DRIFT 0.4 /* rad2/s4 per rad */
#define OMEGA 10.0
#define EDGE_SD 2e-4

/* Covariance of a twice integrated Wiener process of q per second. */
static double wiener2(double s, double t, double q)
{
	double m = fmin(s, t), M = fmax(s, t);
	/* integral over u in 0..m of (m - u)^2 (M - u)^2 / 4 */
	double d = M - m;
	return q * 0.25 * (pow(m, 5) / 5 + d * pow(m, 4) / 2 + d * d * pow(m, 3) / 3);
}

static void make_edges(struct smooth_edge *e, unsigned seed)
{
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	gsl_rng_set(rng, seed);
	double t = 0;
	for (int i = 0; i < EDGES; i++) {
		e[i].t_s = t;
		/* no edge so far off that the smoother would weigh it less */
		e[i].angle_rad = OMEGA * t + EDGE_SD * gsl_ran_flat(rng, -1.7, 1.7);
		t += 0.013 * (0.7 + 0.6 * gsl_rng_uniform(rng)) * (i % 9 == 8 ? 2 : 1);
	}
	gsl_rng_free(rng);
}

/* Prior covariance: start state as the filter takes it, then the drift. */
static void dense(const struct smooth_edge *e, double edge_var, double *mean, double *var)
{
	gsl_matrix *k = gsl_matrix_alloc(EDGES, EDGES), *s = gsl_matrix_alloc(EDGES, EDGES);
	gsl_vector *y = gsl_vector_alloc(EDGES), *x = gsl_vector_alloc(EDGES), *col = gsl_vector_alloc(EDGES);
	double omega = (e[1].angle_rad - e[0].angle_rad) / (e[1].t_s - e[0].t_s), w2 = omega * omega;
	for (int i = 0; i < EDGES; i++) {
		gsl_vector_set(y, (size_t)i, e[i].angle_rad - e[0].angle_rad - omega * e[i].t_s);
		for (int j = 0; j < EDGES; j++) {
			double a = e[i].t_s, b = e[j].t_s;
			double start = 1e4 * edge_var + w2 * a * b + w2 * w2 * 0.25 * a * a * b * b;
			gsl_matrix_set(k, (size_t)i, (size_t)j, start + wiener2(a, b, DRIFT * OMEGA));
		}
	}
	gsl_matrix_memcpy(s, k);
	for (size_t i = 0; i < EDGES; i++)
		*gsl_matrix_ptr(s, i, i) += edge_var;
	gsl_linalg_cholesky_decomp1(s);
	gsl_linalg_cholesky_solve(s, y, x);
	for (size_t i = 0; i < EDGES; i++) {
		gsl_vector_view row = gsl_matrix_row(k, i);
		double m, v;
		gsl_blas_ddot(&row.vector, x, &m);
		gsl_linalg_cholesky_solve(s, &row.vector, col);
		gsl_blas_ddot(&row.vector, col, &v);
		mean[i] = m + e[0].angle_rad + omega * e[i].t_s;
		var[i] = gsl_matrix_get(k, i, i) - v;
	}
	gsl_matrix_free(k);
	gsl_matrix_free(s);
	gsl_vector_free(y);
	gsl_vector_free(x);
	gsl_vector_free(col);
}

START_TEST(the_smoother_agrees_with_dense_conditioning)
{
	struct smooth_edge e[EDGES];
	struct smooth_state out[EDGES];
	double mean[EDGES], var[EDGES];
	make_edges(e, (unsigned)_i + 1);
	struct smooth_noise noise = {.edge_sd_rad = EDGE_SD, .drift_rad2_s4 = DRIFT};
	struct smooth_work *w = smooth_work_new();
	smooth_run(w, &noise, e, EDGES, out);
	smooth_work_free(w);
	double timer = 1.2e-6 * OMEGA;
	dense(e, EDGE_SD * EDGE_SD + timer * timer, mean, var);
	for (int i = 0; i < EDGES; i++) {
		/* the filter scales the drift by its own speed, within a per cent of OMEGA */
		ck_assert_double_eq_tol(out[i].theta_rad, mean[i], 0.02 * EDGE_SD);
		ck_assert_double_eq_tol(out[i].theta_var / var[i], 1, 0.01);
	}
}
END_TEST

/* One step of the motion against the textbook product F P F' + Q. */
START_TEST(moving_the_covariance_is_the_matrix_product)
{
	double p[6] = {2, 0.3, -0.1, 1.5, 0.2, 0.7}, dt = 0.37, q = 1.3;
	double f[3][3] = {{1, dt, dt * dt / 2}, {0, 1, dt}, {0, 0, 1}};
	double full[3][3] = {{p[0], p[1], p[2]}, {p[1], p[3], p[4]}, {p[2], p[4], p[5]}}, want[3][3] = {{0}};
	double noise[3][3] = {{pow(dt, 5) / 20, pow(dt, 4) / 8, pow(dt, 3) / 6},
	                      {pow(dt, 4) / 8, pow(dt, 3) / 3, dt * dt / 2},
	                      {pow(dt, 3) / 6, dt * dt / 2, dt}};
	for (int i = 0; i < 3; i++)
		for (int j = 0; j < 3; j++) {
			want[i][j] = q * noise[i][j];
			for (int a = 0; a < 3; a++)
				for (int b = 0; b < 3; b++)
					want[i][j] += f[i][a] * full[a][b] * f[j][b];
		}
	motion_move_covariance(p, dt, q);
	double got[3][3] = {{p[0], p[1], p[2]}, {p[1], p[3], p[4]}, {p[2], p[4], p[5]}};
	for (int i = 0; i < 3; i++)
		for (int j = 0; j < 3; j++)
			ck_assert_double_eq_tol(got[i][j], want[i][j], 1e-12);
}
END_TEST

/* Blocks overlap so far that where they are cut does not show. */
START_TEST(blocks_do_not_show)
{
	const size_t n = 9000;
	struct smooth_edge *e = malloc(n * sizeof *e);
	struct smooth_state *all = malloc(n * sizeof *all), *part = malloc(n * sizeof *part);
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	for (size_t i = 0; i < n; i++) {
		e[i].t_s = 0.01 * (double)i;
		e[i].angle_rad =
		    OMEGA * e[i].t_s + 0.01 * sin(2 * OMEGA * e[i].t_s) + gsl_ran_gaussian(rng, EDGE_SD);
	}
	struct smooth_noise noise = {.edge_sd_rad = EDGE_SD, .drift_rad2_s4 = 1.0};
	struct smooth_work *w = smooth_work_new();
	smooth_run(w, &noise, e, n, all);
	smooth_run(w, &noise, e + 1000, n - 1000, part); /* cut elsewhere */
	for (size_t i = 2000; i + 1000 < n; i++) {
		ck_assert_double_eq_tol(all[i].theta_rad, part[i - 1000].theta_rad, 1e-9);
		ck_assert_double_eq_tol(all[i].theta_var / part[i - 1000].theta_var, 1, 1e-6);
	}
	smooth_work_free(w);
	gsl_rng_free(rng);
	free(e);
	free(all);
	free(part);
}
END_TEST

START_TEST(the_noise_is_found)
{
	/* a crank whose acceleration does wander, measured with a known scatter */
	enum { N = 4000 };
	static struct smooth_edge e[N];
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	gsl_rng_set(rng, (unsigned)_i + 7);
	double x[3] = {0, OMEGA, 0}, dt = 0.012;
	for (int i = 0; i < N; i++) {
		e[i].t_s = dt * i;
		e[i].angle_rad = x[0] + gsl_ran_gaussian(rng, EDGE_SD);
		for (int k = 0; k < 10; k++) {
			motion_move_state(x, dt / 10);
			x[2] += gsl_ran_gaussian(rng, sqrt(2.0 * OMEGA * dt / 10)) - 0.02 * x[2];
			x[1] += 0.02 * (OMEGA - x[1]);
		}
	}
	struct smooth_noise noise = {.edge_sd_rad = 0};
	ck_assert(smooth_fit_noise(e, N, &noise));
	ck_assert_double_eq_tol(noise.edge_sd_rad / EDGE_SD, 1, 0.15);
	ck_assert(!smooth_fit_noise(e, 20, &noise));
	gsl_rng_free(rng);
}
END_TEST

START_TEST(a_wrong_edge_hardly_pulls)
{
	struct smooth_edge e[EDGES];
	struct smooth_state before[EDGES], after[EDGES];
	make_edges(e, 5);
	struct smooth_noise noise = {.edge_sd_rad = EDGE_SD, .drift_rad2_s4 = DRIFT};
	struct smooth_work *w = smooth_work_new();
	smooth_run(w, &noise, e, EDGES, before);
	e[30].angle_rad += 0.01; /* 50 standard deviations */
	smooth_run(w, &noise, e, EDGES, after);
	smooth_work_free(w);
	for (int i = 0; i < EDGES; i++)
		ck_assert_double_eq_tol(after[i].theta_rad, before[i].theta_rad, 3 * EDGE_SD);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("crank smoother");
	TCase *t = tcase_create("crank smoother");
	tcase_add_loop_test(t, the_smoother_agrees_with_dense_conditioning, 0, 5);
	tcase_add_test(t, moving_the_covariance_is_the_matrix_product);
	tcase_add_test(t, blocks_do_not_show);
	tcase_add_loop_test(t, the_noise_is_found, 0, 3);
	tcase_add_test(t, a_wrong_edge_hardly_pulls);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
