/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/analysis.h"

#include "analyse/doubts.h"
#include "analyse/overview.h"
#include "analyse/report_words.h"
#include "analyse/verdict.h"
#include "common/air.h"
#include "common/unit.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define EDGES_LEAST 8      /* fewer tooth edges than this say nothing */
#define SUPPLY_HOLE_US 1e5 /* without a sample this long the supply pressure is not known */

/* --- pass 1: clock and wheel ------------------------------------------- */

static void tell(const struct analysis_sink *sink, double done)
{
	if (sink != NULL && sink->progress != NULL)
		sink->progress(sink->ctx, done);
}

struct lesson {
	struct crank_learner *learner;
	struct clock_fit *clock;
	uint64_t edges;
};

static void end_lesson(struct lesson *l)
{
	crank_learner_free(l->learner);
	clock_fit_free(l->clock);
	*l = (struct lesson){.learner = NULL};
}

/* Begins, or begins again: the log held a newer ride. */
static int begin_lesson(struct lesson *l, const struct engine *e, struct fault *fault)
{
	end_lesson(l);
	l->learner = crank_learner_new(e);
	l->clock = clock_fit_new();
	return l->learner != NULL && l->clock != NULL ? 0 : fault_set(fault, EX_OSERR, "out of memory");
}

static int learn_leg(struct lesson *l, const struct leg *leg, struct fault *fault)
{
	clock_fit_add(l->clock, leg);
	l->edges += leg->tooth_n;
	return crank_learn(l->learner, leg, fault);
}

static int learn_legs(struct ride *ride, const struct analysis_sink *sink, struct lesson *l,
                      struct fault *fault)
{
	const struct leg *leg;
	int got;
	while ((got = ride_next_leg(ride, &leg, fault)) > 0) {
		tell(sink, NAN);
		if (leg->number == 0 && begin_lesson(l, ride_engine(ride), fault) != 0)
			return -1;
		struct fault older;
		if (learn_leg(l, leg, fault) != 0 && ride_settle(ride, &older) != 1)
			return -1;
	}
	return got;
}

/* Learns the wheel and the clock.  A ride without teeth leaves has_crank
 * false; a wheel that contradicts the engine file is a fault. */
static int learn(struct ride *ride, const struct analysis_sink *sink, struct report *out, struct fault *fault)
{
	struct lesson l = {.learner = NULL};
	int status = learn_legs(ride, sink, &l, fault);
	if (status == 0) {
		clock_fit_result(l.clock, &out->clock);
		out->has_crank = l.edges >= EDGES_LEAST && out->engine.tooth_count > 0;
		if (out->has_crank)
			status = crank_learned(l.learner, &out->wheel, fault);
	}
	end_lesson(&l);
	return status;
}

/* --- pass 2: the stages, each standing on the one before ----------------- */

struct stages {
	const struct analysis_sink *sink; /* NULL = nobody wants more than the report */
	const struct report *report;
	const struct leg *leg;     /* the one at hand */
	struct valve_event *event; /* of it, those in the selection */
	size_t event_n, event_room;
	struct overview *overview;
	struct tank_watch tank;
	struct crank_solver *solver;  /* NULL and all below: no usable teeth */
	const struct crank *crank[2]; /* of the leg at hand and of the next, by the last bit of its number */
	struct believed *believed;
	struct valve_events *events;
	struct strokes *strokes;
};

static const struct selection *selection_of(const struct stages *s)
{
	bool part = s->sink != NULL && s->sink->selection != NULL && selection_is_part(s->sink->selection);
	return part ? s->sink->selection : NULL;
}

static double ride_start_us(const struct stages *s)
{
	return (double)s->report->counts.first_t_us;
}

static double ride_s(const struct stages *s, double t_us)
{
	return (t_us - ride_start_us(s)) * 1e-6;
}

static bool stroke_selected(void *ctx, const struct stroke *row)
{
	const struct stages *s = ctx;
	return selection_has(selection_of(s), ride_s(s, row->t_start_us), unit_rpm(row->omega_rad_s),
	                     unit_bar_gauge(row->supply_pa, s->report->engine.ambient_pa));
}

static bool event_selected(void *ctx, const struct valve_event *e)
{
	const struct stages *s = ctx;
	int channel = engine_sensor_channel(&s->report->engine, SENSOR_SUPPLY);
	double supply_pa =
	    channel < 0 ? NAN : ride_series_at(&s->leg->sensor[channel], e->command_t_us, SUPPLY_HOLE_US);
	return selection_has(selection_of(s), ride_s(s, e->command_t_us), unit_rpm(e->omega_rad_s),
	                     unit_bar_gauge(supply_pa, s->report->engine.ambient_pa));
}

static bool stages_new(struct stages *s, const struct report *r)
{
	s->overview = overview_new(&r->engine, r->counts.first_t_us, r->counts.last_t_us);
	if (s->overview == NULL || !r->has_crank)
		return s->overview != NULL;
	s->solver = crank_solver_new(&r->engine, &r->wheel);
	s->believed = believed_new(&r->engine, &r->wheel);
	s->events = valve_events_new(&r->engine, &r->mech, &r->wheel);
	s->strokes = strokes_new(&r->engine, &r->mech);
	if (s->solver == NULL || s->believed == NULL || s->events == NULL || s->strokes == NULL)
		return false;
	if (selection_of(s) != NULL) {
		valve_events_count_only(s->events, event_selected, s);
		strokes_count_only(s->strokes, stroke_selected, s);
	}
	return true;
}

static void stages_free(struct stages *s)
{
	overview_free(s->overview);
	crank_solver_free(s->solver);
	believed_free(s->believed);
	valve_events_free(s->events);
	strokes_free(s->strokes);
	free(s->event);
}

/* The crank of a leg, beside the work on the one before. */
static int solve_crank(void *ctx, const struct leg *leg, struct fault *fault)
{
	struct stages *s = ctx;
	return crank_solve(s->solver, leg, &s->crank[leg->number % 2], fault);
}

/* What the controller believed, valve events and strokes of one leg. */
static int solve_leg(struct stages *s, const struct leg *leg, struct analysis_rows *rows, struct fault *fault)
{
	rows->leg = s->leg = leg;
	if (s->solver == NULL)
		return 0;
	rows->crank = s->crank[leg->number % 2];
	if (believed_replay(s->believed, leg, rows->crank, fault) != 0 ||
	    valve_events_learn(s->events, leg, rows->crank, fault) != 0 ||
	    valve_events_find(s->events, leg, rows->crank, s->believed, &rows->event, &rows->event_n,
	                      fault) != 0)
		return -1;
	return strokes_measure(s->strokes, leg, rows->crank, rows->event, rows->event_n,
	                       valve_events_gas_model(s->events), &rows->stroke, &rows->stroke_n, fault);
}

/* The rows' events without those of another part of the ride. */
static int select_events(struct stages *s, struct analysis_rows *rows, struct fault *fault)
{
	if (selection_of(s) == NULL)
		return 0;
	if (rows->event_n > s->event_room) {
		free(s->event);
		s->event = malloc(rows->event_n * sizeof *s->event);
		s->event_room = s->event == NULL ? 0 : rows->event_n;
	}
	if (rows->event_n > s->event_room)
		return fault_set(fault, EX_OSERR, "out of memory");
	s->event_n = 0;
	for (size_t i = 0; i < rows->event_n; i++)
		if (event_selected(s, &rows->event[i]))
			s->event[s->event_n++] = rows->event[i];
	rows->event = s->event;
	rows->event_n = s->event_n;
	return 0;
}

static double done_by(const struct ride_counts *c, const struct leg *leg)
{
	return (double)(leg->core_to_us - c->first_t_us) / fmax((double)(c->last_t_us - c->first_t_us), 1);
}

static int solve_legs(struct ride *ride, struct stages *s, struct fault *fault)
{
	const struct analysis_sink *sink = s->sink;
	const struct leg *leg;
	int got;
	ride_each_leg(ride, s->solver == NULL ? NULL : solve_crank, s);
	while ((got = ride_next_leg(ride, &leg, fault)) > 0) {
		struct analysis_rows rows = {.selection = selection_of(s), .start_us = ride_start_us(s)};
		if (solve_leg(s, leg, &rows, fault) != 0 || select_events(s, &rows, fault) != 0)
			return -1;
		overview_add(s->overview, leg, rows.crank);
		tell(sink, done_by(&s->report->counts, leg));
		tank_watch_add(&s->tank, &s->report->engine, leg);
		if (sink != NULL && sink->rows != NULL && sink->rows(sink->ctx, &rows, fault) != 0)
			return -1;
	}
	return got;
}

/* --- the report's numbers ------------------------------------------------ */

static void gather_slips(const struct believed *b, struct report *out)
{
	size_t kept;
	const struct slip *slips = believed_slips(b, &kept, &out->controller_slips);
	size_t most = sizeof out->slip / sizeof *out->slip;
	out->slip_n = kept < most ? kept : most;
	if (out->slip_n > 0)
		memcpy(out->slip, slips, out->slip_n * sizeof *slips);
}

static void gather_strokes(const struct strokes *s, struct report *out)
{
	strokes_finish(s, out->stroke);
	strokes_torque(s, &out->torque);
	double air_kg = 0; /* of all ends; an end that is there and was not measured makes it unknown */
	for (int e = 0; e < END_COUNT; e++) {
		out->has_strokes[e] = out->stroke[e].count > 0;
		strokes_diagram(s, (enum engine_end)e, &out->diagram[e]);
		if (out->has_strokes[e])
			air_kg += out->stroke[e].air_kg;
		else if (isfinite(out->mech.clearance_m3[e]))
			air_kg = NAN;
	}
	out->air_kg_per_turn = out->has_strokes[END_CAP] || out->has_strokes[END_ROD] ? air_kg : NAN;
}

/* Air of a turn by the simulated strokes, from a supply as cold as it was in the ride: at like pressures the
 * mass goes with its density.  An end that is there and not simulated makes it unknown. */
static struct air_known air_by_valves(const struct report *r)
{
	struct air_known sum = {0, 0};
	for (int e = 0; e < END_COUNT; e++) {
		const struct gains *g = &r->gains[e];
		double denser = r->engine.air_k / r->stroke[e].supply_k;
		if (!isfinite(r->mech.clearance_m3[e]))
			continue;
		sum.kg += g->known ? g->simulated_air_kg * denser : NAN;
		sum.half_width_kg += g->simulated_air_error_kg * denser;
	}
	return sum;
}

/* The tank answers for the whole ride only. */
static void gather_air(const struct stages *s, struct report *out)
{
	struct air_known *way = out->air;
	gains_reckon(out, out->gains);
	double error_kg = 0; /* alike at both ends */
	for (int e = 0; e < END_COUNT; e++)
		error_kg += out->has_strokes[e] ? out->stroke[e].air_error_kg : 0;
	way[AIR_BY_CHAMBERS] = (struct air_known){out->air_kg_per_turn, error_kg};
	way[AIR_BY_VALVES] = air_by_valves(out);
	way[AIR_BY_TANK] = selection_of(s) == NULL ? tank_watch_air(&s->tank, &out->engine, out->revolutions)
	                                           : (struct air_known){NAN, NAN};
	out->air_error_kg = air_ways_reach_kg(way);
}

static void warn_of_air_gone_through(struct report *out)
{
	for (int e = 0; e < END_COUNT; e++)
		if (out->has_strokes[e] && out->stroke[e].air_unknown > 0)
			report_say(&out->warnings,
			           "The inlet of the %s end was not told to shut, or did not, in %u of its "
			           "strokes: air may "
			           "have gone straight through. What they took is not in the air of a turn "
			           "but in its "
			           "interval.",
			           engine_end_name((enum engine_end)e), out->stroke[e].air_unknown);
}

static void warn_of_air(struct report *out)
{
	warn_of_air_gone_through(out);
	enum air_way a, b;
	const struct air_known *way = out->air;
	if (air_ways_disagree(way, &a, &b))
		report_say(
		    &out->warnings,
		    "The air of a turn does not agree: %.2f +/- %.2f normal litres by %s, %.2f +/- %.2f by "
		    "%s. Look for a leak before the valves, a wrong volume of tank or clearance, or a gauge "
		    "that is off.",
		    air_normal_litre(way[a].kg), air_normal_litre(way[a].half_width_kg), air_way_name(a),
		    air_normal_litre(way[b].kg), air_normal_litre(way[b].half_width_kg), air_way_name(b));
}

/* The warnings, what makes other figures wrong first: what is not known at all and why, the crank, faults,
 * gauges and volumes, and only then from what the ledger was reckoned. */
static void gather_warnings(const struct stages *s, const struct ride *ride, struct report *out)
{
	verdict_missing(out, ride);
	for (unsigned i = 0; s->solver != NULL && i < out->wheel.remarks; i++)
		report_say(&out->warnings, "%s", out->wheel.remark[i]);
	for (size_t i = 0; i < out->findings.n; i++)
		report_say(&out->warnings, "%s", out->findings.line[i]);
	doubts_say(out);
	warn_of_air(out);
	for (size_t i = 0; s->solver != NULL && strokes_remark(s->strokes, i) != NULL; i++)
		report_say(&out->warnings, "%s", strokes_remark(s->strokes, i));
}

static void gather(struct stages *s, struct report *out)
{
	out->air_kg_per_turn = NAN;
	if (s->solver != NULL) {
		out->crank = *crank_solver_totals(s->solver);
		gather_slips(s->believed, out);
		out->event_n = valve_events_finish(s->events, out->event);
		out->gas = *valve_events_gas_model(s->events);
		out->has_gas = true;
		gather_strokes(s->strokes, out);
		for (size_t i = 0; valve_events_finding(s->events, i) != NULL; i++)
			report_say(&out->findings, "%s", valve_events_finding(s->events, i));
	}
	overview_finish(s->overview, out);
}

static void begin(const struct ride *ride, struct report *out)
{
	memset(out, 0, sizeof *out);
	out->engine = *ride_engine(ride);
	out->mech = mech_of(&out->engine);
	out->start_utc_us = ride_facts(ride)->start_utc_us;
	strncpy(out->file, ride_name(ride), sizeof out->file - 1);
}

static unsigned events_counted(const struct report *r)
{
	unsigned n = 0;
	for (size_t i = 0; i < r->event_n; i++)
		n += r->event[i].commands;
	return n;
}

/* Says what was left out; a selection that holds nothing is a fault. */
static int note_selection(const struct selection *s, struct report *r, struct fault *fault)
{
	char words[SELECTION_WORDS_MAX], speed[WORDS_NUMBER_MAX], supply[WORDS_NUMBER_MAX];
	if (s == NULL)
		return 0;
	unsigned strokes = 0, events = events_counted(r);
	for (int e = 0; e < END_COUNT; e++)
		strokes += r->stroke[e].count + r->stroke[e].left_out;
	selection_words(s, words);
	if (strokes + events == 0)
		return fault_set(
		    fault, EX_DATAERR,
		    "no stroke and no valve command in the part asked for (%s); the ride lasts %.1f "
		    "s; speed: %s; supply: %s",
		    words, r->duration_s, words_range(speed, r->speed_rpm, 0, "rpm"),
		    words_supply(supply, r));
	snprintf(r->selected, sizeof r->selected, "%s: %u strokes, %u valve commands", words, strokes,
	         events);
	return 0;
}

int analysis_run(struct ride *ride, const struct analysis_sink *sink, struct report *out, struct fault *fault)
{
	begin(ride, out);
	ride_rewind(ride);
	if (learn(ride, sink, out, fault) != 0)
		return -1;
	out->counts = *ride_counts(ride);
	out->duration_s = out->counts.duration_s;

	struct stages stages = {.sink = sink, .report = out};
	int status = -1;
	if (!stages_new(&stages, out))
		fault_set(fault, EX_OSERR, "out of memory");
	else
		status = solve_legs(ride, &stages, fault);
	if (status == 0) {
		gather(&stages, out);
		status = note_selection(selection_of(&stages), out, fault);
	}
	if (status == 0) {
		gather_air(&stages, out);
		gather_warnings(&stages, ride, out);
		verdict_limits(out);
		verdict_advice(out);
	}
	ride_each_leg(ride, NULL, NULL);
	stages_free(&stages);
	return status;
}
