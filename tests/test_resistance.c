/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the crank works against: made turns whose resistance is known, and rehearsed rides. */
#include "analyse/rehearse/prng.h"
#include "common/unit.h"
#include "tests/lesson_rig.h"
#include "tests/plan_rig.h"

#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#define TURN (2 * UNIT_PI)

/* --- made turns --------------------------------------------------------------------- */

#define INERTIA 1.7
#define NM 11.0
#define PER_RAD_S 0.08 /* about 12 rad/s */

/* Turns at a speed that swings by `swing`, rad/s; the work is off by `noise_j`, like its neighbour's. */
static void make(struct resistance *r, struct prng *random, unsigned turns, double swing, double noise_j)
{
	static const struct engine none = {0};
	double noise = 0;
	resistance_start(r, &none);
	for (unsigned i = 0; i < turns; i++) {
		double from = 12 + swing * sin(i * 0.21), to = 12 + swing * sin((i + 1) * 0.21);
		double omega = (from + to) / 2, x = (to * to - from * from) / 2;
		noise = 0.5 * noise + noise_j * prng_normal(random);
		double work = TURN * (NM + PER_RAD_S * (omega - 12)) + INERTIA * x + noise;
		series_add(&r->turn, (const double[SERIES_X]){x, omega, NAN}, work, i);
	}
}

/* With the inertia given and without: the resistance at two speeds is inside its 95 % interval in at
 * least 90 % of the rides. */
START_TEST(intervals_hold_what_is_true)
{
	struct resistance *r = malloc(sizeof *r);
	struct prng random = prng_make(77, (uint64_t)_i);
	unsigned within[2] = {0}, rides = 200;
	for (unsigned i = 0; i < rides; i++) {
		struct resistance_found f;
		make(r, &random, 80 + 4 * i, _i == 2 ? 0.05 : 3, 2);
		resistance_find(r, _i == 0 ? INERTIA : NAN, 0.05, &f);
		ck_assert_uint_gt(f.turns, 0);
		for (int k = 0; k < 2; k++) {
			double sd, omega = k == 0 ? f.omega_rad_s : 14;
			double want = NM + PER_RAD_S * (omega - 12), got = resistance_nm(&f, omega, &sd);
			within[k] += fabs(got - want) < 1.96 * sd;
		}
	}
	ck_assert_uint_ge(within[0], rides * 9 / 10);
	if (_i < 2) /* at one speed nothing is said of another */
		ck_assert_uint_ge(within[1], rides * 9 / 10);
	free(r);
}
END_TEST

START_TEST(inertia_is_found_where_the_speed_swings)
{
	struct resistance *r = malloc(sizeof *r);
	struct resistance_found f;
	struct prng random = prng_make(78, 0);
	make(r, &random, 300, 3, 1);
	resistance_find(r, NAN, NAN, &f);
	ck_assert_double_eq_tol(f.inertia_kg_m2, INERTIA, 0.1);
	ck_assert(!f.load_varies);
	make(r, &random, 10, 3, 1);
	resistance_find(r, NAN, NAN, &f);
	ck_assert_uint_eq(f.turns, 0);
	free(r);
}
END_TEST

/* Turns that nothing pushes, half of the ride. */
START_TEST(coasting_tells_what_is_dragged_along)
{
	struct resistance *r = malloc(sizeof *r);
	struct resistance_found f;
	struct prng random = prng_make(80, 0);
	static const struct engine none = {0};
	resistance_start(r, &none);
	double energy = 144 / 2.0;
	for (unsigned i = 0; i < 40; i++) {
		double pushed = i % 20 < 10 ? TURN * 12 : 0, before = energy;
		energy += (pushed - TURN * 6) / INERTIA / 20; /* a heavy flywheel: twenty times the inertia */
		double work = pushed + prng_normal(&random);
		series_add(&r->turn, (const double[SERIES_X]){energy - before, sqrt(2 * energy), NAN}, work,
		           i);
	}
	resistance_find(r, 20 * INERTIA, 0.5, &f);
	ck_assert_uint_eq(f.coast_turns, 20);
	ck_assert_double_eq_tol(f.coast_nm, 6, 1.96 * f.coast_sd_nm);
	ck_assert_double_lt(f.coast_sd_nm, 0.3);
	free(r);
}
END_TEST

/* What is assumed of friction gives way to a ride that worked against less. */
START_TEST(friction_is_no_more_than_all_resistance)
{
	struct plan_request q = plan_rig_request(PLAN_ECONOMY, 115, 4);
	struct plan_rig rig = plan_rig_new("", 22, 28, q);
	struct resistance *r = malloc(sizeof *r);
	struct prng random = prng_make(79, 0);
	make(r, &random, 300, 3, 1);
	for (size_t i = 0; i < r->turn.n; i++)
		r->turn.y[i] -= TURN * 9; /* 2 N m are left of 11, where 3.5 are assumed */
	q.friction_pa = NAN;
	plan_friction_settle(rig.machine, r, &q);
	ck_assert_int_eq(rig.machine->friction_from, PLAN_FRICTION_CAPPED);
	ck_assert_double_lt(rig.machine->friction_pa, PLAN_FRICTION_PA);
	q.friction_pa = 0.4e5;
	plan_friction_settle(rig.machine, r, &q);
	ck_assert_int_eq(rig.machine->friction_from, PLAN_FRICTION_BY_HAND);
	ck_assert_double_eq(rig.machine->friction_pa, 0.4e5);
	free(r);
	plan_rig_free(&rig);
}
END_TEST

/* --- rehearsed rides ------------------------------------------------------------------ */

/* The demo machine's resistances at the crank as the rehearsal is told, N m; 0.1 m of way a radian. */
static double true_nm(double friction, double viscous, double brake, double omega)
{
	double v = omega * 0.1, rolling = 0.006 * 160 * 9.80665, drag = 1.2 / 2 * 0.8 * v * v;
	return friction + viscous * omega + brake + 0.1 * (rolling + drag);
}

struct ride_case {
	const char *settings[24];
	double friction, viscous, brake;
};

#define FREE "start_mode=1", "kick=30", "open_delay=10", "shut_delay=12", "pressure_friction=0"
static const struct ride_case cases[] = {
    {{FREE, "duration=16", "rpm=60", "brake=6", NULL}, 2, 0.06, 6},
    {{FREE, "duration=16", "rpm=90", "brake=12", "friction=4", NULL}, 4, 0.06, 12},
    {{FREE, "duration=16", "rpm=60", "brake=10", "shut_at=11", "viscous=0.2", NULL}, 2, 0.2, 10},
};

/* Friction is the ride's resistance less the load, inside its 95 % interval. */
START_TEST(rehearsed_rides_tell_their_friction)
{
	const struct ride_case *c = &cases[_i];
	struct lesson_rig ride = lesson_rig_ride("", c->settings);
	struct plan_machine *m = ride.machine;
	struct resistance_found *f = &m->resistance;
	resistance_find(&ride.learn->resistance, 160 * 0.01 + 0.12, 0.05, f);
	ck_assert_uint_gt(f->turns, 15);
	double sd, omega = f->omega_rad_s, got = resistance_nm(f, omega, &sd);
	double want = true_nm(c->friction, c->viscous, c->brake, omega);
	ck_assert_msg(fabs(got - want) < 1.96 * sd, "%.2f N m, truly %.2f, sd %.2f", got, want, sd);
	ck_assert_double_lt(sd, 0.06 * want);

	/* Where the load is given, the plan takes the rest for friction; else it says that it cannot. */
	double load = true_nm(0, 0, c->brake, omega);
	struct plan_request q = {
	    .speed_rad_s = omega, .friction_pa = NAN, .load_nm = load, .inertia_kg_m2 = 0.12};
	double per_nm = TURN / (mech_swept_m3(&m->mech, END_CAP) + mech_swept_m3(&m->mech, END_ROD));
	plan_friction_settle(m, &ride.learn->resistance, &q);
	ck_assert_int_eq(m->friction_from, PLAN_FRICTION_MEASURED);
	ck_assert_double_eq_tol(m->friction_pa / per_nm, want - load, 1.96 * m->friction_sd_pa / per_nm);
	q.load_nm = NAN;
	plan_friction_settle(m, &ride.learn->resistance, &q);
	ck_assert_int_eq(m->friction_from, PLAN_FRICTION_ASSUMED);
	lesson_rig_free(&ride);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("resistance");
	TCase *t = tcase_create("made");
	tcase_set_timeout(t, 60);
	tcase_add_loop_test(t, intervals_hold_what_is_true, 0, 3);
	tcase_add_test(t, inertia_is_found_where_the_speed_swings);
	tcase_add_test(t, coasting_tells_what_is_dragged_along);
	tcase_add_test(t, friction_is_no_more_than_all_resistance);
	suite_add_tcase(s, t);
	t = tcase_create("rehearsed");
	tcase_set_timeout(t, 120);
	tcase_add_loop_test(t, rehearsed_rides_tell_their_friction, 0, sizeof cases / sizeof *cases);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_ENV);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
