/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/verdict.h"

#include "common/unit.h"

#include <math.h>
#include <string.h>

#define NEAR_LIMIT 0.9 /* from here on a limit is named */

struct limit {
	const char *what, *unit;
	double seen, limit;
	const char *then; /* what to do when it was passed */
};

static void name_limit(struct report *r, const struct limit *l)
{
	if (isnan(l->seen) || isnan(l->limit))
		return;
	if (l->seen > l->limit)
		report_say(&r->limits,
		           "%s: %.4g %s was reached; the limit is %.4g %s. Do not ride on like this. %s",
		           l->what, l->seen, l->unit, l->limit, l->unit, l->then);
	else if (l->seen >= NEAR_LIMIT * l->limit)
		report_say(&r->limits, "%s: %.4g %s was reached, close to the limit of %.4g %s.", l->what,
		           l->seen, l->unit, l->limit, l->unit);
}

static double peak_force_n(const struct report *r)
{
	double peak = NAN;
	for (int e = 0; e < END_COUNT; e++)
		if (r->has_strokes[e])
			peak = fmax(peak, r->stroke[e].peak_force_n);
	return peak;
}

void verdict_limits(struct report *r)
{
	const struct engine *e = &r->engine;
	const struct limit limit[] = {
	    {"supply pressure", "bar gauge", unit_bar_gauge(r->supply_pa.max, e->ambient_pa),
	     unit_bar_gauge(e->limit_supply_pa, e->ambient_pa),
	     "Isolate and vent, turn the regulator down, and have the relief valve tested; what vessel and "
	     "hoses may hold is for their plates and local codes to say."},
	    {"speed", "rpm", r->speed_rpm.max, unit_rpm(e->limit_speed_rad_s),
	     "Ease the throttle or load the machine before crank and rod are asked more than they were "
	     "made for."},
	    {"rod force", "N", peak_force_n(r), e->limit_rod_force_n,
	     "Turn the supply down, and look at rod, pin and crank for bending and cracks before the next "
	     "ride."},
	};
	for (size_t i = 0; i < sizeof limit / sizeof *limit; i++)
		name_limit(r, &limit[i]);
}

static bool has_sensor(const struct report *r, enum engine_sensor_role role)
{
	return engine_sensor_channel(&r->engine, role) >= 0;
}

static void missing_end(struct report *r, enum engine_end end)
{
	const char *name = engine_end_name(end);
	if (!has_sensor(r, end == END_CAP ? SENSOR_CAP : SENSOR_ROD))
		report_say(
		    &r->warnings,
		    "No pressure sensor at the %s end: when its valves really moved, its work and its useful "
		    "angle cannot be known.",
		    name);
	else if (r->has_crank && !r->has_strokes[end])
		report_say(&r->warnings, "No stroke of the %s end could be measured%s.", name,
		           r->selected[0] != '\0' ? " in the part asked for" : "");
}

static void missing_crank(struct report *r)
{
	if (r->engine.tooth_count == 0)
		report_say(&r->warnings,
		           "The engine file has no [teeth] section: the crank angle cannot be known. Add "
		           "count, edges and index angle.");
	else if (!r->has_crank)
		report_say(&r->warnings,
		           "There are too few tooth edges in this ride: the crank angle cannot be known. "
		           "Check the pick-up and its wiring.");
	else if (!r->wheel.aligned)
		report_say(&r->warnings,
		           "The angle has no zero: no usable index event (or no index angle in the engine "
		           "file). Turns and speed are right; angles of valves and strokes cannot be told.");
}

static void missing_way(struct report *r)
{
	if (r->unsure_revolutions > 1)
		report_say(&r->warnings,
		           "Where the count of teeth is in doubt the crank went round about %.0f times more; "
		           "these are not among the %.0f turns.",
		           r->unsure_revolutions, r->revolutions);
	if (r->crank.way_unknown_s > 0)
		report_say(&r->warnings,
		           "The crank all but stood and then passed other teeth than on its way forward: for "
		           "%.1f s of %.1f s it may have run backward. One row of teeth cannot tell; that "
		           "time is left out. A second pick-up a quarter pitch away would tell.",
		           r->crank.way_unknown_s, r->duration_s);
}

void verdict_missing(struct report *r, const struct ride *ride)
{
	for (size_t i = 0; ride_remark(ride, i) != NULL; i++)
		report_say(&r->warnings, "%s", ride_remark(ride, i));
	missing_crank(r);
	missing_way(r);
	if (r->event_n == 0 && r->has_crank)
		report_say(&r->warnings,
		           "There are no valve commands in this ride: nothing can be said of valve timing. "
		           "Let the controller send valve records.");
	if (!has_sensor(r, SENSOR_SUPPLY))
		report_say(&r->warnings,
		           "No supply pressure sensor: useful angle, ideal work and inlet timing lean on "
		           "less than they should.");
	missing_end(r, END_CAP);
	if (!isnan(r->engine.clearance_m3[END_ROD]))
		missing_end(r, END_ROD);
	const struct ride_counts *c = &r->counts;
	if (c->lost > 0)
		report_say(&r->warnings,
		           "%llu records were lost on the way (the sender's link or the disk was full).",
		           (unsigned long long)c->lost);
	if (r->crank.teeth_lost > 0)
		report_say(&r->warnings,
		           "%llu tooth edges are missing where records were lost or damaged on the way: "
		           "neither the pick-up nor the controller is blamed for them.",
		           (unsigned long long)r->crank.teeth_lost);
	if (c->outliers > 0)
		report_say(&r->warnings, "%llu records with an impossible time were left out.",
		           (unsigned long long)c->outliers);
	if (c->resets > 0)
		report_say(&r->warnings,
		           "The controller's clock started again in this ride (%llu): it was reset, or "
		           "two rides stand in one log.",
		           (unsigned long long)c->resets);
}

static bool off_time(const struct valve_event_summary *s)
{
	return strcmp(s->verdict, "late") == 0 || strcmp(s->verdict, "early") == 0 ||
	       strcmp(s->verdict, "missed") == 0;
}

/* The worst error first: selection over at most 32 rows. */
static void advise_valves(struct report *r)
{
	bool said[VALVE_EVENT_SUMMARIES] = {false};
	for (size_t round = 0; round < r->event_n; round++) {
		size_t best = r->event_n;
		for (size_t i = 0; i < r->event_n; i++) {
			const struct valve_event_summary *s = &r->event[i];
			if (said[i] || !off_time(s))
				continue;
			if (best == r->event_n || fabs(s->error_rad) > fabs(r->event[best].error_rad))
				best = i;
		}
		if (best == r->event_n)
			return;
		said[best] = true;
		report_say(&r->advice, "%s", r->event[best].words);
	}
}

/* "extra pulse 12, missed tooth 5": the commonest first, as many as fit. */
static const char *slip_causes(const struct report *r, char *out, size_t size)
{
	unsigned count[SLIP_CAUSE_END] = {0};
	size_t used = 0;
	for (size_t i = 0; i < r->slip_n; i++)
		count[r->slip[i].cause]++;
	out[0] = '\0';
	for (;;) {
		int most = 0;
		for (int c = 1; c < SLIP_CAUSE_END; c++)
			most = count[c] > count[most] ? c : most;
		if (count[most] == 0 || used >= size)
			return out;
		used += (size_t)snprintf(out + used, size - used, "%s%s %u", used > 0 ? ", " : "",
		                         slip_cause_name((enum slip_cause)most), count[most]);
		count[most] = 0;
	}
}

static void advise_count(struct report *r)
{
	unsigned long long slips = r->controller_slips;
	char causes[200];
	if (slips > 0)
		report_say(
		    &r->advice,
		    "The controller's count left the true angle %llu time%s (likely cause: %s). Mend the "
		    "pick-up before trusting any timing.",
		    slips, slips == 1 ? "" : "s", slip_causes(r, causes, sizeof causes));
}

static void advise_index(struct report *r)
{
	unsigned long long missed = r->crank.index_missed, extra = r->crank.index_extra;
	char often[60] = "", seldom[60] = "";
	if (missed > 0)
		snprintf(seldom, sizeof seldom, "missed %llu turn%s", missed, missed == 1 ? "" : "s");
	if (extra > 0)
		snprintf(often, sizeof often, "fired %llu time%s too often", extra, extra == 1 ? "" : "s");
	if (missed + extra > 0)
		report_say(&r->advice, "The index switch %s%s%s: check its gap and its debouncing.", seldom,
		           missed > 0 && extra > 0 ? " and " : "", often);
}

/* With a count that slips the rest is worth less. */
void verdict_advice(struct report *r)
{
	advise_count(r);
	if (r->held_back == NULL)
		advise_valves(r);
	advise_index(r);
}
