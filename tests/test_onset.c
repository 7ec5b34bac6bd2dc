/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/onset.h"

#include "common/air.h"

#include <check.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define TW 293.15 /* K, walls and supply: also the reference temperature of ISO 6358 */

static struct onset_window window;
static gsl_rng *rng;

static void set_up(void)
{
	memset(&window, 0, sizeof(window));
	rng = gsl_rng_alloc(gsl_rng_taus2);
}

static void tear_down(void)
{
	gsl_rng_free(rng);
}

/* A chamber of constant volume with samples at every node. */
static void still_chamber(double volume_m3, double step_s, enum onset_passage passage, bool opening)
{
	window.passage = passage;
	window.opening = opening;
	window.cells = ONSET_CELLS_MAX;
	window.start_s = 0;
	window.step_s = step_s;
	window.ambient_pa = 101300;
	window.noise_pa = 1000;
	window.wall = 1;
	for (size_t k = 0; k < window.cells; k++) {
		window.log_volume[k] = log(volume_m3);
		window.volume_m3[k] = volume_m3;
		window.supply_pa[k] = 7e5;
	}
	window.log_volume[window.cells] = log(volume_m3);
	window.n = ONSET_SAMPLES_MAX;
	for (size_t i = 0; i < window.n; i++)
		window.t_s[i] = step_s * (double)i;
}

static void predict(const double *value, double *out)
{
	double lanes[1][ONSET_SAMPLES_MAX];
	onset_predict(&window, (const double(*)[ONSET_PARAMETERS])value, 1, lanes);
	memcpy(out, lanes[0], sizeof(lanes[0]));
}

/* Time at which the prediction passes a pressure. */
static double time_at(const double *p, double level_pa)
{
	for (size_t i = 1; i < window.n; i++)
		if ((p[i] - level_pa) * (p[i - 1] - level_pa) <= 0 && p[i] != p[i - 1])
			return window.t_s[i - 1] + (window.t_s[i] - window.t_s[i - 1]) *
			                               (level_pa - p[i - 1]) / (p[i] - p[i - 1]);
	return NAN;
}

/* 1 dm3 from 7.013 bar absolute through C = 1 dm3/(s bar), b = 0.3, to 1.013 bar, 20 degC. */
static void blow_down(double heat, double *p)
{
	still_chamber(1e-3, 5e-3, ONSET_EXHAUST, true);
	double k = 1e-8 * AIR_ANR_DENSITY * AIR_R * TW;
	double value[ONSET_PARAMETERS] = {
	    [ONSET_T50] = -1,         [ONSET_P0] = log(7.013e5), [ONSET_K] = log(k),
	    [ONSET_HEAT] = log(heat), [ONSET_RAMP] = log(1e-3),  [ONSET_B] = 0.3};
	predict(value, p);
}

/* Tank discharge: closed forms for the choked part (half pressure), Runge-Kutta for the rest: check values
 * 0.52193 and 0.98430 s adiabatic, 0.69512 and 1.25832 s isothermal. */
START_TEST(an_adiabatic_tank_empties_as_the_closed_form_says)
{
	double p[ONSET_SAMPLES_MAX];
	blow_down(1e-6, p);
	ck_assert_double_eq_tol(time_at(p, 3.5065e5), 0.52193, 0.001);
	ck_assert_double_eq_tol(time_at(p, 2.013e5), 0.98430, 0.004);
}
END_TEST

START_TEST(an_isothermal_tank_empties_as_the_closed_form_says)
{
	double p[ONSET_SAMPLES_MAX];
	blow_down(5e4, p);
	ck_assert_double_eq_tol(time_at(p, 3.5065e5), 0.69512, 0.004);
	ck_assert_double_eq_tol(time_at(p, 2.013e5), 1.25832, 0.008);
}
END_TEST

START_TEST(shut_and_without_heat_it_follows_the_adiabatic_law)
{
	double p[ONSET_SAMPLES_MAX];
	still_chamber(1e-4, 1e-3, ONSET_INLET, true);
	for (size_t k = 0; k <= window.cells; k++)
		window.log_volume[k] = log(1e-4) + 1.2 * sin(0.01 * (double)k);
	for (size_t k = 0; k < window.cells; k++)
		window.volume_m3[k] = exp((window.log_volume[k] + window.log_volume[k + 1]) / 2);
	double value[ONSET_PARAMETERS] = {[ONSET_T50] = INFINITY, [ONSET_P0] = log(2e5), [ONSET_K] = -6,
	                                  [ONSET_HEAT] = -30,     [ONSET_RAMP] = -6,     [ONSET_B] = 0.4};
	predict(value, p);
	for (size_t i = 0; i < window.n; i += 17) {
		double expected =
		    air_polytropic_pa(2e5, exp(window.log_volume[0]), exp(window.log_volume[i]), AIR_GAMMA);
		ck_assert_double_eq_tol(p[i] / expected, 1, 1e-6);
	}
}
END_TEST

/* Shut, cold walls or not: p^2 falls towards the ambient's by exp(-2 gamma K leak t / V). */
START_TEST(what_leaks_out_leaves_as_the_closed_form_says)
{
	double p[ONSET_SAMPLES_MAX];
	still_chamber(1e-4, 1e-3, ONSET_INLET, true);
	const double k = 3e-3, leak = 0.1, ambient2 = pow(window.ambient_pa, 2);
	double value[ONSET_PARAMETERS] = {
	    [ONSET_T50] = INFINITY, [ONSET_P0] = log(6e5), [ONSET_K] = log(k),  [ONSET_HEAT] = -30,
	    [ONSET_RAMP] = -6,      [ONSET_B] = 0.4,       [ONSET_LEAK] = -leak};
	predict(value, p);
	for (size_t i = 0; i < window.n; i += 17) {
		double left = exp(-2 * AIR_GAMMA * k * leak * (window.t_s[i] - window.start_s) / 1e-4);
		ck_assert_double_eq_tol(p[i], sqrt(ambient2 + (36e10 - ambient2) * left), 2e3);
	}
}
END_TEST

/* ISO 12238 style times of a first-order rise after a pure delay d: t10 = d + 0.105361 tau, t50 = d +
 * 0.693147 tau, t90 = d + 2.302585 tau (exact logarithms).  The chamber fills within a
 * millisecond, which adds half of that to d. */
START_TEST(a_lagging_sensor_shows_the_known_times)
{
	const double tau = 10e-3, d = 20e-3, filling = 5e-6 * 6e5 / (AIR_GAMMA * 3e-3 * 7e5);
	double p[ONSET_SAMPLES_MAX];
	still_chamber(5e-6, 0.25e-3, ONSET_INLET, true);
	double value[ONSET_PARAMETERS] = {
	    [ONSET_T50] = d,          [ONSET_P0] = log(1e5), [ONSET_K] = log(3e-3), [ONSET_HEAT] = -30,
	    [ONSET_RAMP] = log(1e-4), [ONSET_B] = 0.4,       [ONSET_LAG] = tau};
	predict(value, p);
	ck_assert_double_eq_tol(time_at(p, 1.6e5), d + filling / 2 + 0.105361 * tau, 0.25e-3);
	ck_assert_double_eq_tol(time_at(p, 4.0e5), d + filling / 2 + 0.693147 * tau, 0.25e-3);
	ck_assert_double_eq_tol(time_at(p, 6.4e5), d + filling / 2 + 2.302585 * tau, 0.25e-3);
}
END_TEST

/* A chamber as of the demo machine: 35 ml growing at 1 l/s for an inlet, 300 ml for an exhaust. */
static void moving_chamber(enum onset_passage passage, bool opening)
{
	still_chamber(1e-4, 0.5e-3, passage, opening);
	double start = passage == ONSET_INLET ? 35e-6 : 300e-6, rate = passage == ONSET_INLET ? 1e-3 : -1e-3;
	window.cells = 180;
	window.start_s = -20e-3;
	for (size_t k = 0; k <= window.cells; k++)
		window.log_volume[k] = log(start + rate * window.step_s * (double)k);
	for (size_t k = 0; k < window.cells; k++)
		window.volume_m3[k] = exp((window.log_volume[k] + window.log_volume[k + 1]) / 2);
	window.n = 88;
	for (size_t i = 0; i < window.n; i++)
		window.t_s[i] = -19.7e-3 + 1e-3 * (double)i;
}

static const double typical[ONSET_PARAMETERS] = {[ONSET_T50] = 20e-3, [ONSET_P0] = 12.2,    [ONSET_K] = -5.8,
                                                 [ONSET_HEAT] = 4.6,  [ONSET_RAMP] = -5.52, [ONSET_B] = 0.4};

static struct onset_prior usual_prior(void)
{
	struct onset_prior p = {.earliest_s = -1e-3, .latest_s = 60e-3};
	const double sd[ONSET_PARAMETERS] = {[ONSET_T50] = 3e-3,
	                                     [ONSET_P0] = INFINITY,
	                                     [ONSET_OTHER] = 1e-3,
	                                     [ONSET_K] = 0.03,
	                                     [ONSET_WARM0] = 0.05};
	memcpy(p.mean, typical, sizeof(p.mean));
	memcpy(p.sd, sd, sizeof(p.sd));
	return p;
}

static void measure(const double *value, double noise_pa)
{
	predict(value, window.p_pa);
	window.noise_pa = noise_pa;
	for (size_t i = 0; i < window.n; i++)
		window.p_pa[i] += gsl_ran_gaussian(rng, noise_pa);
}

/* _i: 0..3, the kinds of event. */
START_TEST(an_event_is_found_where_it_was)
{
	enum { TIMES = 40 };
	const struct onset_prior prior = usual_prior();
	double z2 = 0;
	for (int i = 0; i < TIMES; i++) {
		struct onset_result r;
		double value[ONSET_PARAMETERS];
		memcpy(value, typical, sizeof(value));
		value[ONSET_T50] += gsl_ran_gaussian(rng, 2e-3);
		value[ONSET_P0] = log(_i < 2 ? 2.5e5 : 3.5e5);
		moving_chamber(_i < 2 ? ONSET_INLET : ONSET_EXHAUST, _i % 2 == 0);
		measure(value, 5e3);
		ck_assert(onset_fit(&window, &prior, &r));
		ck_assert_double_gt(r.log_bayes_factor, 10);
		ck_assert_double_gt(r.expected, 40);
		ck_assert_double_lt(fabs(r.t50_s - value[ONSET_T50]), 4.5 * r.sd_s);
		z2 += pow((r.t50_s - value[ONSET_T50]) / r.sd_s, 2) / TIMES;
	}
	/* mean of 40 squares of a standard normal: 1 +- 0.22 */
	ck_assert_double_gt(z2, 0.4);
	ck_assert_double_lt(z2, 1.7);
}
END_TEST

START_TEST(an_event_20_ms_late_is_found_all_the_same)
{
	const struct onset_prior prior = usual_prior();
	struct onset_result r;
	double value[ONSET_PARAMETERS];
	memcpy(value, typical, sizeof(value));
	value[ONSET_T50] = 40e-3;
	moving_chamber(ONSET_INLET, true);
	measure(value, 5e3);
	ck_assert(onset_fit(&window, &prior, &r));
	ck_assert_double_gt(r.log_bayes_factor, 10);
	ck_assert_double_eq_tol(r.t50_s, 40e-3, 0.5e-3);
}
END_TEST

START_TEST(a_valve_that_stays_shut_shows_no_event)
{
	const struct onset_prior prior = usual_prior();
	for (int i = 0; i < 50; i++) {
		struct onset_result r;
		double value[ONSET_PARAMETERS];
		memcpy(value, typical, sizeof(value));
		value[ONSET_T50] = INFINITY;
		moving_chamber(i % 2 ? ONSET_INLET : ONSET_EXHAUST, true);
		measure(value, 5e3);
		ck_assert(onset_fit(&window, &prior, &r));
		ck_assert_double_lt(r.log_bayes_factor, 5);
		ck_assert_double_gt(r.expected, 40); /* it would have been seen */
	}
}
END_TEST

START_TEST(without_a_pressure_difference_nothing_is_expected)
{
	const struct onset_prior prior = usual_prior();
	struct onset_result r;
	double value[ONSET_PARAMETERS];
	memcpy(value, typical, sizeof(value));
	value[ONSET_P0] = log(101300); /* at ambient already, and hardly moving */
	still_chamber(3e-4, 0.5e-3, ONSET_EXHAUST, true);
	window.start_s = -20e-3;
	for (size_t i = 0; i < window.n; i++)
		window.t_s[i] = window.start_s + window.step_s * (double)i;
	measure(value, 5e3);
	ck_assert(onset_fit(&window, &prior, &r));
	ck_assert_double_lt(r.expected, 10);
	ck_assert_double_lt(fabs(r.log_bayes_factor), 5);
}
END_TEST

START_TEST(too_few_samples_are_refused)
{
	const struct onset_prior prior = usual_prior();
	struct onset_result r;
	moving_chamber(ONSET_INLET, true);
	window.n = 4;
	ck_assert(!onset_fit(&window, &prior, &r));
}
END_TEST

START_TEST(lanes_do_not_mix)
{
	double value[ONSET_LANES][ONSET_PARAMETERS], together[ONSET_LANES][ONSET_SAMPLES_MAX];
	moving_chamber(ONSET_INLET, true);
	static const double lag_s[] = {0, 1e-3, 2e-3};
	for (int l = 0; l < ONSET_LANES; l++) {
		memcpy(value[l], typical, sizeof(value[l]));
		value[l][ONSET_T50] += 2e-3 * l;
		value[l][ONSET_K] += 0.1 * l;
		value[l][ONSET_LAG] = lag_s[l % 3];
	}
	onset_predict(&window, (const double(*)[ONSET_PARAMETERS])value, ONSET_LANES, together);
	for (int l = 0; l < ONSET_LANES; l++) {
		double alone[ONSET_SAMPLES_MAX];
		predict(value[l], alone);
		for (size_t i = 0; i < window.n; i++)
			ck_assert_double_eq(alone[i], together[l][i]);
	}
}
END_TEST

START_TEST(shared_parameters_are_learned_from_many_events)
{
	enum { N = 24 };
	struct onset_window *many = malloc(sizeof(*many) * N);
	double value[N][ONSET_PARAMETERS];
	bool use[N];
	struct onset_prior prior = usual_prior();
	struct onset_kind kind = {
	    .w = many, .n = N, .prior = &prior, .value = value, .use = use, .other = -1};
	const double wide[ONSET_PARAMETERS] = {
	    [ONSET_T50] = 5e-3,   [ONSET_P0] = INFINITY, [ONSET_OTHER] = 1e-3, [ONSET_K] = 1,
	    [ONSET_WARM0] = 0.15, [ONSET_HEAT] = 0.7,    [ONSET_RAMP] = 0.5,   [ONSET_B] = 0.08};
	memcpy(prior.sd, wide, sizeof(wide));
	for (int i = 0; i < N; i++) {
		double truth[ONSET_PARAMETERS];
		memcpy(truth, typical, sizeof(truth));
		truth[ONSET_P0] = log(2e5 + 1e4 * i);
		truth[ONSET_K] = log(4.5e-3);
		truth[ONSET_RAMP] = log(7e-3);
		truth[ONSET_T50] += gsl_ran_gaussian(rng, 0.5e-3);
		moving_chamber(ONSET_INLET, true);
		measure(truth, 2e3);
		many[i] = window;
		use[i] = true;
		memcpy(value[i], typical, sizeof(typical));
		value[i][ONSET_P0] = onset_start(&window, 0);
	}
	onset_learn(&kind, 1);
	for (int i = 1; i < N; i++)
		ck_assert_double_eq(value[i][ONSET_K], value[0][ONSET_K]);
	ck_assert_double_eq_tol(exp(value[0][ONSET_K]), 4.5e-3, 0.25e-3);
	ck_assert_double_eq_tol(exp(value[0][ONSET_RAMP]), 7e-3, 1e-3);
	ck_assert_double_lt(kind.shared.t50_common_s, 0.3e-3);
	ck_assert_double_gt(kind.shared.t50_common_s, 0);
	free(many);
}
END_TEST

START_TEST(one_wild_window_does_not_spoil_the_others)
{
	enum { N = 12 };
	struct onset_window *many = malloc(sizeof(*many) * N);
	double value[N][ONSET_PARAMETERS];
	bool use[N];
	struct onset_prior prior = usual_prior();
	struct onset_kind kind = {
	    .w = many, .n = N, .prior = &prior, .value = value, .use = use, .other = -1};
	prior.sd[ONSET_K] = 1;
	prior.sd[ONSET_RAMP] = 0.5;
	prior.sd[ONSET_HEAT] = 0.7;
	prior.sd[ONSET_B] = 0.08;
	for (int i = 0; i < N; i++) {
		double truth[ONSET_PARAMETERS];
		memcpy(truth, typical, sizeof(truth));
		moving_chamber(ONSET_INLET, true);
		measure(truth, 2e3);
		for (size_t k = 0; i == 3 && k < window.n; k++)
			window.p_pa[k] = 1e5 + 9e5 * fabs(sin((double)k));
		many[i] = window;
		use[i] = true;
		memcpy(value[i], typical, sizeof(typical));
	}
	onset_learn(&kind, 1);
	ck_assert_double_eq_tol(value[0][ONSET_K], typical[ONSET_K], 0.08);
	free(many);
}
END_TEST

int main(void)
{
	Suite *suite = suite_create("onset");
	TCase *tc = tcase_create("onset");
	tcase_set_timeout(tc, 60);
	tcase_add_checked_fixture(tc, set_up, tear_down);
	tcase_add_test(tc, an_adiabatic_tank_empties_as_the_closed_form_says);
	tcase_add_test(tc, an_isothermal_tank_empties_as_the_closed_form_says);
	tcase_add_test(tc, shut_and_without_heat_it_follows_the_adiabatic_law);
	tcase_add_test(tc, what_leaks_out_leaves_as_the_closed_form_says);
	tcase_add_test(tc, a_lagging_sensor_shows_the_known_times);
	tcase_add_loop_test(tc, an_event_is_found_where_it_was, 0, 4);
	tcase_add_test(tc, an_event_20_ms_late_is_found_all_the_same);
	tcase_add_test(tc, a_valve_that_stays_shut_shows_no_event);
	tcase_add_test(tc, without_a_pressure_difference_nothing_is_expected);
	tcase_add_test(tc, too_few_samples_are_refused);
	tcase_add_test(tc, lanes_do_not_mix);
	tcase_add_test(tc, shared_parameters_are_learned_from_many_events);
	tcase_add_test(tc, one_wild_window_does_not_spoil_the_others);
	suite_add_tcase(suite, tc);
	SRunner *runner = srunner_create(suite);
	srunner_run_all(runner, CK_NORMAL);
	int failed = srunner_ntests_failed(runner);
	srunner_free(runner);
	return failed ? EXIT_FAILURE : EXIT_SUCCESS;
}
