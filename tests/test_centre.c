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

static struct wheel_setup hand_setup(double rpm, unsigned seed)
{
	struct wheel_setup s = wheel_setup_plain(36, EDGES_BOTH, WHEEL_TO_AND_FRO, seed);
	memset(s.ripple_deg, 0, sizeof s.ripple_deg);
	s.missed = s.extra = s.index_missed = s.index_extra = 0;
	s.rpm = rpm;
	s.seconds = 80;
	return s;
}

static struct wheel_rig *chambers_on(const struct wheel_setup *s, const struct chamber *ch)
{
	struct wheel_rig *r = wheel_rig_new(s);
	r->engine.sensor[1].role = SENSOR_CAP;
	r->engine.sensor[2].role = SENSOR_ROD;
	seal(r, ch, END_CAP, &r->leg.sensor[1]);
	seal(r, ch, END_ROD, &r->leg.sensor[2]);
	return r;
}

static struct wheel_rig *turned_by_hand(const struct chamber *ch, double rpm)
{
	struct wheel_setup s = hand_setup(rpm, 1);
	return chambers_on(&s, ch);
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

/* Wheels that nobody trued, chambers that lose heat and leak: the true angle of the index lies in the
 * interval. */
START_TEST(the_interval_of_the_index_holds)
{
	static const struct chamber grid[] = {
	    {0.1, 0, 0, 2000, 0}, {1.0, 0, 0.001, 2000, 0}, {0.35, 2e-10, 0.003, 5000, 0}};
	struct wheel_setup s = hand_setup(60, 20 + (unsigned)_i);
	s.index_deg = 30 + 80.0 * _i;
	s.quadrature = true;
	struct wheel_rig *r = chambers_on(&s, &grid[_i % 3]);
	r->engine.index_rad = (s.index_deg - 1.0) * DEG;
	struct centre *c = centre_of(r);
	struct centre_end_result e[END_COUNT];
	bool has[END_COUNT];
	for (enum engine_end end = END_CAP; end < END_COUNT; end++)
		has[end] = centre_solve(c, end, &e[end]);
	struct mech m = mech_of(&r->engine);
	struct centre_index index = centre_weigh(&m, &wheel, r->engine.index_rad, e, has);
	ck_assert(has[END_CAP] && has[END_ROD]);
	ck_assert_double_le(fabs(index.off_rad + 1.0 * DEG), 1.96 * index.sd_rad);
	ck_assert_double_le(fabs(index.apart_rad), 2.5 * index.apart_sd_rad);
	ck_assert_double_ge(index.sd_rad, index.wheel_sd_rad);
	/* through a leak and 5 kPa of noise the peaks scatter by degrees */
	ck_assert_double_lt(index.sd_rad, (grid[_i % 3].leak_kg_s_pa > 0 ? 1.2 : 0.2) * DEG);
	/* one end alone says less */
	double sd = index.sd_rad / fmax(1, fabs(index.apart_rad) / index.apart_sd_rad);
	has[END_ROD] = false;
	index = centre_weigh(&m, &wheel, r->engine.index_rad, e, has);
	ck_assert_double_ge(index.sd_rad, sd - 1e-9);
	ck_assert(isnan(index.apart_rad));
	centre_free(c);
	drop(r);
}
END_TEST

/* Ends that differ by more than teeth explain: lengths in the engine file. */
START_TEST(ends_that_disagree_widen_the_interval)
{
	struct wheel_setup s = hand_setup(60, 1);
	struct wheel_rig *r = wheel_rig_new(&s);
	struct mech m = mech_of(&r->engine);
	struct wheel w = {.slots = 1, .angle_sd_rad = {0.01 * DEG}};
	struct centre_end_result e[END_COUNT] = {{.off_rad = 0, .off_sd_rad = 0.01 * DEG},
	                                         {.off_rad = 0.5 * DEG, .off_sd_rad = 0.01 * DEG}};
	static const bool both[END_COUNT] = {true, true};
	struct centre_index index = centre_weigh(&m, &w, 90 * DEG, e, both);
	ck_assert_double_gt(fabs(index.apart_rad), 10 * index.apart_sd_rad);
	ck_assert_double_eq_tol(index.off_rad / DEG, 0.25, 0.01);
	ck_assert_double_ge(1.96 * index.sd_rad / DEG, 0.25);
	wheel_rig_free(r);
}
END_TEST

/* Half the turns each way, an encoder: only the engine file tells which way is forward. */
START_TEST(the_engine_file_says_which_way_is_forward)
{
	struct chamber ch = {0.35, 0, 0, 2000, 0};
	static const int told[] = {1, -1, 0};
	double index_deg[3];
	struct wheel_setup s = hand_setup(60, 3);
	s.quadrature = true;
	for (int i = 0; i < 3; i++) {
		struct wheel_rig *r = chambers_on(&s, &ch);
		r->engine.second_channel = told[i];
		struct centre *c = centre_of(r);
		struct centre_end_result e;
		struct mech m = mech_of(&r->engine);
		ck_assert(centre_solve(c, END_CAP, &e));
		ck_assert_uint_ge(e.forward, 8);
		ck_assert_uint_ge(e.backward, 8);
		ck_assert_int_ne(wheel.quadrature, 0);
		if (told[i] != 0) {
			ck_assert_int_eq(centre_first_way(c), told[i]);
			ck_assert_double_eq(wheel.forward_taken, 0);
		} else {
			ck_assert_double_gt(wheel.forward_taken, 0.4);
			ck_assert_double_lt(wheel.forward_taken, 0.7);
			ck_assert_int_eq(centre_first_way(c), wheel.quadrature);
		}
		index_deg[i] = (r->engine.index_rad - e.off_rad) / DEG;
		/* what it says of the other way is what it finds when told so */
		double mirrored = centre_mirrored_index(&m, &wheel, e.off_rad) / DEG;
		if (i == 1)
			ck_assert_double_eq_tol(remainder(mirrored - index_deg[0], 360), 0, 1.5);
		centre_free(c);
		drop(r);
	}
	ck_assert_double_eq_tol(index_deg[0], s.index_deg, 0.5);
	ck_assert_double_gt(fabs(remainder(index_deg[1] - index_deg[0], 360)), 5);
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
	tcase_add_loop_test(t, the_interval_of_the_index_holds, 0, 3);
	tcase_add_test(t, ends_that_disagree_widen_the_interval);
	tcase_add_test(t, the_engine_file_says_which_way_is_forward);
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
