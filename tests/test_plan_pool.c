/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Several rides, one machine: made rides whose valves are known, and rehearsed ones. */
#include "analyse/rehearse/prng.h"
#include "common/unit.h"
#include "tests/lesson_rig.h"
#include "tests/plan_rig.h"

#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

/* --- made rides --------------------------------------------------------------------- */

#define EVENTS 200
#define BAR 1e5
#define DELAY_S 0.022 /* at 5 bar absolute, 12 V, 12 rad/s */
#define PER_PA (-0.9e-3 / BAR)
#define PER_V (-1.5e-3)
#define PER_RAD_S 4e-5

static const char sections[] = "[valve 0]\nrole = cap inlet\nopens = 0 deg\nshuts = 96 deg\n"
                               "[valve 1]\nrole = cap exhaust\nopens = 172 deg\nshuts = 352 deg\n"
                               "[valve 2]\nrole = rod inlet\nopens = 180 deg\nshuts = 276 deg\n"
                               "[valve 3]\nrole = rod exhaust\nopens = 352 deg\nshuts = 172 deg\n"
                               "[sensor 4]\nrole = battery\nlow = 0 counts, 0 V\nhigh = 1000 counts, 20 V\n";

struct made { /* conditions of a ride: from, to */
	double supply_bar[2], volts[2], omega[2];
	double offset_s; /* this ride's valve is so much later, for no reason known */
	double index_deg, latency_s;
	double scatter_s; /* of single events, as found */
};

static double true_delay_s(double supply_pa, double volts, double omega)
{
	return DELAY_S + PER_PA * (supply_pa - 5 * BAR) + PER_V * (volts - 12) + PER_RAD_S * (omega - 12);
}

static double at(const double range[2], double part)
{
	return range[0] + (range[1] - range[0]) * part;
}

/* The opening of valve 0, as the analysis would have found it. */
static struct lesson_rig make(const struct engine *e, const struct made *made, struct prng *random)
{
	struct lesson_rig r = {malloc(sizeof *r.machine), malloc(sizeof *r.learn)};
	const struct plan_by_hand h = {.conductance_m3_s_pa = PLAN_CONDUCTANCE, .n = PLAN_N};
	int64_t t[EVENTS];
	float supply[EVENTS], volts[EVENTS];
	struct valve_event rows[EVENTS];
	struct leg leg = {.number = 0};
	double sum = 0;
	plan_machine_by_hand(e, &h, r.machine);
	for (int i = 0; i < EVENTS; i++) {
		double part = i / (EVENTS - 1.0), omega = at(made->omega, fmod(part * 7, 1));
		t[i] = i * 10000;
		supply[i] = (float)(at(made->supply_bar, part) * BAR);
		volts[i] = (float)at(made->volts, fmod(part * 3, 1));
		double delay = true_delay_s((double)supply[i], (double)volts[i], omega) + made->offset_s +
		               3e-4 * prng_normal(random);
		rows[i] = (struct valve_event){.event = EVENT_ADMISSION,
		                               .revolution = i,
		                               .cls = 'A',
		                               .command_t_us = (double)t[i],
		                               .omega_rad_s = omega,
		                               .count_error_rad =
		                                   unit_rad(made->index_deg) + made->latency_s * omega,
		                               .delay_s = delay};
		sum += delay;
	}
	leg.sensor[0] = (struct ride_series){.n = EVENTS, .t_us = t, .value = supply};
	leg.sensor[4] = (struct ride_series){.n = EVENTS, .t_us = t, .value = volts};
	plan_learn_start(r.learn, e);
	struct analysis_sink sink = plan_learn_sink(r.learn);
	const struct analysis_rows batch = {.leg = &leg, .event = rows, .event_n = EVENTS};
	ck_assert_int_eq(sink.rows(sink.ctx, &batch, NULL), 0);
	struct plan_edge *edge = &r.machine->edge[END_CAP][EVENT_ADMISSION];
	edge->source = PLAN_MEASURED;
	edge->delay_s = sum / EVENTS;
	edge->scatter_s = made->scatter_s;
	edge->scatter_sd_s = fmax(3e-4, made->scatter_s) / sqrt(EVENTS);
	r.machine->from_ride = true;
	r.machine->speed_range_narrow = true;
	snprintf(r.machine->run, sizeof r.machine->run, "made");
	r.machine->supply_pa = (struct report_range){made->supply_bar[0] * BAR, made->supply_bar[0] * BAR,
	                                             made->supply_bar[1] * BAR};
	r.machine->speed_rad_s = (struct report_range){made->omega[0], made->omega[0], made->omega[1]};
	return r;
}

static struct plan_machine *pool(struct lesson_rig *r, size_t n)
{
	struct plan_machine *out = malloc(sizeof *out);
	struct plan_lesson lesson[PLAN_RUNS_MAX];
	struct fault f = {0};
	for (size_t i = 0; i < n; i++)
		lesson[i] = (struct plan_lesson){r[i].machine, r[i].learn};
	int bad = plan_pool(lesson, n, out, &f);
	ck_assert_msg(bad == 0, "%s", f.text);
	return out;
}

/* How far from the truth the delay is under these conditions, and in its standard deviations. */
static double miss_s(const struct plan_machine *m, double supply_bar, double volts, double omega, double *sds)
{
	const struct plan_edge *e = &m->edge[END_CAP][EVENT_ADMISSION];
	const struct plan_conditions c = {
	    .supply_pa = supply_bar * BAR, .battery_v = volts, .omega_rad_s = omega};
	double off = plan_edge_delay_s(e, &c) - true_delay_s(c.supply_pa, volts, omega);
	*sds = fabs(off) / plan_edge_delay_sd_s(e, &c);
	return fabs(off);
}

static const struct made low = {{3.9, 4.1}, {11.9, 12.1}, {9, 11}, 0, 2, 1e-3, 0},
                         high = {{5.9, 6.1}, {11.9, 12.1}, {15, 18}, 0, 2, 1e-3, 0},
                         weak = {{3.9, 4.1}, {10.8, 11.4}, {9, 11}, 0, 2, 1e-3, 0};

/* Three rides, each narrow: together they tell what none of them does. */
START_TEST(rides_at_other_conditions_widen_what_is_known)
{
	struct engine e = plan_rig_engine_of(sections);
	struct prng random = prng_make(5, 0);
	struct lesson_rig r[3] = {make(&e, &high, &random), make(&e, &weak, &random),
	                          make(&e, &low, &random)};
	struct plan_machine *one = pool(&r[2], 1), *all = pool(r, 3);
	const struct plan_edge *edge = &all->edge[END_CAP][EVENT_ADMISSION];
	double sds;
	ck_assert(!one->edge[END_CAP][EVENT_ADMISSION].told[PLAN_SUPPLY]);
	ck_assert(edge->told[PLAN_SUPPLY] && edge->told[PLAN_BATTERY]);
	ck_assert_double_eq_tol(edge->per[PLAN_BATTERY], PER_V, 1.96 * edge->per_sd[PLAN_BATTERY]);
	/* The range that was ridden is that of all. */
	ck_assert_double_eq_tol(edge->low[PLAN_SUPPLY], 3.9 * BAR, 0.05 * BAR);
	ck_assert_double_eq_tol(edge->high[PLAN_SUPPLY], 6.1 * BAR, 0.05 * BAR);
	ck_assert_double_eq_tol(all->supply_pa.max, 6.1 * BAR, 1);
	/* At the high pressure, and with the weak battery, they know better than the last alone. */
	ck_assert_double_lt(miss_s(all, 6, 12, 16, &sds), 0.2 * miss_s(one, 6, 12, 16, &sds));
	ck_assert_double_lt(miss_s(all, 4, 11, 10, &sds), 0.2 * miss_s(one, 4, 11, 10, &sds));
	/* Each gave its share; the last is the machine. */
	ck_assert_uint_eq(all->run_n, 3);
	double sum = 0;
	for (int i = 0; i < 3; i++) {
		ck_assert_uint_eq(all->learned_from[i].events, EVENTS);
		ck_assert_double_gt(all->learned_from[i].share, 0.2);
		sum += all->learned_from[i].share;
	}
	ck_assert_double_eq_tol(sum, 1, 1e-9);
	free(one);
	free(all);
	for (int i = 0; i < 3; i++)
		lesson_rig_free(&r[i]);
	engine_free(&e);
}
END_TEST

/* 95 % intervals, for a plan at the ride's own conditions, at another ride's, and between, hold the
 * truth in at least 90 % of 100 sets of rides; a single ride's too, wherever it is asked. */
START_TEST(intervals_hold_what_is_true)
{
	struct engine e = plan_rig_engine_of(sections);
	struct prng random = prng_make(6, 0);
	static const double asked[][3] = {{4, 12, 10}, {6, 12, 16}, {4, 11.1, 10}, {5, 11.6, 13}};
	unsigned within[2][4] = {{0}}, sets = 100;
	for (unsigned i = 0; i < sets; i++) {
		struct lesson_rig r[3] = {make(&e, &high, &random), make(&e, &weak, &random),
		                          make(&e, &low, &random)};
		struct plan_machine *m[2] = {pool(&r[2], 1), pool(r, 3)};
		for (int k = 0; k < 8; k++) {
			const double *q = asked[k % 4];
			double sds;
			miss_s(m[k / 4], q[0], q[1], q[2], &sds);
			within[k / 4][k % 4] += sds < 1.96;
		}
		free(m[0]);
		free(m[1]);
		for (int k = 0; k < 3; k++)
			lesson_rig_free(&r[k]);
	}
	for (int k = 0; k < 8; k++)
		ck_assert_msg(within[k / 4][k % 4] >= sets * 9 / 10, "%d of %u, %s, asked %d",
		              within[k / 4][k % 4], sets, k / 4 ? "pooled" : "alone", k % 4);
	engine_free(&e);
}
END_TEST

/* Rides that differ by more than their scatter say so in a wider interval. */
START_TEST(rides_that_differ_widen_the_interval)
{
	struct engine e = plan_rig_engine_of(sections);
	struct prng random = prng_make(7, 0);
	double sd[2];
	for (int differ = 0; differ < 2; differ++) {
		struct lesson_rig r[3];
		for (int i = 0; i < 3; i++) {
			struct made here = low;
			here.offset_s = differ * 1e-3 * (i - 1);
			r[i] = make(&e, &here, &random);
		}
		struct plan_machine *m = pool(r, 3);
		sd[differ] = m->edge[END_CAP][EVENT_ADMISSION].scatter_sd_s;
		free(m);
		for (int i = 0; i < 3; i++)
			lesson_rig_free(&r[i]);
	}
	ck_assert_double_lt(sd[0], 1e-4);
	/* The means of three rides that scatter by 1 ms */
	ck_assert_double_gt(sd[1], 0.4e-3);
	ck_assert_double_lt(sd[1], 0.9e-3);
	engine_free(&e);
}
END_TEST

/* Events that scatter by 4 ms hardly show, and may lie to one side: that ride counts for little. */
START_TEST(a_ride_that_hardly_sees_counts_for_little)
{
	struct engine e = plan_rig_engine_of(sections);
	struct prng random = prng_make(11, 0);
	struct made dim = low;
	dim.offset_s = 3e-3;
	dim.scatter_s = 4e-3;
	struct lesson_rig r[2] = {make(&e, &low, &random), make(&e, &dim, &random)};
	struct plan_machine *one = pool(&r[1], 1), *both = pool(r, 2);
	double sds;
	ck_assert_double_gt(miss_s(one, 4, 12, 10, &sds), 2.5e-3);
	ck_assert_double_lt(sds, 1.96);
	ck_assert_double_lt(miss_s(both, 4, 12, 10, &sds), 2e-4);
	ck_assert_double_lt(both->learned_from[1].share, 0.05);
	free(one);
	free(both);
	for (int i = 0; i < 2; i++)
		lesson_rig_free(&r[i]);
	engine_free(&e);
}
END_TEST

START_TEST(a_changed_valve_is_left_out_and_named)
{
	struct engine e = plan_rig_engine_of(sections);
	struct prng random = prng_make(8, 0);
	struct made slow = low;
	slow.offset_s = 0.02;
	struct lesson_rig r[2] = {make(&e, &slow, &random), make(&e, &low, &random)};
	struct plan_machine *m = pool(r, 2);
	double sds;
	ck_assert_double_lt(miss_s(m, 4, 12, 10, &sds), 2e-4);
	ck_assert(plan_rig_says(&m->remarks, "cap inlet opened 20.0 ms later"));
	free(m);
	for (int i = 0; i < 2; i++)
		lesson_rig_free(&r[i]);
	engine_free(&e);
}
END_TEST

/* Two rides, each at a speed of its own, tell the controller's angle from its time; one whose index was
 * moved in between is not taken for a time. */
START_TEST(speeds_of_two_rides_tell_the_controller)
{
	struct engine e = plan_rig_engine_of(sections);
	for (int moved = 0; moved < 2; moved++) {
		struct prng random = prng_make(9, 0);
		struct made fast = high;
		fast.index_deg = moved ? 40 : 2;
		struct lesson_rig r[2] = {make(&e, &fast, &random), make(&e, &low, &random)};
		r[1].machine->edge[END_CAP][EVENT_ADMISSION].offset_rad = 0.5;
		struct plan_machine *m = pool(r, 2);
		const struct plan_edge *edge = &m->edge[END_CAP][EVENT_ADMISSION];
		if (moved) {
			ck_assert(plan_rig_says(&m->remarks, "controller's angle was not the same"));
			ck_assert_double_eq(edge->offset_rad, 0.5);
		} else {
			ck_assert(!m->speed_range_narrow);
			ck_assert_double_eq_tol(unit_deg(edge->offset_rad), 2, 0.1);
			ck_assert_double_eq_tol(edge->latency_s, 1e-3, 1e-4);
		}
		free(m);
		for (int i = 0; i < 2; i++)
			lesson_rig_free(&r[i]);
	}
	engine_free(&e);
}
END_TEST

START_TEST(another_machine_is_refused_by_what_differs)
{
	struct engine e = plan_rig_engine_of(sections), other = e;
	struct prng random = prng_make(10, 0);
	struct fault f = {0};
	other.bore_m *= 1.1;
	other.valve[3].rest_open = true;
	struct lesson_rig r[2] = {make(&other, &low, &random), make(&e, &low, &random)};
	struct plan_lesson lesson[2] = {{r[0].machine, r[0].learn}, {r[1].machine, r[1].learn}};
	struct plan_machine *m = malloc(sizeof *m);
	ck_assert_int_eq(plan_pool(lesson, 2, m, &f), -1);
	ck_assert_int_eq(f.exit_code, EX_DATAERR);
	ck_assert_ptr_nonnull(strstr(f.text, "the bore, what valve 3 opens"));
	other = e;
	other.index_rad += 0.1;
	r[0].machine->engine = other;
	ck_assert_int_eq(plan_pool(lesson, 2, m, &f), 0);
	ck_assert(plan_rig_says(&m->remarks, "differ in the index angle"));
	free(m);
	for (int i = 0; i < 2; i++)
		lesson_rig_free(&r[i]);
	engine_free(&e);
}
END_TEST

/* --- rehearsed rides ------------------------------------------------------------------ */

static const char battery[] = "\n[sensor 5]\nrole = battery\nlow = 0 counts, 0 V\nhigh = 1000 counts, 20 V\n";

#define HELD                                                                                                 \
	"drive=2", "hold=150", "duration=16", "sweep=8", "start_mode=1", "tank_volume=5000", "droop=0.1",    \
	    "delay_per_bar=-1.2", "delay_per_volt=-2", "battery_droop=0", "battery_sag=0", "open_delay=20"

/* The true delays are 20 ms and half a ramp of 4, less 1.2 ms a bar gauge and 2 ms a volt above
 * 12.6.  The last ride, at 3 bar, says little of 5 bar or of a tired battery; one at 5 bar and one whose
 * battery runs down do. */
START_TEST(rehearsed_rides_teach_pressure_and_battery)
{
	static const char *const settings[3][24] = {
	    {HELD, "rpm=90", "rpm_to=110", "regulator=5", NULL},
	    {HELD, "rpm=90", "rpm_to=110", "regulator=3", "battery_droop=8", NULL},
	    {HELD, "rpm=90", "rpm_to=110", "regulator=3", NULL}};
	struct lesson_rig r[3];
	for (int i = 0; i < 3; i++)
		r[i] = lesson_rig_ride(battery, settings[i]);
	struct plan_machine *one = pool(&r[2], 1), *all = pool(r, 3);
	static const struct plan_conditions there[2] = {
	    {.supply_pa = 5.8e5, .battery_v = 12.6, .omega_rad_s = 100 * UNIT_PI / 30},
	    {.supply_pa = 4e5, .battery_v = 11.6, .omega_rad_s = 100 * UNIT_PI / 30}};
	for (int i = 0; i < 2 * END_COUNT; i++) {
		const struct plan_conditions *c = &there[i / 2];
		double want =
		    (20 + 2 - 1.2 * (c->supply_pa / 1e5 - 1.013) - 2 * (c->battery_v - 12.6)) * 1e-3;
		const struct plan_edge *a = &all->edge[i % 2][EVENT_ADMISSION];
		const struct plan_edge *o = &one->edge[i % 2][EVENT_ADMISSION];
		double off = fabs(plan_edge_delay_s(a, c) - want),
		       alone = fabs(plan_edge_delay_s(o, c) - want);
		double sd = plan_edge_delay_sd_s(a, c);
		ck_assert(a->told[PLAN_SUPPLY] && a->told[PLAN_BATTERY]);
		ck_assert_msg(off < 1.96 * sd, "off %.2f ms, sd %.2f", off * 1e3, sd * 1e3);
		ck_assert_msg(off < 0.5 * alone, "off %.2f ms, alone %.2f", off * 1e3, alone * 1e3);
		ck_assert_double_lt(alone, 1.96 * plan_edge_delay_sd_s(o, c));
		ck_assert_double_lt(sd, 0.7 * plan_edge_delay_sd_s(o, c));
	}
	free(one);
	free(all);
	for (int i = 0; i < 3; i++)
		lesson_rig_free(&r[i]);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("plan_pool");
	TCase *t = tcase_create("made");
	tcase_set_timeout(t, 60);
	tcase_add_test(t, rides_at_other_conditions_widen_what_is_known);
	tcase_add_test(t, intervals_hold_what_is_true);
	tcase_add_test(t, rides_that_differ_widen_the_interval);
	tcase_add_test(t, a_ride_that_hardly_sees_counts_for_little);
	tcase_add_test(t, a_changed_valve_is_left_out_and_named);
	tcase_add_test(t, speeds_of_two_rides_tell_the_controller);
	tcase_add_test(t, another_machine_is_refused_by_what_differs);
	suite_add_tcase(s, t);
	t = tcase_create("rehearsed");
	tcase_set_timeout(t, 120);
	tcase_add_test(t, rehearsed_rides_teach_pressure_and_battery);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_ENV);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
