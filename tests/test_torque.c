/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Torque by the gauges, learned together with the wheel, on a machine of known moment
 * of inertia, piston, gauges and load (integrated here). */
#include "analyse/pitch.h"
#include "analyse/torque.h"
#include "tests/rehearse_rig.h"

#include <check.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdlib.h>

#define TWO_PI 6.283185307179586477
#define DEG (TWO_PI / 360)
#define TEETH 36
#define SECONDS 60
#define STEP_S 1e-5
#define BLOCK (8 * TEETH)
#define BLOCKS 40
#define AMBIENT_PA 101300.0
#define PIVOT_M 0.25
#define CRANK_M 0.04
#define BORE_M 0.05
#define INERTIA 0.5 /* kg m2 */
#define DRAG 0.3    /* 1/s */
#define ROUNDS 4

static const char engine_text[] = "[engine]\nname = torque\nmechanism = oscillating cylinder\n"
                                  "pivot distance = 250 mm\ncrank radius = 40 mm\nbore = 50 mm\nrod = 20 mm\n"
                                  "clearance cap = 15 ml\nclearance rod = 15 ml\nambient = 1.013 bar\n"
                                  "[teeth]\ncount = 36\nedges = rising\nindex angle = 0 deg\n"
                                  "[sensor 0]\nrole = cap\nlow = 102 counts, 0 bar gauge\n"
                                  "high = 921 counts, 10 bar gauge\n"
                                  "[sensor 1]\nrole = rod\nlow = 102 counts, 0 bar gauge\n"
                                  "high = 921 counts, 10 bar gauge\n";

/* Distance d - r .. d + r of an oscillating cylinder: arm and its growth by its formula. */
static double arm_m(double theta)
{
	double length = sqrt(PIVOT_M * PIVOT_M + CRANK_M * CRANK_M - 2 * PIVOT_M * CRANK_M * cos(theta));
	return PIVOT_M * CRANK_M * sin(theta) / length;
}

static double bend_m(double theta)
{
	return (arm_m(theta + 1e-5) - arm_m(theta - 1e-5)) / 2e-5;
}

/* Air at the cap end over the first half of the turn, cut off on the way; the rod end open. */
static double cap_pa(double theta)
{
	double in = theta - TWO_PI * floor(theta / TWO_PI), lift = 3e5;
	double rise = 1 / (1 + exp(-(in - 0.4) / 0.08)), fall = 1 / (1 + exp((in - 2.0) / 0.25));
	return AMBIENT_PA + lift * rise * fall;
}

struct machine {
	struct leg leg;
	struct tooth_mark mark[BLOCK * BLOCKS];
	struct torque_turn turn[BLOCK * BLOCKS];
	size_t n;
};

static void sample(struct leg *leg, double t_s, double theta)
{
	for (int c = 0; c < 2; c++) {
		struct ride_series *s = &leg->sensor[c];
		s->t_us[s->n] = llrint(1e6 * t_s);
		s->value[s->n++] = (float)(c == 0 ? cap_pa(theta) : AMBIENT_PA);
	}
}

/* The load swells and falls, so that the speed goes up and down by half. */
static void ride(struct machine *m, double piston_kg, gsl_rng *rng)
{
	double theta = 0.5, omega = 18, area = TWO_PI / 8 * BORE_M * BORE_M;
	int64_t next = (int64_t)ceil(theta * TEETH / TWO_PI);
	for (long k = 0; (double)k * STEP_S < SECONDS && m->n < BLOCK * BLOCKS; k++) {
		double t = (double)k * STEP_S, arm = arm_m(theta);
		if (k % 100 == 0)
			sample(&m->leg, t, theta);
		double load = INERTIA * (2.6 + 1.6 * sin(TWO_PI * t / 11)) + INERTIA * DRAG * omega;
		double torque = (cap_pa(theta) - AMBIENT_PA) * area * arm - load -
		                piston_kg * arm * bend_m(theta) * omega * omega;
		double before = theta;
		omega += STEP_S * torque / (INERTIA + piston_kg * arm * arm);
		theta += STEP_S * omega;
		if (theta < TWO_PI * (double)next / TEETH)
			continue;
		double part = (TWO_PI * (double)next / TEETH - before) / (theta - before);
		double late = gsl_ran_gaussian(rng, 0.005 * DEG) / omega;
		m->turn[m->n] = (struct torque_turn){TWO_PI * (double)next / TEETH, omega};
		m->mark[m->n++] = (struct tooth_mark){llrint(1e6 * (t + part * STEP_S + late)), next};
		next++;
	}
}

static struct wheel equal_wheel(void)
{
	struct wheel w = {.teeth = TEETH, .slots = TEETH};
	for (unsigned i = 0; i < TEETH; i++) {
		w.angle_rad[i] = TWO_PI * i / TEETH;
		w.level[i] = 1;
	}
	return w;
}

/* Learns wheel and torque as a ride's learner does: the pushes follow from what was found before. */
static void learn(const struct machine *m, struct torque *t, struct pitch_result *r)
{
	struct wheel w = equal_wheel();
	struct smooth_noise noise = {
	    .edge_sd_rad = 0.005 * DEG, .drift_rad2_s4 = 1e-4, .pivot_rad_s = t->pivot_rad_s};
	struct fault fault;
	struct torque_push *push = calloc(BLOCK * t->columns, sizeof *push);
	for (unsigned round = 0; round < ROUNDS; round++) {
		struct pitch *p = pitch_new(&w, t);
		for (size_t i = 0; i + BLOCK <= m->n; i += BLOCK) {
			ck_assert(torque_pushes(t, &m->leg, m->mark + i, m->turn + i, BLOCK, push));
			pitch_add(p, &noise, m->mark + i, BLOCK, 0, push);
		}
		ck_assert_int_eq(pitch_solve(p, 0, NULL, r, &fault), 0);
		pitch_free(p);
		torque_found(t, r->factor, r->factor_sd);
		t->drag_per_s = fmax(t->drag_per_s + r->factor[0], 0);
	}
	free(push);
}

enum { FACTOR_GAS = 1, FACTOR_PISTON = 11 }; /* columns, as torque.c has them */

/* Neither a heavy piston nor a load that swells is taken for an uneven wheel, and the moment
 * of inertia comes out right. */
START_TEST(piston_and_swelling_load_are_told_from_the_wheel)
{
	static const double piston_kg[] = {0, 2.5};
	static struct machine m;
	static struct pitch_result r;
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	struct engine e = rehearse_rig_engine_of(engine_text);
	m = (struct machine){.n = 0};
	for (int c = 0; c < 2; c++) {
		m.leg.sensor[c].t_us = calloc(SECONDS * 1000 + 10, sizeof *m.leg.sensor[c].t_us);
		m.leg.sensor[c].value = calloc(SECONDS * 1000 + 10, sizeof *m.leg.sensor[c].value);
	}
	ride(&m, piston_kg[_i], rng);
	ck_assert_uint_gt(m.n, 20 * BLOCK);
	struct torque t = torque_of(&e, true);
	ck_assert_int_eq(t.kind, TORQUE_MEASURED);
	t.pivot_rad_s = 18;
	learn(&m, &t, &r);
	double scale = sqrt(r.residual);
	for (unsigned c = 0; c < 2 * PITCH_LOW_ORDERS; c++) {
		ck_assert_double_le(fabs(r.low_rad[c]), 4 * scale * r.low_sd_rad[c]);
		ck_assert_double_le(r.low_sd_rad[c], 0.05 * DEG);
	}
	ck_assert_double_eq_tol(r.factor[FACTOR_GAS], 1 / INERTIA, 4 * scale * r.factor_sd[FACTOR_GAS]);
	ck_assert_double_eq_tol(r.factor[FACTOR_PISTON], piston_kg[_i] / INERTIA,
	                        4 * scale * r.factor_sd[FACTOR_PISTON]);
	ck_assert_double_eq_tol(t.drag_per_s, DRAG, 4 * scale * r.factor_sd[0]);
	for (int c = 0; c < 2; c++) {
		free(m.leg.sensor[c].t_us);
		free(m.leg.sensor[c].value);
	}
	engine_free(&e);
	gsl_rng_free(rng);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("torque");
	TCase *t = tcase_create("torque");
	tcase_set_timeout(t, 60);
	tcase_add_loop_test(t, piston_and_swelling_load_are_told_from_the_wheel, 0, 2);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_ENV);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
