/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a chain between crank and toothed wheel gives under torque: found where the ride tells
 * it, and said not to be where it does not. */
#include "analyse/crank_index.h"
#include "analyse/rehearse/prng.h"
#include "analyse/torque.h"
#include "common/unit.h"
#include "tests/crank_machine.h"
#include "tests/crank_score.h"

#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define WIND_DEG 0.035 /* at 10 N m: 0.3 deg at the greatest torque of these rides */
#define SECONDS 60
#define CLOSINGS 150
#define RIDES 400

static double theta(const void *ctx, double t_us)
{
	return machine_theta(ctx, t_us);
}

static struct crank_score score(const struct machine_ride *m)
{
	struct crank_score c = {0};
	struct crank_ride ride = {&m->engine, &m->leg, theta, m, m->index_off_rad};
	struct crank_totals totals;
	ck_assert(crank_score_ride(&c, &ride, &totals));
	crank_score_finish(&c);
	return c;
}

static bool says(const struct wheel *w, const char *words)
{
	bool any = false;
	for (unsigned i = 0; i < w->remarks; i++)
		any = any || strstr(w->remark[i], words) != NULL;
	return any;
}

static double off_sds(const struct wheel *w, double wind_deg)
{
	return fabs(w->wind_rad_nm - unit_rad(wind_deg) / 10) / w->wind_sd_rad_nm;
}

/* All inertia at the crank: the teeth lag by the whole. */
START_TEST(a_chain_that_winds_up_is_found)
{
	struct machine_ride *m = machine_ride_chain(WIND_DEG, SECONDS, 5);
	struct wheel w;
	machine_ride_wheel(m, &w);
	struct crank_score with = score(m);
	ck_assert(w.winds);
	ck_assert(says(&w, "the chain winds up by 0.0"));
	ck_assert_double_lt(off_sds(&w, WIND_DEG), 3);
	ck_assert_double_lt(w.wind_sd_rad_nm, unit_rad(0.1 * WIND_DEG));
	m->engine.wind_up = false;
	struct crank_score without = score(m);
	ck_assert_double_le(with.rms_deg, 0.05);
	ck_assert_double_le(with.rms_deg, 0.5 * without.rms_deg);
	ck_assert_double_ge(with.within_2sd, 0.93);
	machine_ride_free(m);
}
END_TEST

/* The crank runs ahead of a wheel that turns as the load does. */
static void lead_by_chain(struct machine_ride *m, double rad_nm)
{
	struct torque t = torque_of(&m->engine, true);
	for (size_t i = 0; i < m->leg.index_n; i++) {
		struct ride_edge *e = &m->leg.index[i];
		double nm, at = machine_theta(m, (double)e->t_us);
		double omega = (machine_theta(m, (double)e->t_us + 500) - at) / 500e-6;
		torque_gas(&t, &m->leg, &e->t_us, &at, 1, &nm);
		e->t_us -= isfinite(nm * omega) ? llrint(1e6 * rad_nm * nm / omega) : 0;
	}
	double before = 0, t_before = 0;
	for (size_t i = 0; i < m->truth_n; i++) {
		struct machine_truth *p = &m->truth[i];
		int64_t t_us = llrint(p->t_us);
		double nm;
		torque_gas(&t, &m->leg, &t_us, &p->theta_rad, 1, &nm);
		nm = isnan(nm) ? before : nm;
		p->theta_rad += rad_nm * nm;
		p->omega_rad_s += i > 0 ? rad_nm * (nm - before) / (1e-6 * (p->t_us - t_before)) : 0;
		before = nm;
		t_before = p->t_us;
	}
}

/* All inertia beyond the chain: the teeth's times show nothing, the index all of it. */
START_TEST(it_is_found_wherever_the_mass_is)
{
	struct machine_ride *m = machine_ride_chain(0, SECONDS, 6);
	struct wheel w;
	lead_by_chain(m, unit_rad(WIND_DEG) / 10);
	machine_ride_wheel(m, &w);
	ck_assert_double_lt(off_sds(&w, WIND_DEG), 3);
	ck_assert_double_lt(fabs(w.wind_smooth_rad_nm), unit_rad(0.1 * WIND_DEG) / 10 * 2);
	struct crank_score with = score(m);
	ck_assert_double_le(with.rms_deg, 0.05);
	ck_assert_double_ge(with.within_2sd, 0.93);
	machine_ride_free(m);
}
END_TEST

/* At a dead centre there is no torque to tell it by. */
START_TEST(at_a_dead_centre_the_index_tells_nothing)
{
	struct machine_ride *m = machine_ride_chain(0, 30, 7);
	struct wheel w;
	m->engine.index_rad = 0; /* all angles are off by 60 deg: the torque there is what counts */
	machine_ride_wheel(m, &w);
	ck_assert(w.winds);
	ck_assert_double_eq(w.wind_rad_nm, 0);
	ck_assert(says(&w, "the chain's wind-up cannot be told"));
	machine_without_gauges(&m->engine);
	machine_ride_wheel(m, &w);
	ck_assert(!w.winds);
	ck_assert(says(&w, "the gauges of both ends"));
	machine_ride_free(m);
}
END_TEST

/* Closings drawn at random about a known wind-up, torque going with the speed in part, one in
 * twenty an extra one: the interval holds what it says. */
static struct index_wind drawn(uint64_t seed, double wind, double late_s)
{
	static struct index_watch x;
	struct prng random = prng_make(99, seed);
	struct wheel w = {.teeth = 36, .slots = 36};
	for (unsigned i = 0; i < w.slots; i++)
		w.angle_rad[i] = 2 * UNIT_PI * i / w.slots;
	x = (struct index_watch){.n = CLOSINGS};
	for (size_t i = 0; i < x.n; i++) {
		double nm = 30 + 25 * prng_uniform(&random), omega = 8 + 0.1 * nm + prng_normal(&random);
		double at = 1.0 - wind * nm + late_s * omega + unit_rad(0.05) * prng_normal(&random);
		at += prng_chance(&random, 0.05) ? prng_uniform(&random) : 0;
		double slot = at * w.slots / (2 * UNIT_PI);
		x.place[i] = (struct index_place){(uint16_t)slot, (float)(slot - floor(slot)), (float)omega,
		                                  (float)nm};
	}
	return index_watch_wind(&x, &w, 1e-4);
}

START_TEST(the_interval_of_the_wind_up_holds)
{
	unsigned within = 0;
	double wind = _i == 0 ? 0 : unit_rad(WIND_DEG) / 10;
	for (uint64_t seed = 0; seed < RIDES; seed++) {
		struct index_wind k = drawn(seed, wind, _i < 2 ? 0 : 2e-3);
		ck_assert(k.told);
		within += fabs(k.rad_nm - wind) < 2 * k.sd_rad_nm;
	}
	ck_assert_uint_ge(within, RIDES * 92 / 100);
	ck_assert_uint_le(within, RIDES * 985 / 1000);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("crank behind a chain");
	TCase *t = tcase_create("wind-up");
	tcase_set_timeout(t, 120);
	tcase_add_test(t, a_chain_that_winds_up_is_found);
	tcase_add_test(t, it_is_found_wherever_the_mass_is);
	tcase_add_test(t, at_a_dead_centre_the_index_tells_nothing);
	tcase_add_loop_test(t, the_interval_of_the_wind_up_holds, 0, 3);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
