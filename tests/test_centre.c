/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Dead centres from sealed chambers that lose heat and leak, read by gauges
 * that lag, and from positive stops; the truth is the rig's. */
#include "analyse/centre.h"
#include "tests/wheel_rig.h"

#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define TWO_PI 6.283185307179586477
#define DEG (TWO_PI / 360)
#define T0_US 1000000
#define RATE_HZ 1000.0

struct chamber {             /* how it is sealed and measured */
	double heat_w_k;     /* hA */
	double leak_kg_s_pa; /* to outside */
	double lag_s, noise_pa;
	double play_rad; /* lost motion between crank and wheel, half */
};

static struct wheel wheel;

static double noise(uint64_t *s)
{
	double sum = 0;
	for (int i = 0; i < 12; i++) {
		*s ^= *s >> 12;
		*s ^= *s << 25;
		*s ^= *s >> 27;
		sum += (double)((*s * 2685821657736338717ull) >> 11) / 9007199254740992.0;
	}
	return sum - 6;
}

/* A sealed end over the rig's motion: mass and energy of an ideal gas, explicit
 * steps; the gauge a first-order lag. */
static void seal(struct wheel_rig *r, const struct chamber *ch, enum engine_end end, struct ride_series *out)
{
	struct mech m = mech_of(&r->engine);
	const double gamma = 1.4, gas = 287.05, wall_k = 291, ambient = 101300;
	size_t cap = (size_t)((double)r->theta_n * r->step_s * RATE_HZ) + 2;
	*out = (struct ride_series){.t_us = malloc(cap * sizeof *out->t_us),
	                            .value = malloc(cap * sizeof *out->value)};
	double v = mech_volume_m3(&m, end, r->theta[0]), p = ambient, shown = p;
	double mass = p * v / (gas * wall_k), next = 0, play = 0;
	uint64_t rng = 12345 + end;
	for (size_t i = 0; i + 1 < r->theta_n; i++) {
		/* the crank follows the wheel after half the play either way */
		double turned = r->theta[i + 1] - r->theta[i];
		play = turned > 0 ? -ch->play_rad : turned < 0 ? ch->play_rad : play;
		double v1 = mech_volume_m3(&m, end, r->theta[i + 1] + play), dt = r->step_s;
		double k = p * v / (mass * gas);
		double dm = -ch->leak_kg_s_pa * (p - ambient) * dt;
		double heat = ch->heat_w_k * (wall_k - k) * dt;
		p += ((gamma - 1) * heat + gamma * gas * k * dm - gamma * p * (v1 - v)) / v;
		mass += dm;
		v = v1;
		shown += (p - shown) * dt / (ch->lag_s + dt);
		double t = (double)i * dt;
		if (t >= next) {
			out->t_us[out->n] = T0_US + (int64_t)(1e6 * t);
			out->value[out->n++] = (float)(shown + ch->noise_pa * noise(&rng));
			next += 1 / RATE_HZ;
		}
	}
}

static struct wheel_rig *turned_by_hand(const struct chamber *ch, double rpm)
{
	struct wheel_setup s = wheel_setup_plain(36, EDGES_BOTH, WHEEL_TO_AND_FRO, 1);
	memset(s.ripple_deg, 0, sizeof s.ripple_deg);
	s.missed = s.extra = s.index_missed = s.index_extra = 0;
	s.rpm = rpm;
	s.seconds = 80;
	struct wheel_rig *r = wheel_rig_new(&s);
	r->engine.sensor[1].role = SENSOR_CAP;
	r->engine.sensor[2].role = SENSOR_ROD;
	seal(r, ch, END_CAP, &r->leg.sensor[1]);
	seal(r, ch, END_ROD, &r->leg.sensor[2]);
	return r;
}

static struct centre *centre_of(const struct wheel_rig *r)
{
	struct fault fault;
	struct crank_learner *l = crank_learner_new(&r->engine);
	const struct crank *crank;
	ck_assert_int_eq(crank_learn(l, &r->leg, &fault), 0);
	ck_assert_int_eq(crank_learned(l, &wheel, &fault), 0);
	struct crank_solver *s = crank_solver_new(&r->engine, &wheel);
	ck_assert_int_eq(crank_solve(s, &r->leg, &crank, &fault), 0);
	struct centre *c = centre_new(&r->engine);
	ck_assert_int_eq(centre_add(c, &r->leg, crank, &fault), 0);
	crank_solver_free(s);
	crank_learner_free(l);
	return c;
}

static void drop(struct wheel_rig *r)
{
	for (int i = 1; i <= 2; i++) {
		free(r->leg.sensor[i].t_us);
		free(r->leg.sensor[i].value);
	}
	wheel_rig_free(r);
}

START_TEST(the_middle_of_both_ways_is_the_dead_centre)
{
	static const struct chamber grid[] = {{0.1, 0, 0, 2000, 0},
	                                      {1.0, 0, 0, 2000, 0},
	                                      {0.35, 2e-10, 0.002, 5000, 0},
	                                      {0.35, 0, 0.005, 5000, 0}};
	struct wheel_rig *r = turned_by_hand(&grid[_i], 60);
	r->engine.index_rad = (14.5 + 1.0) * DEG; /* the engine file is a degree wrong */
	struct centre *c = centre_of(r);
	for (enum engine_end end = END_CAP; end < END_COUNT; end++) {
		struct centre_end_result e;
		ck_assert(centre_solve(c, end, &e));
		ck_assert_uint_ge(e.forward, 8);
		ck_assert_uint_ge(e.backward, 8);
		ck_assert_double_eq_tol(e.off_rad / DEG, 1.0, 0.1);
		ck_assert_double_ge(e.ratio, 3);
	}
	centre_free(c);
	drop(r);
}
END_TEST

START_TEST(one_way_alone_is_off_and_not_used)
{
	struct chamber ch = {1.0, 0, 0, 2000, 0};
	struct wheel_rig *r = turned_by_hand(&ch, 60);
	struct centre *c = centre_of(r);
	size_t n;
	const struct centre_pass *p = centre_passes(c, &n);
	double forward = 0;
	unsigned count = 0;
	for (size_t i = 0; i < n; i++)
		if (p[i].sense > 0 && p[i].end == END_CAP) {
			forward += p[i].off_rad / DEG;
			count++;
		}
	ck_assert_uint_gt(count, 5);
	ck_assert_double_lt(forward / count, -0.4); /* early in the sense of turning, by the heat lost */
	centre_free(c);
	/* forward only */
	r->leg.core_to_us = T0_US + 19000000;
	c = centre_of(r);
	struct centre_end_result e;
	ck_assert(!centre_solve(c, END_CAP, &e));
	ck_assert_uint_gt(e.forward, 2);
	ck_assert_uint_eq(e.backward, 0);
	centre_free(c);
	drop(r);
}
END_TEST

START_TEST(play_shows_in_how_far_the_ways_are_apart)
{
	struct chamber tight = {0.35, 0, 0.0005, 2000, 0}, loose = tight;
	loose.play_rad = 0.2 * DEG;
	double half[2];
	for (int i = 0; i < 2; i++) {
		struct wheel_rig *r = turned_by_hand(i == 0 ? &tight : &loose, 60);
		struct centre *c = centre_of(r);
		struct centre_end_result e;
		ck_assert(centre_solve(c, END_CAP, &e));
		ck_assert_double_eq_tol(e.off_rad / DEG, 0, 0.1);
		half[i] = e.half_rad;
		centre_free(c);
		drop(r);
	}
	ck_assert_double_eq_tol((half[1] - half[0]) / DEG, 0.2, 0.03);
}
END_TEST

START_TEST(a_valve_at_work_is_no_sealed_chamber)
{
	struct chamber ch = {0.35, 0, 0, 2000, 0};
	struct wheel_rig *r = turned_by_hand(&ch, 60);
	size_t commands = 800;
	r->leg.command = calloc(commands, sizeof *r->leg.command);
	for (size_t i = 0; i < commands; i++)
		r->leg.command[i].t_us = T0_US + 100000 * (int64_t)i;
	r->leg.command_n = commands;
	struct centre *c = centre_of(r);
	size_t n;
	centre_passes(c, &n);
	ck_assert_uint_eq(n, 0);
	centre_free(c);
	free(r->leg.command);
	drop(r);
}
END_TEST

/* Times at which the rig's crank passes an angle. */
static double time_of(const struct wheel_rig *r, double theta, double from_s)
{
	for (size_t i = (size_t)(from_s / r->step_s); i + 1 < r->theta_n; i++)
		if ((r->theta[i] - theta) * (r->theta[i + 1] - theta) <= 0)
			return T0_US + 1e6 * r->step_s * (double)i;
	return NAN;
}

START_TEST(stops_on_either_side_are_bisected)
{
	struct chamber ch = {0.35, 0, 0, 2000, 0};
	struct wheel_rig *r = turned_by_hand(&ch, 60);
	r->engine.index_rad = (14.5 + 2.0) * DEG;
	struct ride_note note[12];
	double base = TWO_PI * (ceil(r->theta[0] / TWO_PI) + 1);
	for (unsigned i = 0; i < 12; i++) {
		double stop = base + TWO_PI * (i / 2) + (i % 2 == 0 ? -40 : 40) * DEG;
		note[i] = (struct ride_note){.t_us = (int64_t)time_of(r, stop, 0), .kind = RECORD_MARK};
	}
	r->leg.note = note;
	r->leg.note_n = 12;
	struct centre *c = centre_of(r);
	double off, sd;
	unsigned pairs;
	ck_assert(centre_solve_stops(c, END_CAP, &off, &sd, &pairs));
	ck_assert_uint_eq(pairs, 6);
	ck_assert_double_eq_tol(off / DEG, 2.0, 0.1);
	ck_assert_double_gt(sd, 0);
	ck_assert_double_lt(sd, 1 * DEG);
	/* as seen from the other end it is half a turn away: the same correction */
	ck_assert(centre_solve_stops(c, END_ROD, &off, &sd, &pairs));
	ck_assert_double_eq_tol(off / DEG, 2.0, 0.1);
	centre_free(c);
	r->leg.note_n = 1;
	c = centre_of(r);
	ck_assert(!centre_solve_stops(c, END_CAP, &off, &sd, &pairs));
	centre_free(c);
	drop(r);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("centre");
	TCase *t = tcase_create("centre");
	tcase_set_timeout(t, 60);
	tcase_add_loop_test(t, the_middle_of_both_ways_is_the_dead_centre, 0, 4);
	tcase_add_test(t, one_way_alone_is_off_and_not_used);
	tcase_add_test(t, play_shows_in_how_far_the_ways_are_apart);
	tcase_add_test(t, a_valve_at_work_is_no_sealed_chamber);
	tcase_add_test(t, stops_on_either_side_are_bisected);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
