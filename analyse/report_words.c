/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/report_words.h"

#include "analyse/valve_events_tally.h"
#include "common/air.h"
#include "common/unit.h"

#include <math.h>
#include <string.h>
#include <time.h>

const char *words_number(char out[WORDS_NUMBER_MAX], double value, int decimals, const char *unit)
{
	return words_measured(out, value, NAN, decimals, unit);
}

const char *words_measured(char out[WORDS_NUMBER_MAX], double value, double error, int decimals,
                           const char *unit)
{
	if (!isfinite(value))
		snprintf(out, WORDS_NUMBER_MAX, "not known");
	else if (isfinite(error))
		snprintf(out, WORDS_NUMBER_MAX, "%.*f +/- %.*f %s", decimals, value, decimals, error, unit);
	else
		snprintf(out, WORDS_NUMBER_MAX, "%.*f %s", decimals, value, unit);
	return out;
}

const char *words_range(char out[WORDS_NUMBER_MAX], struct report_range r, int decimals, const char *unit)
{
	if (!isfinite(r.median))
		snprintf(out, WORDS_NUMBER_MAX, "not known");
	else
		snprintf(out, WORDS_NUMBER_MAX, "%.*f to %.*f %s, median %.*f", decimals, r.min, decimals,
		         r.max, unit, decimals, r.median);
	return out;
}

const char *words_supply(char out[WORDS_NUMBER_MAX], const struct report *r)
{
	const double ambient = r->engine.ambient_pa;
	struct report_range gauge = {.min = unit_bar_gauge(r->supply_pa.min, ambient),
	                             .median = unit_bar_gauge(r->supply_pa.median, ambient),
	                             .max = unit_bar_gauge(r->supply_pa.max, ambient)};
	return words_range(out, gauge, 2, "bar gauge");
}

int words_decimals(double x)
{
	return fabs(x) >= 10 ? 1 : fabs(x) >= 1 ? 2 : 4;
}

const char *words_cell(char out[WORDS_CELL_MAX], double x, int decimals)
{
	bool nought = fabs(x) < 0.5 * pow(10, -decimals);
	if (isfinite(x))
		snprintf(out, WORDS_CELL_MAX, "%.*f", decimals, nought ? 0 : x);
	else
		snprintf(out, WORDS_CELL_MAX, "-");
	return out;
}

double words_place_deg(double rad)
{
	double deg = fmod(unit_deg(rad), 360);
	return deg < 0 ? deg + 360 : deg;
}

double words_half_width(const double interval[2])
{
	return (interval[1] - interval[0]) / 2;
}

const char *words_event(unsigned event)
{
	return event == EVENT_CUT_OFF ? "cut-off" : valve_event_name((enum valve_event_kind)event);
}

const char *words_movement(unsigned end, unsigned event)
{
	static const char *const NAME[END_COUNT][EVENT_KINDS] = {
	    {"cap inlet opens", "cap inlet shuts", "cap exhaust opens", "cap exhaust shuts"},
	    {"rod inlet opens", "rod inlet shuts", "rod exhaust opens", "rod exhaust shuts"}};
	return NAME[end][event];
}

/* Why an event's mean error is not known. */
static const char *no_error(const struct report *r, const struct valve_event_summary *e)
{
	enum engine_sensor_role role = e->end == END_CAP ? SENSOR_CAP : SENSOR_ROD;
	if (strcmp(e->verdict, "missed") == 0)
		return "did not move";
	if (engine_sensor_channel(&r->engine, role) < 0 || !r->wheel.aligned)
		return words_no_strokes(r, (enum engine_end)e->end);
	if (isfinite(e->delay_s) && e->count < VALVE_FOUND_LEAST)
		return "not known: seen too seldom";
	if (isfinite(e->delay_s))
		return "not known: no intended angle, neither sent nor in the engine file";
	return "not known: the pressure does not show it";
}

const char *words_error(char out[WORDS_MAX], const struct report *r, const struct valve_event_summary *e)
{
	double error = unit_deg(e->error_rad), ci = unit_deg(words_half_width(e->error_ci95_rad));
	if (!isfinite(error)) {
		snprintf(out, WORDS_MAX, "%s", no_error(r, e));
		return out;
	}
	char number[WORDS_NUMBER_MAX];
	words_measured(number, fabs(error), ci, 1, "deg");
	snprintf(out, WORDS_MAX, "%s %s", number, error < 0 ? "early" : "late");
	return out;
}

const char *words_slips_first(char out[WORDS_NUMBER_MAX * 2], const struct report *r)
{
	out[0] = '\0';
	if (r->controller_slips > 0)
		snprintf(out, WORDS_NUMBER_MAX * 2,
		         "The controller's count left the true one %llu time%s: mend that first.",
		         (unsigned long long)r->controller_slips, r->controller_slips == 1 ? "" : "s");
	return out;
}

#define UNSURE_RAD 0.0524 /* 3 deg: an interval wider than this says nothing of being on time */

const char *words_remedy(char out[WORDS_MAX], const struct report *r, const struct valve_event_summary *e)
{
	bool late = strcmp(e->verdict, "late") == 0, early = strcmp(e->verdict, "early") == 0;
	out[0] = '\0';
	if (!isfinite(e->error_rad))
		return out;
	if (r->held_back != NULL)
		snprintf(out, WORDS_MAX, "no advice: %s", r->held_back);
	else if (strcmp(e->verdict, "on time") == 0)
		snprintf(out, WORDS_MAX, "%s",
		         words_half_width(e->error_ci95_rad) < UNSURE_RAD ? "on time"
		                                                          : "too unsure to advise");
	else if (late || early)
		snprintf(out, WORDS_MAX, "command %.1f deg (%.1f ms) %s%s", unit_deg(fabs(e->error_rad)),
		         1e3 * fabs(e->error_rad) / e->speed_rad_s, late ? "earlier" : "later",
		         valve_summary_other_speed(e) ? " *" : "");
	return out;
}

bool words_any_off(const struct report *r)
{
	for (size_t i = 0; i < r->event_n && r->held_back == NULL; i++)
		if (strcmp(r->event[i].verdict, "late") == 0 || strcmp(r->event[i].verdict, "early") == 0)
			return true;
	return false;
}

const char *words_at_mean_speed(const struct report *r)
{
	for (size_t i = 0; i < r->event_n; i++)
		if (valve_summary_other_speed(&r->event[i]))
			return "Send the command to the coil by this much earlier or later: at the ride's "
			       "mean speed; * at that of the turns that show it, said under Advice. trammel "
			       "plan says what to load for every speed.";
	return "Send the command to the coil by this much earlier or later, at the ride's mean speed; "
	       "trammel "
	       "plan says what to load for every speed.";
}

bool words_said(const struct report_lines *l, const char *text)
{
	for (size_t i = 0; i < l->n; i++)
		if (strcmp(l->line[i], text) == 0)
			return true;
	return false;
}

bool words_has_end(const struct report *r, enum engine_end end)
{
	return isfinite(r->mech.clearance_m3[end]) && isfinite(r->mech.area_m2[end]);
}

const char *words_useful(char out[WORDS_MAX], const struct stroke_summary *s)
{
	char angle[WORDS_NUMBER_MAX];
	if (isfinite(s->useful_rad))
		snprintf(out, WORDS_MAX, "%s (%.0f %% of the stroke)",
		         words_measured(angle, unit_deg(s->useful_rad), 1.96 * unit_deg(s->useful_sd_rad), 1,
		                        "deg"),
		         100 * s->useful_fraction);
	else
		snprintf(out, WORDS_MAX, "a part not known: no supply sensor");
	return out;
}

const char *words_no_strokes(const struct report *r, enum engine_end end)
{
	enum engine_sensor_role role = end == END_CAP ? SENSOR_CAP : SENSOR_ROD;
	if (engine_sensor_channel(&r->engine, role) < 0)
		return end == END_CAP ? "not known: no chamber sensor at the cap end"
		                      : "not known: no chamber sensor at the rod end";
	if (!r->has_crank)
		return "not known: no usable teeth, so no crank angle";
	if (!r->wheel.aligned)
		return "not known: no index, so the crank angle has no zero";
	if (r->stroke[end].left_out > 0)
		return "not known: every stroke touches a stretch that cannot be trusted";
	return r->selected[0] != '\0' ? "not known: no whole stroke in the part of the ride asked for"
	                              : "not known: no whole turn with pressures in this ride";
}

const char *words_work_error(void)
{
	return "+/-: 95 % by noise, crank angle, sensor lag and a gauge whose zero is good to 0.1 % of its "
	       "range. A gauge that reads 1 % too much makes 1 % too much work; that is not in it.";
}

const char *words_turns(char out[WORDS_NUMBER_MAX], const struct report *r)
{
	int n = snprintf(out, WORDS_NUMBER_MAX, "%.0f turns", r->revolutions);
	if (r->backward_revolutions >= 0.5)
		snprintf(out + n, (size_t)(WORDS_NUMBER_MAX - n), " (%.0f of them backward)",
		         r->backward_revolutions);
	return out;
}

const char *words_factor(char out[WORDS_NUMBER_MAX], const struct stroke_summary *s)
{
	if (isfinite(s->diagram_factor) && isfinite(s->diagram_factor_sd))
		snprintf(out, WORDS_NUMBER_MAX, "%.3f +/- %.3f", s->diagram_factor,
		         1.96 * s->diagram_factor_sd);
	else
		words_cell(out, s->diagram_factor, 2);
	return out;
}

const char *words_left_out(char out[WORDS_MAX], const struct stroke_summary *s)
{
	int n = snprintf(out, WORDS_MAX, "%u left out", s->left_out);
	for (size_t i = 0; i < STROKE_REASONS && s->reason[i].why != NULL && n < WORDS_MAX; i++)
		n += snprintf(out + n, (size_t)(WORDS_MAX - n), "%s%s: %u", i == 0 ? " (" : ", ",
		              s->reason[i].why, s->reason[i].n);
	if (s->left_out > 0 && n < WORDS_MAX)
		snprintf(out + n, (size_t)(WORDS_MAX - n), ")");
	return out;
}

/* The worse of the ends. */
static double worst_of(const struct report *r, double cap, double rod)
{
	return fmax(r->has_strokes[END_CAP] ? cap : NAN, r->has_strokes[END_ROD] ? rod : NAN);
}

const char *words_closure(char out[WORDS_MAX], const struct report *r)
{
	double loop = worst_of(r, r->stroke[END_CAP].loop_gap, r->stroke[END_ROD].loop_gap);
	double ledger = worst_of(r, r->stroke[END_CAP].ledger_gap, r->stroke[END_ROD].ledger_gap);
	char percent[WORDS_NUMBER_MAX];
	out[0] = '\0';
	if (isnan(loop))
		return out;
	int n = snprintf(out, WORDS_MAX, "The diagram of every stroke counted closes, to %s of its work.",
	                 words_number(percent, 100 * loop, 1, "%"));
	if (ledger <= LEDGER_GAP_MAX)
		snprintf(out + n, (size_t)(WORDS_MAX - n),
		         " The lines of \"where the work went\" add up to the ideal less the measured work.");
	else if (isfinite(ledger))
		snprintf(out + n, (size_t)(WORDS_MAX - n),
		         " The lines of \"where the work went\" do not add up: %.1e of the ideal is missing.",
		         ledger);
	return out;
}

const char *words_torque(char out[WORDS_MAX], const struct report *r)
{
	char mean[WORDS_NUMBER_MAX], most[WORDS_NUMBER_MAX];
	const struct torque_summary *t = &r->torque;
	out[0] = '\0';
	if (t->turns > 0)
		snprintf(
		    out, WORDS_MAX,
		    "Most torque of the air on the crank: %s in a turn on the mean, %s in one of %u turns.",
		    words_measured(mean, t->mean_nm, 1.96 * t->mean_sd_nm, 1, "N m"),
		    words_number(most, t->most_nm, 1, "N m"), t->turns);
	return out;
}

const char *words_gains(char out[WORDS_MAX], const struct gains *g)
{
	if (g->known)
		snprintf(
		    out, WORDS_MAX,
		    "Simulated at the ride's mean speed and supply; the stroke as it was does %.1f J, "
		    "measured were %.1f J. Each thing is put right alone, so the lines do not add up, and "
		    "they are no lines of \"where the work went\". x 2 = twice the flow area. +/-: what the "
		    "measured may be off by, and what a simulated stroke leaves out.",
		    g->simulated_j, g->measured_j);
	else
		snprintf(out, WORDS_MAX, "Not known: %s.", g->why);
	return out;
}

const char *words_air(const struct report *r)
{
	bool tank = engine_sensor_channel(&r->engine, SENSOR_TANK) >= 0 && r->engine.tank_m3 > 0;
	return tank ? "From the chambers' energy balance, with the heat that walls usually take and with "
	              "what left "
	              "by an exhaust still open; the supply as cold as the tank's pressure and volume tell."
	            : "From the chambers' energy balance, with the heat that walls usually take and with "
	              "what left "
	              "by an exhaust still open; the supply taken at the engine file's air temperature: from "
	              "a "
	              "tank that cools more is used, about 0.35 % a degree.";
}

const char *words_air_ways(char out[WORDS_MAX], const struct report *r)
{
	int known = 0;
	size_t used = 0;
	out[0] = '\0';
	for (int w = 0; w < AIR_WAYS; w++) {
		if (!isfinite(r->air[w].kg) || used >= WORDS_MAX)
			continue;
		used += (size_t)snprintf(
		    out + used, WORDS_MAX - used, "%s%.2f +/- %.2f by %s",
		    known++ > 0 ? ", " : "Normal litres a turn: ", air_normal_litre(r->air[w].kg),
		    air_normal_litre(r->air[w].half_width_kg), air_way_name((enum air_way)w));
	}
	if (known < 2)
		out[0] = '\0';
	return out;
}

const char *words_start(char out[WORDS_NUMBER_MAX], int64_t utc_us)
{
	time_t s = (time_t)(utc_us / 1000000);
	struct tm tm;
	if (utc_us == 0 || gmtime_r(&s, &tm) == NULL ||
	    strftime(out, WORDS_NUMBER_MAX, "%Y-%m-%d %H:%M:%S UTC", &tm) == 0)
		snprintf(out, WORDS_NUMBER_MAX, "start time not known");
	return out;
}

const char *words_caution(size_t i)
{
	static const char *const CAUTION[] = {
	    "Compressed air, pressure vessels, moving cranks and roads hurt people. Trammel is a measuring "
	    "instrument, never a safety device: what it says may be wrong, and it protects nobody.",
	    "First come the relief valve, the guard over crank and rod, a lockable isolating valve that also "
	    "vents, and hoses that are restrained. Isolate and vent before a hand goes near.",
	    "Pressure vessels, vehicles and roads fall under local codes and licensed practice. Change one "
	    "thing at a time, and try it slowly and guarded first.",
	};
	return i < sizeof CAUTION / sizeof *CAUTION ? CAUTION[i] : NULL;
}
