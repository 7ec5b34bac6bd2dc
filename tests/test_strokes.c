/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Strokes of a known crank and a known diagram. */
#include "analyse/stroke_air.h"
#include "analyse/strokes.h"
#include "analyse/supply_air.h"
#include "common/air.h"
#include "common/unit.h"
#include "tests/stroke_rig.h"

#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double TURN = 2 * UNIT_PI;

/* --- diagrams by angle past the dead centre ------------------------------ */

static double smooth(double phi, const void *ctx)
{
	(void)ctx;
	return 3e5 + 2e5 * sin(phi + 0.2) + 4e4 * cos(2 * phi);
}

/* Gauge pressure falls in a straight line from supply through a tenth of it at three
 * quarters of the half turn. */
static double falling(double phi, const void *ctx)
{
	(void)ctx;
	double gauge = (STROKE_RIG_SUPPLY_PA - 101300) * (1 - 0.9 * phi / (0.75 * UNIT_PI));
	return 101300 + (phi < UNIT_PI ? fmax(gauge, 0) : 0);
}

/* Inlet from 10 to 100 deg, release at 170 deg with a quick blow-down, no compression. */
static double engine_like(double phi, const void *ctx)
{
	const struct mech *m = ctx;
	double deg = unit_deg(phi), supply = 0.97 * STROKE_RIG_SUPPLY_PA, ambient = 101300;
	double v_cut = mech_volume_m3(m, END_CAP, unit_rad(100));
	if (deg < 10)
		return ambient + (supply - ambient) * deg / 10;
	if (deg < 100)
		return supply;
	double expanded = air_polytropic_pa(supply, v_cut, mech_volume_m3(m, END_CAP, phi), 1.3);
	if (deg < 170)
		return expanded;
	double released = air_polytropic_pa(supply, v_cut, mech_volume_m3(m, END_CAP, unit_rad(170)), 1.3);
	return ambient + 5e3 + (released - ambient - 5e3) * exp(-(deg - 170) / 8);
}

/* --- helpers ------------------------------------------------------------- */

struct outcome {
	struct strokes *s;
	const struct stroke *row;
	size_t n;
	struct stroke_summary sum[END_COUNT];
};

static struct outcome measure(const struct stroke_rig *r, const struct valve_event *event, size_t n)
{
	struct outcome o = {.s = strokes_new(&r->engine, &r->mech)};
	struct fault f = {0};
	ck_assert_ptr_nonnull(o.s);
	ck_assert_int_eq(strokes_measure(o.s, &r->leg, &r->crank, event, n, NULL, &o.row, &o.n, &f), 0);
	strokes_finish(o.s, o.sum);
	return o;
}

static const struct stroke *row_of(const struct outcome *o, enum engine_end end, int64_t number)
{
	for (size_t i = 0; i < o->n; i++)
		if (o->row[i].end == end && o->row[i].number == number)
			return &o->row[i];
	return NULL;
}

static size_t flagged(const struct outcome *o)
{
	size_t n = 0;
	for (size_t i = 0; i < o->n; i++)
		n += o->row[i].flag[0] != '\0';
	return n;
}

static struct engine crosshead(void)
{
	struct engine e = stroke_rig_engine;
	e.mechanism = MECHANISM_CROSSHEAD;
	e.rod_length_m = 0.22;
	e.offset_m = 0.03;
	return e;
}

/* --- work ---------------------------------------------------------------- */

START_TEST(work_is_the_area_of_the_loop_at_both_ends)
{
	struct engine engine[2] = {stroke_rig_engine, crosshead()};
	for (int k = 0; k < 2; k++) {
		struct stroke_rig *r = stroke_rig_run(&engine[k], 120, 8.3, 0.7, 500, smooth, NULL);
		struct outcome o = measure(r, NULL, 0);
		for (int end = 0; end < END_COUNT; end++) {
			double work = stroke_rig_work_j(&r->mech, (enum engine_end)end, smooth, NULL);
			const struct stroke *s = row_of(&o, (enum engine_end)end, 3);
			ck_assert_ptr_nonnull(s);
			ck_assert_str_eq(s->flag, "");
			ck_assert_double_eq_tol(s->work_j, work, 3e-5 * fabs(work));
			ck_assert_double_eq_tol(s->mep_pa,
			                        work / mech_swept_m3(&r->mech, (enum engine_end)end),
			                        3e-5 * fabs(s->mep_pa));
			ck_assert_double_eq_tol(s->loop_gap_j, 0, 1e-9 * fabs(work));
		}
		strokes_free(o.s);
		stroke_rig_free(r);
	}
}
END_TEST

START_TEST(the_rod_end_of_an_offset_crosshead_starts_at_its_own_dead_centre)
{
	struct engine e = crosshead();
	struct stroke_rig *r = stroke_rig_run(&e, 120, 6, 0.7, 500, smooth, NULL);
	struct outcome o = measure(r, NULL, 0);
	const struct stroke *s = row_of(&o, END_ROD, 2);
	struct crank_state at;
	ck_assert(fabs(r->mech.rod_dead_centre_rad - UNIT_PI) > unit_rad(1));
	crank_at(&r->crank, s->t_start_us, NULL, &at);
	ck_assert_double_eq_tol(at.theta_rad, 2 * TURN + r->mech.rod_dead_centre_rad, 1e-6);
	strokes_free(o.s);
	stroke_rig_free(r);
}
END_TEST

START_TEST(only_whole_turns_are_strokes)
{
	struct stroke_rig *r = stroke_rig_run(&stroke_rig_engine, 120, 5.5, 0.7, 1000, smooth, NULL);
	struct outcome o = measure(r, NULL, 0);
	/* From 0.7 rad over 5.5 turns: the cap end's dead centre is passed 5 times, the rod end's 6. */
	ck_assert_uint_eq(o.sum[END_CAP].count, 4);
	ck_assert_uint_eq(o.sum[END_ROD].count, 5);
	ck_assert_uint_eq(o.n, 9);
	strokes_free(o.s);
	stroke_rig_free(r);
}
END_TEST

/* --- useful angle -------------------------------------------------------- */

START_TEST(useful_angle_ends_where_the_gauge_pressure_falls_below_a_tenth)
{
	struct stroke_rig *r = stroke_rig_run(&stroke_rig_engine, 90, 6, 0.7, 1000, falling, NULL);
	struct outcome o = measure(r, NULL, 0);
	for (int end = 0; end < END_COUNT; end++) {
		ck_assert_double_eq_tol(unit_deg(o.sum[end].useful_rad), 135, 0.02);
		ck_assert_double_eq_tol(o.sum[end].useful_fraction, 0.75, 2e-4);
	}
	strokes_free(o.s);
	stroke_rig_free(r);
}
END_TEST

START_TEST(useful_fraction_of_an_offset_crosshead_is_of_its_own_working_stroke)
{
	struct engine e = crosshead();
	struct stroke_rig *r = stroke_rig_run(&e, 90, 6, 0.7, 1000, smooth, NULL);
	struct outcome o = measure(r, NULL, 0);
	double cap = r->mech.rod_dead_centre_rad, rod = TURN - cap;
	ck_assert_double_eq_tol(o.sum[END_CAP].useful_fraction, o.sum[END_CAP].useful_rad / cap, 1e-12);
	ck_assert_double_eq_tol(o.sum[END_ROD].useful_fraction, o.sum[END_ROD].useful_rad / rod, 1e-12);
	ck_assert(o.sum[END_CAP].useful_fraction <= 1 + 1e-12);
	strokes_free(o.s);
	stroke_rig_free(r);
}
END_TEST

START_TEST(without_supply_sensor_work_is_known_and_the_ideal_is_not)
{
	struct engine e = stroke_rig_engine;
	e.sensor[0].role = SENSOR_NONE;
	struct stroke_rig *r = stroke_rig_run(&e, 90, 5, 0.7, 1000, smooth, NULL);
	struct outcome o = measure(r, NULL, 0);
	ck_assert(isfinite(o.sum[END_CAP].work_j));
	ck_assert(isnan(o.sum[END_CAP].ideal_work_j));
	ck_assert(isnan(o.sum[END_CAP].useful_rad));
	ck_assert(isnan(o.sum[END_CAP].ledger_j[LEDGER_CUT_OFF]));
	strokes_free(o.s);
	stroke_rig_free(r);
}
END_TEST

START_TEST(an_end_without_sensor_has_no_strokes)
{
	struct engine e = stroke_rig_engine;
	e.sensor[2].role = SENSOR_NONE;
	struct stroke_rig *r = stroke_rig_run(&e, 90, 5, 0.7, 1000, smooth, NULL);
	struct outcome o = measure(r, NULL, 0);
	ck_assert_uint_eq(o.sum[END_ROD].count, 0);
	ck_assert_uint_eq(o.sum[END_ROD].left_out, 0);
	ck_assert(isnan(o.sum[END_ROD].work_j));
	ck_assert_uint_gt(o.sum[END_CAP].count, 0);
	strokes_free(o.s);
	stroke_rig_free(r);
}
END_TEST

/* --- what is left out ---------------------------------------------------- */

START_TEST(a_flagged_stretch_leaves_out_the_strokes_that_touch_it)
{
	struct stroke_rig *r = stroke_rig_run(&stroke_rig_engine, 120, 8, 0.7, 1000, smooth, NULL);
	struct outcome clean = measure(r, NULL, 0);
	ck_assert_uint_eq(flagged(&clean), 0);
	const struct stroke *s = row_of(&clean, END_CAP, 3);
	double middle = (s->t_start_us + 0.3 * (s->t_end_us - s->t_start_us));
	for (size_t i = 0; i < r->crank.n; i++)
		if (fabs((double)r->point[i].t_us - middle) < 5000)
			r->point[i].flag = CRANK_DROPOUT;
	struct outcome o = measure(r, NULL, 0);
	ck_assert_uint_eq(o.n, clean.n);
	ck_assert_uint_eq(flagged(&o), 2); /* one of each end */
	ck_assert_str_eq(row_of(&o, END_CAP, 3)->flag, crank_flag_name(CRANK_DROPOUT));
	ck_assert(isnan(row_of(&o, END_CAP, 3)->work_j));
	ck_assert_uint_eq(o.sum[END_CAP].count, clean.sum[END_CAP].count - 1);
	ck_assert_uint_eq(o.sum[END_CAP].left_out, 1);
	strokes_free(clean.s);
	strokes_free(o.s);
	stroke_rig_free(r);
}
END_TEST

static void cut_samples(struct ride_series *s, int64_t from_us, int64_t to_us)
{
	size_t kept = 0;
	for (size_t i = 0; i < s->n; i++) {
		if (s->t_us[i] >= from_us && s->t_us[i] < to_us)
			continue;
		s->t_us[kept] = s->t_us[i];
		s->value[kept++] = s->value[i];
	}
	s->n = kept;
}

START_TEST(a_hole_in_the_samples_leaves_out_its_stroke)
{
	for (int channel = 0; channel < 2; channel++) {
		struct stroke_rig *r = stroke_rig_run(&stroke_rig_engine, 120, 8, 0.7, 1000, smooth, NULL);
		cut_samples(&r->leg.sensor[channel], 1900000, 1915000);
		struct outcome o = measure(r, NULL, 0);
		for (size_t i = 0; i < o.n; i++) {
			const struct stroke *s = &o.row[i];
			bool touched = s->t_start_us < 1915000 && s->t_end_us > 1900000;
			bool sensed = channel == 0 || s->end == END_CAP;
			ck_assert_int_eq(s->flag[0] != '\0', touched && sensed);
		}
		ck_assert_uint_eq(flagged(&o), channel == 0 ? 2 : 1);
		strokes_free(o.s);
		stroke_rig_free(r);
	}
}
END_TEST

/* A cut line may lose or gain a digit on its way: 51 bar from a sensor of 10. */
START_TEST(a_pressure_that_cannot_be_leaves_out_its_stroke)
{
	struct stroke_rig *r = stroke_rig_run(&stroke_rig_engine, 120, 8, 0.7, 1000, smooth, NULL);
	r->leg.sensor[1].value[1900] = 51e5F;
	struct outcome o = measure(r, NULL, 0);
	for (size_t i = 0; i < o.n; i++) {
		const struct stroke *s = &o.row[i];
		bool touched = s->end == END_CAP && s->t_start_us < 1900000 && s->t_end_us > 1900000;
		ck_assert_str_eq(s->flag, touched ? "a pressure that cannot be" : "");
	}
	ck_assert_uint_eq(flagged(&o), 1);
	ck_assert_double_lt(o.sum[END_CAP].peak_force_n, 11e5 * r->mech.area_m2[END_CAP]);
	strokes_free(o.s);
	stroke_rig_free(r);
}
END_TEST

START_TEST(too_few_samples_a_turn_are_said_to_be_too_few)
{
	struct stroke_rig *r = stroke_rig_run(&stroke_rig_engine, 120, 8, 0.7, 30000, smooth, NULL);
	struct outcome o = measure(r, NULL, 0);
	ck_assert_uint_gt(o.n, 0);
	ck_assert_uint_eq(flagged(&o), o.n);
	ck_assert_str_eq(o.row[0].flag, "too few pressure samples");
	strokes_free(o.s);
	stroke_rig_free(r);
}
END_TEST

START_TEST(pressure_beyond_the_sensors_range_leaves_out_its_stroke_but_not_its_force)
{
	struct stroke_rig *r = stroke_rig_run(&stroke_rig_engine, 120, 8, 0.7, 1000, smooth, NULL);
	struct ride_series *cap = &r->leg.sensor[1];
	cap->counts = calloc(cap->n, sizeof *cap->counts);
	for (size_t i = 0; i < cap->n; i++)
		cap->counts[i] = (uint16_t)(400 + i % 7);
	for (size_t i = 1900; i < 1903; i++) {
		cap->counts[i] = 1023;
		cap->value[i] = 11e5F;
	}
	struct outcome o = measure(r, NULL, 0);
	ck_assert_uint_eq(flagged(&o), 1);
	for (size_t i = 0; i < o.n; i++)
		if (o.row[i].flag[0] != '\0')
			ck_assert_str_eq(o.row[i].flag, "pressure beyond the sensor's range");
	ck_assert_double_eq_tol(o.sum[END_CAP].peak_force_n, (11e5 - 101300) * r->mech.area_m2[END_CAP], 0.1);
	strokes_free(o.s);
	/* The same counts as a plain peak of a finer converter: nothing is full. */
	cap->counts[0] = 1200;
	o = measure(r, NULL, 0);
	ck_assert_uint_eq(flagged(&o), 0);
	strokes_free(o.s);
	free(cap->counts);
	stroke_rig_free(r);
}
END_TEST

START_TEST(a_crank_that_turns_back_is_left_out)
{
	struct stroke_rig *r = stroke_rig_run(&stroke_rig_engine, 120, 8, 0.7, 1000, smooth, NULL);
	size_t i = r->crank.n / 2;
	r->point[i].theta_rad = r->point[i - 1].theta_rad - 0.02;
	struct outcome o = measure(r, NULL, 0);
	ck_assert_uint_ge(flagged(&o), 1);
	for (size_t k = 0; k < o.n; k++)
		if (o.row[k].flag[0] != '\0')
			ck_assert_str_eq(o.row[k].flag, "crank turned back");
	strokes_free(o.s);
	stroke_rig_free(r);
}
END_TEST

START_TEST(two_legs_give_the_strokes_of_one)
{
	struct stroke_rig *r = stroke_rig_run(&stroke_rig_engine, 120, 20, 0.7, 1000, smooth, NULL);
	struct outcome whole = measure(r, NULL, 0);
	struct outcome split = {.s = strokes_new(&r->engine, &r->mech)};
	struct fault f = {0};
	size_t at = 0;
	for (int half = 0; half < 2; half++) {
		struct leg leg = r->leg;
		leg.core_from_us = half == 0 ? leg.core_from_us : 5000000;
		leg.core_to_us = half == 0 ? 5000000 : leg.core_to_us;
		ck_assert_int_eq(
		    strokes_measure(split.s, &leg, &r->crank, NULL, 0, NULL, &split.row, &split.n, &f), 0);
		for (size_t i = 0; i < split.n; i++, at++) {
			ck_assert_int_eq(split.row[i].number, whole.row[at].number);
			ck_assert_double_eq(split.row[i].work_j, whole.row[at].work_j);
		}
	}
	ck_assert_uint_eq(at, whole.n);
	strokes_finish(split.s, split.sum);
	ck_assert_double_eq_tol(split.sum[END_CAP].work_j, whole.sum[END_CAP].work_j, 1e-12);
	strokes_free(whole.s);
	strokes_free(split.s);
	stroke_rig_free(r);
}
END_TEST

/* --- events, ledger, air ------------------------------------------------- */

static struct valve_event event_of(int kind, double phi_deg, int64_t turn, char cls)
{
	static const double INTENDED_DEG[EVENT_KINDS] = {0, 90, 170, 355};
	double theta = (double)turn * TURN + unit_rad(phi_deg);
	return (struct valve_event){.end = END_CAP,
	                            .event = (uint8_t)kind,
	                            .cls = cls,
	                            .intended_rad = unit_rad(INTENDED_DEG[kind]),
	                            .command_rad = theta - unit_rad(12),
	                            .event_rad = cls == 'C' || cls == 'M' ? NAN : theta,
	                            .delay_s = 0.012,
	                            .omega_rad_s = 10};
}

static size_t events_of(struct valve_event *event, int64_t turns, char cut_off_class)
{
	static const double ACTUAL_DEG[EVENT_KINDS] = {10, 100, 170, 365};
	size_t n = 0;
	for (int64_t turn = 0; turn < turns; turn++)
		for (int k = 0; k < EVENT_KINDS; k++)
			event[n++] =
			    event_of(k, ACTUAL_DEG[k], turn, k == EVENT_CUT_OFF ? cut_off_class : 'A');
	return n;
}

static double lines_sum(const double *line)
{
	double sum = 0;
	for (int l = 0; l < LEDGER_LINES; l++)
		sum += line[l];
	return sum;
}

START_TEST(the_ledger_of_every_stroke_adds_up_and_finds_the_faults)
{
	struct stroke_rig *r = NULL;
	struct mech m = mech_of(&stroke_rig_engine);
	struct valve_event event[4 * 12];
	size_t n = events_of(event, 12, 'A');
	r = stroke_rig_run(&stroke_rig_engine, 90, 10, 0.7, 1000, engine_like, &m);
	struct outcome o = measure(r, event, n);
	for (size_t i = 0; i < o.n; i++) {
		const struct stroke *s = &o.row[i];
		if (s->end != END_CAP)
			continue;
		ck_assert_double_eq_tol(lines_sum(s->ledger_j), s->ideal_work_j - s->work_j,
		                        1e-9 * s->ideal_work_j);
	}
	const struct stroke_summary *s = &o.sum[END_CAP];
	ck_assert_double_eq_tol(lines_sum(s->ledger_j), s->ideal_work_j - s->work_j, 1e-9 * s->ideal_work_j);
	ck_assert_double_eq_tol(s->diagram_factor, s->work_j / s->ideal_work_j, 1e-12);
	ck_assert(s->ledger_j[LEDGER_LATE_ADMISSION] > 0.1);
	ck_assert(s->ledger_j[LEDGER_CUT_OFF] < -1);     /* late: gained */
	ck_assert(s->ledger_j[LEDGER_WIRE_DRAWING] > 1); /* 3 % less than supply */
	ck_assert(s->ledger_j[LEDGER_BACK_PRESSURE] > 0.5);
	/* The pressure at cut-off lies between two samples: 0.1 % of the ideal. */
	ck_assert_double_eq_tol(s->ledger_j[LEDGER_REMAINDER], 0, 1e-3 * s->ideal_work_j);
	ck_assert_double_eq_tol(s->release_pa, engine_like(unit_rad(170), &m), 5e3);
	strokes_free(o.s);
	stroke_rig_free(r);
}
END_TEST

START_TEST(an_event_not_observable_is_replaced_and_the_report_is_told)
{
	struct mech m = mech_of(&stroke_rig_engine);
	struct valve_event event[4 * 12];
	size_t n = events_of(event, 12, 'C');
	struct stroke_rig *r = stroke_rig_run(&stroke_rig_engine, 90, 10, 0.7, 1000, engine_like, &m);
	struct outcome o = measure(r, event, n);
	bool told = false;
	for (size_t i = 0; strokes_remark(o.s, i) != NULL; i++)
		told |= strstr(strokes_remark(o.s, i), "cap end, cut-off") != NULL;
	ck_assert(told);
	ck_assert_double_eq_tol(lines_sum(o.sum[END_CAP].ledger_j),
	                        o.sum[END_CAP].ideal_work_j - o.sum[END_CAP].work_j, 1e-6);
	strokes_free(o.s);
	stroke_rig_free(r);
}
END_TEST

START_TEST(an_inlet_that_never_opened_costs_the_whole_stroke)
{
	struct mech m = mech_of(&stroke_rig_engine);
	struct valve_event event[4 * 12];
	size_t n = events_of(event, 12, 'A');
	for (size_t i = 0; i < n; i++)
		if (event[i].event == EVENT_ADMISSION && i / 4 == 4)
			event[i] = event_of(EVENT_ADMISSION, 10, 4, 'M');
	struct stroke_rig *r = stroke_rig_run(&stroke_rig_engine, 90, 10, 0.7, 1000, engine_like, &m);
	struct outcome o = measure(r, event, n);
	const struct stroke *missed = row_of(&o, END_CAP, 4), *next = row_of(&o, END_CAP, 5);
	ck_assert_double_eq(missed->air_kg, 0);
	ck_assert_double_eq_tol(missed->ledger_j[LEDGER_CUT_OFF], 0, 1e-9);
	ck_assert(next->air_kg > 1e-4);
	strokes_free(o.s);
	stroke_rig_free(r);
}
END_TEST

START_TEST(a_learned_sensor_lag_is_taken_out)
{
	/* Samples that show what was 3 ms ago: the work comes out right once the lag is known. */
	struct stroke_rig *r = stroke_rig_run(&stroke_rig_engine, 120, 8, 0.7, 500, smooth, NULL);
	struct gas_model gas = {
	    .n_polytropic = {NAN, NAN}, .noise_pa = {NAN, NAN}, .sensor_lag_s = {0.003, 0.003}};
	for (int channel = 1; channel < 3; channel++)
		for (size_t i = 0; i < r->leg.sensor[channel].n; i++)
			r->leg.sensor[channel].t_us[i] += 3000;
	struct strokes *s = strokes_new(&r->engine, &r->mech);
	const struct stroke *row;
	size_t n;
	struct fault f = {0};
	ck_assert_int_eq(strokes_measure(s, &r->leg, &r->crank, NULL, 0, &gas, &row, &n, &f), 0);
	struct outcome o = {.row = row, .n = n};
	double work = stroke_rig_work_j(&r->mech, END_CAP, smooth, NULL);
	ck_assert_double_eq_tol(row_of(&o, END_CAP, 3)->work_j, work, 3e-5 * fabs(work));
	strokes_free(s);
	stroke_rig_free(r);
}
END_TEST

/* Adiabatic filling in closed form: m = V_s [p_s x + (p_s - p_c) c / gamma] / (R T_s). */
START_TEST(air_of_a_square_admission_follows_the_closed_form)
{
	double vs = 4e-4, c = 0.12, x = 0.35, ps = 7e5, pc = 1.3e5, ts = 291;
	const struct indicator_node node[] = {
	    {.v_m3 = c * vs, .p_pa = pc}, {.v_m3 = c * vs, .p_pa = ps}, {.v_m3 = (c + x) * vs, .p_pa = ps}};
	double closed = vs * (ps * x + (ps - pc) * c / AIR_GAMMA) / (AIR_R * ts);
	ck_assert_double_eq_tol(stroke_air_admitted_kg(node, 3, ts), closed, 1e-12 * closed);
}
END_TEST

/* A1: FOSSEE "EXAMPLE 20.34" (R. K. Rajput, from memory): 0.419561 kg/min at 300 cycles a minute,
 * with the air in the cylinder at supply temperature at cut-off.  The energy balance mixes it with
 * what was compressed in the clearance: within 1 %. */
START_TEST(air_of_the_book_motor_agrees)
{
	double vs = UNIT_PI / 4 * 0.0635 * 0.0635 * 0.114;
	const struct indicator_node node[] = {{.v_m3 = 0.05 * vs, .p_pa = 2.494298e5},
	                                      {.v_m3 = 0.05 * vs, .p_pa = 6.3e5},
	                                      {.v_m3 = 0.55 * vs, .p_pa = 6.3e5}};
	double book = 0.419561 / 300;
	ck_assert_double_eq_tol(stroke_air_admitted_kg(node, 3, 297), book, 0.01 * book);
}
END_TEST

/* 90 deg of a chamber that stands at 6 bar, 0.1 l; 10 rad/s. */
static struct stroke_air air_of_a_still_chamber(double exhaust_m3_s_pa, double last_compression_rad,
                                                double wall_m2)
{
	enum { NODES = 181 };
	static struct indicator_node node[NODES];
	struct stroke_nodes nodes = {.node = node, .n = NODES};
	struct stroke_angles a = {.phi_rad = {unit_rad(5), unit_rad(75), unit_rad(170), unit_rad(352)}};
	for (int i = 0; i < NODES; i++)
		node[i] = (struct indicator_node){unit_rad(i * 0.5), 1e-4, 6e5};
	const struct stroke_air_case c = {.nodes = &nodes,
	                                  .angles = &a,
	                                  .last_compression = {last_compression_rad, 0, FROM_EVENT},
	                                  .omega_rad_s = 10,
	                                  .ramp_s = {{0.004, 0.006}, {0.004, 0.006}},
	                                  .exhaust_m3_s_pa = exhaust_m3_s_pa,
	                                  .ambient_pa = 1e5,
	                                  .air_k = 291,
	                                  .bore_m = 0.05,
	                                  .wall_m2 = wall_m2};
	return stroke_air(&c);
}

/* C = 2e-10 m3/(s Pa), 1.185 kg/m3 of ISO 8778, choked; from admission's beginning to the exhaust's half.
 * What leaves has been pressed from 1 to 6 bar: it is that much warmer than what must come in for it. */
START_TEST(air_that_leaves_by_the_exhaust_while_the_inlet_is_open_is_counted)
{
	double warm = pow(6, 0.4 / 1.4), open_s = unit_rad(20 - 5) / 10 + 0.004;
	double left = 2e-10 * 1.185 * 6e5 * sqrt(293.15 / (291 * warm)) * open_s;
	struct stroke_air air = air_of_a_still_chamber(2e-10, unit_rad(20), 0);
	ck_assert_double_eq_tol(air.kg, left * warm,
	                        0.03 * left * warm); /* it cools as supply takes its place */
	ck_assert_double_ge(air.doubt_kg, 0.3 * air.kg - 1e-12);
	struct stroke_air shut = air_of_a_still_chamber(2e-10, unit_rad(-8), 0);
	ck_assert_double_eq(shut.kg, 0);
	ck_assert_double_eq(shut.doubt_kg, 0);
}
END_TEST

/* Air that stands compressed cools at the walls, and what keeps its pressure up comes in for it: 60 W/(m2 K)
 * on 0.01 m2 from the beginning of admission to the end of cut-off. */
START_TEST(air_that_makes_up_for_the_heat_of_the_walls_is_counted)
{
	double warm = pow(6, 0.4 / 1.4), time_s = unit_rad(70) / 10 + 0.004 + 0.006;
	double lost_j = 60 * 0.01 * 291 * (warm - 1) * time_s, cp = 3.5 * AIR_R;
	struct stroke_air air = air_of_a_still_chamber(NAN, unit_rad(-8), 0.01);
	ck_assert_double_lt(air.kg, lost_j / (cp * 291));
	ck_assert_double_gt(air.kg, 0.7 * lost_j / (cp * 291)); /* the warmth goes meanwhile */
	ck_assert_double_ge(air.doubt_kg, air.kg);
}
END_TEST

/* A tank that empties without heat: T = T0 (m / m0)^(gamma - 1), in closed form. */
START_TEST(the_tanks_pressure_tells_how_cold_the_supply_is)
{
	double t0 = 291.15, volume = 0.05, p0 = 15e5, m0 = p0 * volume / (AIR_R * t0), left = m0;
	struct supply_air s = supply_air_start(t0, volume);
	for (int i = 0; i < 100; i++) {
		double k = t0 * pow(left / m0, AIR_GAMMA - 1);
		double p = left * AIR_R * k / volume;
		ck_assert_double_eq_tol(supply_air_k(&s, 1e6 + 4e5 * i, p), k, 1e-9 * k);
		supply_air_take(&s, 0.004 * m0);
		left -= 0.004 * m0;
	}
	/* Filled again, and after a long rest: warm. */
	ck_assert_double_eq_tol(supply_air_k(&s, 1e6 + 4e5 * 100, p0), t0, 1e-9);
	supply_air_take(&s, 0.2 * m0);
	ck_assert(supply_air_k(&s, 1e6 + 4e5 * 101, 0.7 * p0) < 0.9 * t0);
	ck_assert_double_eq_tol(supply_air_k(&s, 1e6 + 4e5 * 101 + 60e6, 0.7 * p0), t0, 1e-9);
	struct supply_air none = supply_air_start(t0, NAN);
	ck_assert_double_eq(supply_air_k(&none, 1e6, p0), t0);
}
END_TEST

START_TEST(the_mean_diagram_is_the_diagram)
{
	struct stroke_rig *r = stroke_rig_run(&stroke_rig_engine, 93, 30, 0.7, 1000, smooth, NULL);
	struct outcome o = measure(r, NULL, 0);
	struct stroke_diagram d;
	strokes_diagram(o.s, END_CAP, &d);
	for (size_t b = 0; b < STROKE_BINS; b++) {
		double phi = ((double)b + 0.5) * TURN / STROKE_BINS;
		ck_assert_double_eq_tol(d.measured_pa[b], smooth(phi, NULL), 3e3);
		ck_assert_double_eq_tol(d.supply_pa[b], STROKE_RIG_SUPPLY_PA, 1);
	}
	ck_assert_double_eq_tol(d.ideal_pa[10], STROKE_RIG_SUPPLY_PA, 1);
	ck_assert_double_eq_tol(d.ideal_pa[200], r->engine.ambient_pa, 1e-9);
	strokes_free(o.s);
	stroke_rig_free(r);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("strokes");
	TCase *t = tcase_create("strokes");
	tcase_add_test(t, work_is_the_area_of_the_loop_at_both_ends);
	tcase_add_test(t, the_rod_end_of_an_offset_crosshead_starts_at_its_own_dead_centre);
	tcase_add_test(t, only_whole_turns_are_strokes);
	tcase_add_test(t, useful_angle_ends_where_the_gauge_pressure_falls_below_a_tenth);
	tcase_add_test(t, useful_fraction_of_an_offset_crosshead_is_of_its_own_working_stroke);
	tcase_add_test(t, without_supply_sensor_work_is_known_and_the_ideal_is_not);
	tcase_add_test(t, an_end_without_sensor_has_no_strokes);
	tcase_add_test(t, a_flagged_stretch_leaves_out_the_strokes_that_touch_it);
	tcase_add_test(t, a_hole_in_the_samples_leaves_out_its_stroke);
	tcase_add_test(t, a_pressure_that_cannot_be_leaves_out_its_stroke);
	tcase_add_test(t, too_few_samples_a_turn_are_said_to_be_too_few);
	tcase_add_test(t, pressure_beyond_the_sensors_range_leaves_out_its_stroke_but_not_its_force);
	tcase_add_test(t, a_crank_that_turns_back_is_left_out);
	tcase_add_test(t, two_legs_give_the_strokes_of_one);
	tcase_add_test(t, the_ledger_of_every_stroke_adds_up_and_finds_the_faults);
	tcase_add_test(t, an_event_not_observable_is_replaced_and_the_report_is_told);
	tcase_add_test(t, an_inlet_that_never_opened_costs_the_whole_stroke);
	tcase_add_test(t, a_learned_sensor_lag_is_taken_out);
	tcase_add_test(t, air_of_a_square_admission_follows_the_closed_form);
	tcase_add_test(t, air_of_the_book_motor_agrees);
	tcase_add_test(t, air_that_leaves_by_the_exhaust_while_the_inlet_is_open_is_counted);
	tcase_add_test(t, air_that_makes_up_for_the_heat_of_the_walls_is_counted);
	tcase_add_test(t, the_tanks_pressure_tells_how_cold_the_supply_is);
	tcase_add_test(t, the_mean_diagram_is_the_diagram);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
