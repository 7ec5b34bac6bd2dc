/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/doubts.h"

#include "common/unit.h"

#include <math.h>

#define SLOW_RPM 30
#define RETURN_FROM (200 * STROKE_BINS / 360) /* of the diagram, well inside the return stroke */
#define RETURN_TO (340 * STROKE_BINS / 360)
#define ZERO_PA 6e3       /* a gauge may read this much beside the air outside */
#define OVER_SUPPLY -0.02 /* wire-drawing less than this part of the ideal */
#define SURE 3            /* times its doubt */
#define ABOVE_SUPPLY 0.02 /* the chamber's pressure more than this part of the supply's above it */
#define OVER_BINS 5
#define OVER_AFTER_DEG 15 /* past admission: what was compressed before has gone back into the supply */
#define BRAKES -0.25      /* work less than this part of the ideal */
#define SONIC_RATIO                                                                                          \
	1.893 /* air leaves at the speed of sound above this, (2/(gamma+1))^(-gamma/(gamma-1))               \
	       */

static unsigned strokes_counted(const struct report *r)
{
	unsigned cap = r->stroke[END_CAP].count, rod = r->stroke[END_ROD].count;
	return cap > rod ? cap : rod;
}

static void little(struct report *r)
{
	if (!r->has_crank)
		return;
	if (r->selected[0] != '\0' && strokes_counted(r) < DOUBTS_TURNS_LEAST)
		report_say(&r->warnings,
		           "Few strokes lie in the part asked for (at most %u an end): too few for means to "
		           "settle or for their intervals to be trusted.",
		           strokes_counted(r));
	else if (r->revolutions < DOUBTS_TURNS_LEAST)
		report_say(
		    &r->warnings,
		    "Only %.0f turns: too few for means to settle or for their intervals to be trusted. "
		    "Ride for half a minute at least.",
		    r->revolutions);
	double rpm =
	    isfinite(r->speed_rpm.median) ? r->speed_rpm.median : 60 * r->revolutions / r->duration_s;
	if (rpm < SLOW_RPM)
		report_say(&r->warnings,
		           "Slow (%.0f rpm): a valve that is 10 ms late is only %.1f deg late at this "
		           "speed, and leak and heat have long to work. What is found here says little of "
		           "riding speed.",
		           rpm, rpm * 6 * 0.010);
}

/* Least pressure of the return stroke. */
static double least_pa(const struct stroke_diagram *d)
{
	double least = NAN;
	for (int b = RETURN_FROM; b < RETURN_TO; b++)
		least = fmin(least, d->measured_pa[b]);
	return least;
}

/* How much too high the gauge reads (< 0: too low), Pa, and what it reads at its least.  On its way back the
 * piston drives the air out; near the dead centre it hardly moves, and what the exhaust's resistance keeps up
 * is next to nothing: the simulated stroke says how much, and at the ride's top speed
 * how much at most.  Without one: nothing stands below the air outside
 * then, unless it was expanded too far before.  0 when nothing is amiss. */
static double zero_error_pa(const struct report *r, enum engine_end end, double *least)
{
	const struct gains *g = &r->gains[end];
	double error = g->floor_pa - g->simulated_floor_pa, ambient = r->engine.ambient_pa;
	*least = g->floor_pa;
	if (isfinite(error)) {
		double doubtful = ZERO_PA + fmax(g->top_floor_pa - ambient, 0);
		return fabs(error) > doubtful ? error : 0;
	}
	*least = least_pa(&r->diagram[end]);
	bool sucks = r->stroke[end].release_pa < ambient;
	return ambient - *least > ZERO_PA && !sucks ? *least - ambient : 0;
}

static void zero(struct report *r, enum engine_end end)
{
	double least, error = zero_error_pa(r, end, &least);
	if (error != 0)
		report_say(
		    &r->warnings,
		    "The %s end's gauge reads about %.2f bar too %s: at its least, with the exhaust open and "
		    "the piston all but still, it shows %.2f bar gauge. Set `low` in the engine file by the "
		    "reading with the hose off. The zero does not change the work; it changes the useful "
		    "angle, "
		    "the air and every pressure told.",
		    engine_end_name(end), unit_bar(fabs(error)), error > 0 ? "high" : "low",
		    unit_bar_gauge(least, r->engine.ambient_pa));
}

/* Past the dead centre of its end, rad; NAN when it was not found. */
static double event_rad(const struct report *r, enum engine_end end, enum valve_event_kind kind)
{
	for (size_t i = 0; i < r->event_n; i++)
		if (r->event[i].end == end && r->event[i].event == kind)
			return remainder(r->event[i].actual_rad - mech_dead_centre_rad(&r->mech, end),
			                 2 * UNIT_PI);
	return NAN;
}

/* By how much the chamber stands above the supply at most, over OVER_BINS of the diagram between admission
 * and cut-off, as part of the supply's gauge pressure; NAN when not known. */
static double above_supply(const struct report *r, enum engine_end end)
{
	const struct stroke_diagram *d = &r->diagram[end];
	double from = unit_deg(event_rad(r, end, EVENT_ADMISSION)) + OVER_AFTER_DEG;
	double to = unit_deg(event_rad(r, end, EVENT_CUT_OFF)), most = NAN;
	for (int b = 0; b + OVER_BINS < STROKE_BINS; b++) {
		double sum = 0;
		if (!(b >= from && b + OVER_BINS <= to))
			continue;
		for (int k = b; k < b + OVER_BINS; k++)
			sum +=
			    (d->measured_pa[k] - d->supply_pa[k]) / (d->supply_pa[k] - r->engine.ambient_pa);
		most = fmax(most, sum / OVER_BINS);
	}
	return most;
}

/* The chamber cannot stand above the supply that fills it. */
static void gain(struct report *r, enum engine_end end)
{
	const struct stroke_summary *s = &r->stroke[end];
	double part = s->ledger_j[LEDGER_WIRE_DRAWING] / s->ideal_work_j, above = above_supply(r, end);
	char by[60] = "";
	if (!(part < OVER_SUPPLY || above > ABOVE_SUPPLY))
		return;
	if (above > 0)
		snprintf(by, sizeof by, "by up to %.0f %% of it; ", 100 * above);
	report_say(&r->warnings,
	           "The %s end reads more than the supply while its inlet is open (%swire-drawing %.0f %% of "
	           "the ideal "
	           "work): the gain or zero of one of the two gauges is off. Work and ledger of this end are "
	           "not to be "
	           "trusted; compare both gauges at rest.",
	           engine_end_name(end), by, 100 * part);
}

/* A wrong volume moves the index of all expansions alike, slow or fast. */
static void clearance(struct report *r, enum engine_end end)
{
	const struct expansion_verdict *t = &r->gas.tight[end];
	double ml = r->engine.clearance_m3[end] * 1e6;
	if (!r->has_gas || (t->fault != EXPANSION_VOLUME && t->fault != EXPANSION_EITHER))
		return;
	report_say(
	    &r->warnings,
	    "Shut in, the %s end's air expands with index %.2f +/- %.2f; between 1.0 and 1.4 is possible. %s "
	    "the clearance of %.0f ml in the engine file is too %s (measure it with oil or water, hose "
	    "included).",
	    engine_end_name(end), t->index, 1.96 * t->sd,
	    t->fault == EXPANSION_EITHER ? "If nothing leaks," : "Slow or fast alike:", ml,
	    t->high ? "large" : "small");
}

/* 1: the index lies above what expansion can be, -1: below, by three times its doubt; 0: neither, or not
 * known. */
static int astray(const struct expansion_verdict *t)
{
	if (t->index - SURE * t->sd > EXPANSION_INDEX_MOST)
		return 1;
	return t->index + SURE * t->sd < EXPANSION_INDEX_LEAST ? -1 : 0;
}

/* At an angle that is ahead of the true one the volume seems to grow less than it does, and the air to lose
 * pressure too fast for it; behind, too slowly: in the working strokes of both ends, by 0.04 of the index a
 * degree. */
static void both_ends_alike(struct report *r)
{
	const struct expansion_verdict *cap = &r->gas.tight[END_CAP], *rod = &r->gas.tight[END_ROD];
	int way = astray(cap);
	if (!r->has_gas || !r->has_strokes[END_CAP] || !r->has_strokes[END_ROD] || way == 0 ||
	    astray(rod) != way)
		return;
	report_say(
	    &r->warnings,
	    "Both ends' air expands too %s alike (index %.2f at the cap end, %.2f at the rod end): before "
	    "looking for the same fault at both, check the index angle; one that is too %s does this, and "
	    "makes every angle here wrong. trammel centre finds it.",
	    way > 0 ? "steeply" : "slowly", cap->index, rod->index, way > 0 ? "large" : "small");
}

/* Then what looks like the least pressure of the return stroke is that of a place before it. */
static void both_gauges_high(struct report *r)
{
	double least;
	for (int end = 0; end < END_COUNT; end++)
		if (!r->has_strokes[end] || !(zero_error_pa(r, (enum engine_end)end, &least) > 0))
			return;
	report_say(&r->warnings,
	           "Both ends' gauges seem to read too high at once: before setting both anew, check the "
	           "index angle; one that is too large does this, and makes every angle here wrong. trammel "
	           "centre finds it.");
}

static void noise(struct report *r, enum engine_end end)
{
	double release_pa = r->stroke[end].release_pa;
	if (release_pa > SONIC_RATIO * r->engine.ambient_pa)
		report_say(
		    &r->warnings,
		    "The %s exhaust opens on %.1f bar gauge: it leaves at the speed of sound, loud enough "
		    "to harm hearing nearby. Wear ear protection, keep faces clear of the port; expanding "
		    "further quietens it and gains work. Local rules on noise hold.",
		    engine_end_name(end), unit_bar_gauge(release_pa, r->engine.ambient_pa));
}

/* Air that brakes the crank at every end that is measured, turn after turn: the angle is half a turn off. Not
 * so where an ideal engine would brake too: driven on with its tank empty it pumps. */
static void half_a_turn(struct report *r)
{
	double work_j = 0, ideal_j = 0;
	for (int e = 0; e < END_COUNT; e++) {
		const struct stroke_summary *s = &r->stroke[e];
		if (!r->has_strokes[e])
			continue;
		if (!(s->ideal_work_j > 0 && s->work_j < BRAKES * s->ideal_work_j))
			return;
		work_j += s->work_j;
		ideal_j += s->ideal_work_j;
	}
	if (!(ideal_j > 0))
		return;
	r->held_back = "angles half a turn off";
	report_say(
	    &r->warnings,
	    "By these angles the air brakes the crank: %.1f J a turn against %.1f J of an ideal engine. "
	    "Unless something else drove the machine, the index angle in the engine file is about 180 "
	    "deg off, or cap and rod end are exchanged (hoses, sensors or the valves' roles). Nothing "
	    "is advised of the valves until that is mended; trammel centre finds the index angle.",
	    work_j, ideal_j);
}

void doubts_say(struct report *r)
{
	half_a_turn(r);
	both_ends_alike(r);
	both_gauges_high(r);
	little(r);
	for (int e = 0; e < END_COUNT; e++) {
		enum engine_end end = (enum engine_end)e;
		if (!r->has_strokes[e])
			continue;
		zero(r, end);
		gain(r, end);
		clearance(r, end);
		noise(r, end);
	}
}
