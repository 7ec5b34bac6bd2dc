/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/closed_loop.h"

#include "analyse/plan.h"
#include "analyse/rehearse/timing.h"
#include "tests/log_rig.h"

#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

struct engine loop_engine(const char *text)
{
	struct engine e;
	struct fault f = {0};
	int bad = engine_parse("drawn.ini", text, strlen(text), &e, &f);
	ck_assert_msg(bad == 0, "%s", f.text);
	return e;
}

double loop_merit(const struct loop_machine *m, double work_j, double air_kg)
{
	struct engine e = loop_engine(m->text);
	struct mech mech = mech_of(&e);
	double friction = PLAN_FRICTION_PA * (mech_swept_m3(&mech, END_CAP) + mech_swept_m3(&mech, END_ROD));
	engine_free(&e);
	switch (m->aim.goal) {
	case PLAN_TORQUE:
		return work_j;
	case PLAN_FULL_EXPANSION:
		return work_j / air_kg;
	default:
		return (work_j - friction) / air_kg;
	}
}

struct loop { /* one machine on its way round */
	const struct loop_machine *m;
	struct loop_result *out;
	struct settings settings; /* with the timing that is loaded */
	char text[LOOP_TEXT];     /* engine file that goes with it */
	struct report *report;
	struct plan_learn *learn;
	struct plan_machine *fitted, *machine;
	struct plan *plan;
};

static void analyse(struct loop *l, const char *directory, int round)
{
	struct fault f = {0};
	struct ride *ride = ride_open(directory, NULL, 60, &f);
	ck_assert_msg(ride != NULL, "%s", f.text);
	plan_learn_start(l->learn, ride_engine(ride));
	const struct analysis_sink sink = plan_learn_sink(l->learn);
	int bad = analysis_run(ride, &sink, l->report, &f);
	ck_assert_msg(bad == 0, "%s", f.text);
	for (int end = 0; end < END_COUNT; end++)
		l->out->peak_force_n[round] =
		    fmax(l->out->peak_force_n[round], l->report->stroke[end].peak_force_n);
	plan_machine_from_report(l->report, l->learn, l->fitted);
	plan_fit(l->fitted);
	const struct plan_lesson lesson = {l->fitted, l->learn};
	bad = plan_pool(&lesson, 1, l->machine, &f);
	ck_assert_msg(bad == 0, "%s", f.text);
	const struct plan_request request = {.aim = l->m->aim,
	                                     .speed_rad_s = NAN,
	                                     .supply_pa = NAN,
	                                     .battery_v = NAN,
	                                     .friction_pa = PLAN_FRICTION_PA,
	                                     .load_nm = NAN,
	                                     .inertia_kg_m2 = NAN,
	                                     .tank_pa = NAN,
	                                     .grade = NAN};
	plan_friction_settle(l->machine, &l->learn->resistance, &request);
	if (round < LOOP_ROUNDS) {
		bad = plan_make(l->machine, &request, l->plan, &f);
		ck_assert_msg(bad == 0, "%s", f.text);
		l->out->refused += l->plan->refused.n;
	}
	/* The plan's engine text belongs to the ride: load it before the ride is closed. */
	if (round < LOOP_ROUNDS) {
		char path[600];
		snprintf(path, sizeof path, "%s/next.ini", directory);
		FILE *ini = fopen(path, "w+");
		ck_assert_ptr_nonnull(ini);
		ck_assert_int_eq(plan_ini(l->plan, ini), 0);
		rewind(ini);
		l->text[fread(l->text, 1, sizeof l->text - 1, ini)] = '\0';
		fclose(ini);
		bad = timing_read(path, &l->settings, &f);
		ck_assert_msg(bad == 0, "%s", f.text);
	}
	ride_close(ride);
}

static void ride_round(struct loop *l, int round)
{
	char *directory = log_rig_directory();
	l->settings.seed = l->m->settings.seed + 1000 * (uint64_t)round;
	loop_record(l->text, &l->settings, directory, &l->out->ride[round]);
	analyse(l, directory, round);
	log_rig_remove(directory);
}

static void compare(const struct loop_machine *m, struct loop_result *out)
{
	double change = out->ride[1].work_j - out->ride[0].work_j;
	const struct loop_ride *last = &out->ride[LOOP_ROUNDS];
	out->gain_within = change >= out->gain_low_j && change <= out->gain_high_j;
	out->merit = loop_merit(m, last->work_j, last->air_kg);
	for (int round = 1; round <= LOOP_ROUNDS; round++)
		out->limit_passed = out->limit_passed || out->peak_force_n[round] > m->force_limit_n ||
		                    out->ride[round].top_rpm > m->speed_limit_rpm;
}

void loop_rounds(const struct loop_machine *m, struct loop_result *out)
{
	struct loop l = {.m = m,
	                 .out = out,
	                 .settings = m->settings,
	                 .report = malloc(sizeof *l.report),
	                 .learn = malloc(sizeof *l.learn),
	                 .fitted = malloc(sizeof *l.fitted),
	                 .machine = malloc(sizeof *l.machine),
	                 .plan = malloc(sizeof *l.plan)};
	ck_assert(l.report != NULL && l.learn != NULL && l.fitted != NULL && l.machine != NULL &&
	          l.plan != NULL);
	memset(out, 0, sizeof *out);
	memcpy(l.text, m->text, sizeof l.text);
	for (int round = 0; round <= LOOP_ROUNDS; round++) {
		ride_round(&l, round);
		if (round > 0)
			continue;
		const struct plan_value *work = &l.plan->doubt.value[PLAN_WORK];
		out->gain_j = work->gain;
		out->gain_low_j = work->gain_low;
		out->gain_high_j = work->gain_high;
	}
	compare(m, out);
	free(l.report);
	free(l.learn);
	free(l.fitted);
	free(l.machine);
	free(l.plan);
}

void loop_run(const struct loop_machine *m, struct loop_result *out)
{
	loop_rounds(m, out);
	loop_find_best(m, &out->best);
}
