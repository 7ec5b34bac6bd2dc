/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The clocks against arrivals of known skew: delays as of a USB frame (even,
 * 0 to 1 ms), a busy host (exponential, 1.5 ms) and now and then a long wait
 * (5 %, exponential, 40 ms). */
#include "analyse/clock.h"

#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

struct arrivals {
	struct leg leg;
	struct ride_arrival *a;
	size_t n;
	uint64_t rng;
};

static double uniform(uint64_t *s)
{
	*s ^= *s >> 12;
	*s ^= *s << 25;
	*s ^= *s >> 27;
	return (double)((*s * 2685821657736338717ull) >> 11) / 9007199254740992.0;
}

static double delay_s(uint64_t *rng)
{
	double d = 1e-3 * uniform(rng) - 1.5e-3 * log(1 - uniform(rng));
	if (uniform(rng) < 0.05)
		d -= 40e-3 * log(1 - uniform(rng));
	return d;
}

/* skew and drift: host = sender (1 + skew) + drift / 2 sender^2 / span */
static struct arrivals make(double span_s, double per_s, double skew_ppm, double drift_ppm, unsigned seed)
{
	struct arrivals x = {.n = (size_t)(span_s * per_s), .rng = 88172645463325252ull + 977 * seed};
	x.a = malloc(x.n * sizeof *x.a);
	for (size_t i = 0; i < x.n; i++) {
		double d = ((double)i + 0.3 * uniform(&x.rng)) / per_s;
		double host = d * (1 + 1e-6 * skew_ppm) + 0.5e-6 * drift_ppm * d * d / span_s;
		x.a[i].t_us = 4294000000 + llrint(1e6 * d);
		x.a[i].host_us = 77000000 + llrint(1e6 * (host + delay_s(&x.rng)));
	}
	x.leg = (struct leg){
	    .arrival = x.a, .arrival_n = x.n, .core_from_us = INT64_MIN, .core_to_us = INT64_MAX};
	return x;
}

static struct clock_result fit(const struct arrivals *x)
{
	struct clock_fit *c = clock_fit_new();
	struct clock_result r;
	clock_fit_add(c, &x->leg);
	clock_fit_result(c, &r);
	clock_fit_free(c);
	return r;
}

START_TEST(skew_is_found_to_a_few_parts_per_million)
{
	static const double skew[] = {0, 120, -800, 4000};
	for (unsigned seed = 0; seed < 20; seed++) {
		struct arrivals x = make(600, 10, skew[_i], 0, seed);
		struct clock_result r = fit(&x);
		ck_assert(r.known);
		ck_assert_double_eq_tol(r.skew_ppm, skew[_i], 5);
		ck_assert_double_le(r.skew_ppm_ci95[0], r.skew_ppm);
		ck_assert_double_ge(r.skew_ppm_ci95[1], r.skew_ppm);
		ck_assert_uint_eq(r.host_steps, 0);
		free(x.a);
	}
}
END_TEST

START_TEST(the_interval_holds_the_truth)
{
	/* the last window may be whole, or all but empty */
	static const double span_s[] = {600, 90, 31, 43, 65}, widest_ppm[] = {4, 40, 70, 70, 50};
	unsigned inside = 0, rides = 0;
	double width = 0;
	for (unsigned seed = 100; seed < 300; seed++) {
		struct arrivals x = make(span_s[_i], 10, 50, 0, seed);
		struct clock_result r = fit(&x);
		ck_assert(r.known);
		inside += r.skew_ppm_ci95[0] <= 50 && 50 <= r.skew_ppm_ci95[1];
		width += r.skew_ppm_ci95[1] - r.skew_ppm_ci95[0];
		rides++;
		free(x.a);
	}
	ck_assert_double_ge((double)inside / rides, 0.93);
	ck_assert_double_le(width / rides, widest_ppm[_i]);
}
END_TEST

START_TEST(a_drift_is_found)
{
	struct arrivals x = make(600, 10, 100, 50, 3);
	struct clock_result r = fit(&x);
	ck_assert(r.known);
	ck_assert_double_eq_tol(r.skew_ppm, 125, 5); /* mean over the ride */
	ck_assert_double_eq_tol(r.drift_ppm, 50, 10);
	free(x.a);
}
END_TEST

START_TEST(a_step_of_the_host_is_noticed_and_does_no_harm)
{
	struct arrivals x = make(600, 10, 100, 0, 4);
	int64_t step = _i == 0 ? 2000000 : -300000;
	for (size_t i = x.n / 2; i < x.n; i++)
		x.a[i].host_us += step;
	struct clock_result r = fit(&x);
	ck_assert(r.known);
	ck_assert_uint_eq(r.host_steps, 1);
	ck_assert_double_eq_tol(r.skew_ppm, 100, 5);
	free(x.a);
}
END_TEST

START_TEST(a_sender_that_started_again_is_a_new_clock)
{
	struct arrivals x = make(300, 10, 100, 0, 5), y = make(300, 10, 100, 0, 6);
	for (size_t i = 0; i < y.n; i++) {
		y.a[i].t_us -= 4294000000;
		y.a[i].host_us += 400000000;
	}
	y.leg.epoch = 1;
	struct clock_fit *c = clock_fit_new();
	struct clock_result r;
	clock_fit_add(c, &x.leg);
	clock_fit_add(c, &y.leg);
	clock_fit_result(c, &r);
	clock_fit_free(c);
	ck_assert_uint_eq(r.resets, 1);
	ck_assert_uint_eq(r.host_steps, 0);
	ck_assert_double_eq_tol(r.skew_ppm, 100, 5);
	free(x.a);
	free(y.a);
}
END_TEST

START_TEST(bursts_of_arrivals_count_by_their_quickest)
{
	/* a serial converter that hands over every 16 ms: several messages at one host time */
	struct arrivals x = make(600, 200, 100, 0, 7);
	for (size_t i = 0; i < x.n; i++)
		x.a[i].host_us = (x.a[i].host_us / 16000 + 1) * 16000;
	struct clock_result r = fit(&x);
	ck_assert(r.known);
	ck_assert_double_eq_tol(r.skew_ppm, 100, 5);
	free(x.a);
}
END_TEST

START_TEST(too_little_is_said_to_be_too_little)
{
	struct arrivals x = make(600, 10, 100, 0, 8);
	x.leg.arrival_n = 0;
	struct clock_result r = fit(&x);
	ck_assert(!r.known);
	ck_assert_ptr_nonnull(strstr(r.remark, "no arrival times"));
	x.leg.arrival_n = 100;
	r = fit(&x);
	ck_assert(!r.known);
	ck_assert_ptr_nonnull(strstr(r.remark, "too short"));
	free(x.a);
}
END_TEST

START_TEST(a_ride_of_many_hours_needs_no_more_room)
{
	struct clock_fit *c = clock_fit_new();
	struct clock_result r;
	for (unsigned hour = 0; hour < 30; hour++) {
		struct arrivals x = make(3600, 2, 0, 0, hour);
		int64_t before_us = 3600000000 * (int64_t)hour;
		for (size_t i = 0; i < x.n; i++) {
			int64_t since_us = x.a[i].t_us - 4294000000 + before_us;
			x.a[i].t_us += before_us;
			x.a[i].host_us += before_us + llrint(100e-6 * (double)since_us);
		}
		clock_fit_add(c, &x.leg);
		free(x.a);
	}
	clock_fit_result(c, &r);
	clock_fit_free(c);
	ck_assert(r.known);
	ck_assert_uint_eq(r.host_steps, 0);
	ck_assert_double_eq_tol(r.skew_ppm, 100, 1);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("clock");
	TCase *t = tcase_create("clock");
	tcase_set_timeout(t, 60);
	tcase_add_loop_test(t, skew_is_found_to_a_few_parts_per_million, 0, 4);
	tcase_add_loop_test(t, the_interval_holds_the_truth, 0, 5);
	tcase_add_test(t, a_drift_is_found);
	tcase_add_loop_test(t, a_step_of_the_host_is_noticed_and_does_no_harm, 0, 2);
	tcase_add_test(t, a_sender_that_started_again_is_a_new_clock);
	tcase_add_test(t, bursts_of_arrivals_count_by_their_quickest);
	tcase_add_test(t, too_little_is_said_to_be_too_little);
	tcase_add_test(t, a_ride_of_many_hours_needs_no_more_room);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
