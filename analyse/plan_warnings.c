/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a plan refuses, and what it cannot promise, in words. */
#include "analyse/plan_parts.h"
#include "analyse/report_words.h"

#include "common/unit.h"

#include <math.h>
#include <string.h>

void plan_breach_words(const struct plan *p, const struct plan_solution *s, struct report_lines *out)
{
	const struct plan_breach *b = &s->breach;
	if (s->holds)
		return;
	if (b->short_pulse_s > 0)
		report_say(
		    out,
		    "Valve %d is too slow for %.0f rpm: the time its coil would be %s is %.1f ms less than "
		    "it needs to follow.",
		    b->short_valve, unit_rpm(p->at.omega_rad_s), b->short_on ? "on" : "off",
		    b->short_pulse_s * 1e3);
	if (b->overlap_rad > 0)
		report_say(out, "Inlet and exhaust of an end would be open together over %.1f deg.",
		           unit_deg(b->overlap_rad));
	if (b->early_admission_rad > 0)
		report_say(
		    out,
		    "Admission would come %.1f deg too early: more than one in ten before the dead centre.",
		    unit_deg(b->early_admission_rad));
	if (b->force_part > 0)
		report_say(out, "The rod force would pass its limit by %.1f %% at some speed up to %.0f rpm.",
		           b->force_part * 100, unit_rpm(p->at.top_rad_s));
	if (b->over_supply_part > 0)
		report_say(out, "Compression would pass the supply pressure by %.1f %%.",
		           b->over_supply_part * 100);
}

static void say_torque(struct plan *p)
{
	double wanted = p->request.aim.net_torque_nm, got = p->best.prediction.net_torque_nm;
	if (p->request.aim.goal != PLAN_CHOSEN_TORQUE)
		return;
	if (got < 0.99 * wanted)
		report_say(
		    &p->refused,
		    "%.1f N m cannot be had at %.2f bar gauge and %.0f rpm: refused. The plan below gives "
		    "the most, %.1f N m.",
		    wanted, plan_gauge_bar(p, p->at.supply_pa), unit_rpm(p->at.omega_rad_s), got);
	else if (got > 1.02 * wanted)
		report_say(
		    &p->warnings,
		    "The most economical timing already gives %.1f N m, more than the %.1f asked for: use "
		    "less supply pressure.",
		    got, wanted);
}

/* The cut-off that the goal wants against what valve, clearance and supply allow. */
static void say_cut_off(struct plan *p, enum engine_end end)
{
	const struct plan_machine *m = p->machine;
	double full = p->ideal_full_part[end];
	const char *name = engine_end_name(end);
	if (full <= 0)
		report_say(
		    &p->warnings,
		    "%s end: the air left in the clearance already fills the stroke; full expansion at %.2f "
		    "bar gauge would need less than no admission (%.1f %%). Use a higher supply, a smaller "
		    "clearance, or release above ambient.",
		    name, plan_gauge_bar(p, p->at.supply_pa), full * 100);
	double shortest = p->at.omega_rad_s * plan_shortest_admission_s(m, end, &p->at);
	double wanted = mech_angle_at_fraction_rad(&m->mech, end, fmax(full, 0));
	if (p->request.aim.goal == PLAN_FULL_EXPANSION && full > 0 &&
	    wanted - p->best.prediction.phi_rad[end][EVENT_ADMISSION] < shortest)
		report_say(
		    &p->warnings,
		    "%s end: the inlet is too slow for full expansion at %.0f rpm: it cannot be open for "
		    "less than %.0f ms, which is %.0f deg; the cut-off wanted is at %.0f deg. It could be "
		    "done up to %.0f rpm.",
		    name, unit_rpm(p->at.omega_rad_s), shortest / p->at.omega_rad_s * 1e3, unit_deg(shortest),
		    unit_deg(wanted), unit_rpm(p->at.omega_rad_s * wanted / shortest));
	if (full > 0.9)
		report_say(
		    &p->warnings,
		    "%s end: %.2f bar gauge is so little that full expansion means admission over %.0f %% of "
		    "the stroke; nothing is saved by an early cut-off.",
		    name, plan_gauge_bar(p, p->at.supply_pa), fmin(full, 1) * 100);
}

/* What the machine would do: with the change asked about, or as planned. */
static const struct plan_prediction *next_of(const struct plan *p)
{
	return p->has_what_if ? &p->what_if.prediction : &p->best.prediction;
}

/* A ride pulled its load with the torque it had. */
static void say_load(struct plan *p)
{
	double load = p->request.load_nm, torque = next_of(p)->torque_nm;
	if (isfinite(load) && next_of(p)->net_torque_nm < load)
		report_say(
		    &p->warnings,
		    "The mean torque left by friction, %.1f N m, is less than the load given, %.1f: with it "
		    "the machine will run slower, and may stop. --goal torque=%.0f asks for what it "
		    "needs.",
		    p->best.prediction.net_torque_nm, load, fmax(ceil(load), 1));
	else if (!isfinite(load) && p->has_now && torque < 0.97 * p->now.prediction.torque_nm)
		report_say(
		    &p->warnings,
		    "The mean torque falls from %.1f to %.1f N m (before friction): with the same load "
		    "the machine will run slower, and may stop where the load is greatest. --goal "
		    "torque=%.0f keeps the torque for the least air.",
		    p->now.prediction.torque_nm, torque, fmax(ceil(p->now.prediction.net_torque_nm), 1));
}

static void say_friction(struct plan *p)
{
	double bar = p->machine->friction_pa / 1e5;
	if (next_of(p)->net_torque_nm > 0)
		return;
	if (p->best.prediction.net_torque_nm > 0)
		report_say(&p->warnings,
		           "The work of this does not pay for the friction (%.2f bar mean pressure).", bar);
	else if (isfinite(p->paying_supply_pa))
		report_say(
		    &p->warnings,
		    "The work of this timing does not pay for the friction (%.2f bar mean pressure): the "
		    "supply is too low; from about %.1f bar gauge on a late cut-off pays for it.",
		    bar, plan_gauge_bar(p, p->paying_supply_pa));
	else
		report_say(
		    &p->warnings,
		    "The work of this timing does not pay for the friction (%.2f bar mean pressure), and no "
		    "supply within the limits is enough.",
		    bar);
}

static void say_controller(struct plan *p)
{
	const struct plan_machine *m = p->machine;
	if (m->tooth_pitch_rad > 0)
		report_say(
		    &p->warnings,
		    "The controller switches only when it counts a tooth, every %.1f deg: events fall up to "
		    "that much late, half of it on the mean (taken off the settings). Firing between teeth "
		    "would end this; these settings are then up to half a tooth off: ride and plan again.",
		    unit_deg(m->tooth_pitch_rad));
	if (m->from_ride && m->speed_range_narrow)
		report_say(
		    &p->warnings,
		    "The ride's speed hardly changed (%.0f to %.0f rpm): what the controller adds as a fixed "
		    "angle and what it adds as a time cannot be told apart. The leads are right near %.0f "
		    "rpm; a ride over a speed range of 1.6 to 1 or more would settle it.",
		    unit_rpm(m->speed_rad_s.min), unit_rpm(m->speed_rad_s.max),
		    unit_rpm(m->speed_rad_s.median));
	if (m->from_ride &&
	    (p->at.omega_rad_s > 1.3 * m->speed_rad_s.max || p->at.omega_rad_s < m->speed_rad_s.min / 1.3))
		report_say(&p->warnings, "%.0f rpm lies outside what was ridden (%.0f to %.0f rpm).",
		           unit_rpm(p->at.omega_rad_s), unit_rpm(m->speed_rad_s.min),
		           unit_rpm(m->speed_rad_s.max));
}

/* --- delays that were not measured ---------------------------------------------- */

static void say_gap(struct plan *p, enum engine_end end, enum valve_event_kind k)
{
	const struct plan_edge *e = &p->machine->edge[end][k];
	const char *movement = words_movement(end, k); /* "cap inlet opens" */
	if (e->source == PLAN_KEPT_LEAD)
		report_say(&p->warnings,
		           "When the %s did not show this time, or not believably (equal pressures "
		           "hide it): the lead that is loaded, %.1f ms, is kept. If the valve was changed, "
		           "load no lead and ride again.",
		           movement, e->lead_s * 1e3);
	else if (e->source == PLAN_BORROWED)
		report_say(&p->warnings,
		           "When the %s was not found: the mean of the other valves, %.1f ms, stands "
		           "for it.",
		           movement, e->delay_s * 1e3);
	else if (e->source == PLAN_ASSUMED)
		report_say(&p->warnings,
		           "When the %s was not found: its delay is assumed to be %.0f ms, give or "
		           "take %.0f.",
		           movement, e->delay_s * 1e3, e->delay_sd_s * 1e3);
}

static void say_gaps(struct plan *p)
{
	for (int i = 0; i < END_COUNT * EVENT_KINDS; i++)
		if (p->machine->used[i / EVENT_KINDS])
			say_gap(p, (enum engine_end)(i / EVENT_KINDS),
			        (enum valve_event_kind)(i % EVENT_KINDS));
}

/* --- what was ridden, and what was not --------------------------------------------- */

static bool any_told(const struct plan_machine *m, enum plan_covariate k)
{
	for (int i = 0; i < END_COUNT * EVENT_KINDS; i++)
		if (m->edge[i / EVENT_KINDS][i % EVENT_KINDS].told[k])
			return true;
	return false;
}

static bool outside(double x, double low, double high, double room)
{
	return isfinite(low) && (x < low - room || x > high + room);
}

#define SUPPLY_ROOM_PA 0.5e5 /* so far from what was ridden a delay hardly changes */
#define BATTERY_ROOM_V 0.5

bool plan_supply_outside(const struct plan *p, double supply_pa)
{
	return outside(supply_pa, p->machine->supply_pa.min, p->machine->supply_pa.max, SUPPLY_ROOM_PA);
}

static void say_ridden(struct plan *p)
{
	const struct plan_machine *m = p->machine;
	double low = plan_gauge_bar(p, m->supply_pa.min), high = plan_gauge_bar(p, m->supply_pa.max);
	if (plan_supply_outside(p, p->at.supply_pa))
		report_say(
		    &p->warnings, "%.2f bar gauge lies outside what was ridden (%.2f to %.2f): %s",
		    plan_gauge_bar(p, p->at.supply_pa), low, high,
		    any_told(m, PLAN_SUPPLY)
		        ? "the delays are taken on along their line, with wider intervals."
		        : "how the delays change with pressure is not known; the intervals allow for it.");
	else if (m->from_ride && !any_told(m, PLAN_SUPPLY) && isfinite(low))
		report_say(
		    &p->warnings,
		    "The supply hardly changed (%.2f to %.2f bar gauge): how the delays change with it is "
		    "not known. For leads at other pressures plan from rides at several: trammel plan "
		    "RIDE RIDE ...",
		    low, high);
	if (isfinite(p->at.battery_v) && !any_told(m, PLAN_BATTERY))
		report_say(&p->warnings,
		           "How the delays change with the battery is not known (%s): the leads are those "
		           "ridden, whatever the voltage asked for.",
		           isfinite(m->battery_v.min) ? "its voltage hardly changed"
		                                      : "no sensor has told its voltage");
	else if (isfinite(p->at.battery_v) &&
	         outside(p->at.battery_v, m->battery_v.min, m->battery_v.max, BATTERY_ROOM_V))
		report_say(&p->warnings, "%.1f V lies outside what was ridden (%.1f to %.1f V).",
		           p->at.battery_v, m->battery_v.min, m->battery_v.max);
}

/* --- friction --------------------------------------------------------------------- */

static void say_friction_known(struct plan *p)
{
	const struct plan_machine *m = p->machine;
	if (!m->from_ride || m->friction_from == PLAN_FRICTION_MEASURED ||
	    m->friction_from == PLAN_FRICTION_BY_HAND)
		return;
	if (m->resistance.turns == 0)
		report_say(&p->warnings,
		           "What the crank worked against could not be found (it wants the pressure of every "
		           "end and a crank whose angle is sure): friction is assumed.");
	else
		report_say(
		    &p->warnings,
		    "Friction cannot be told from the load by this ride: it is assumed%s. On a stand with "
		    "nothing to pull (--load 0), or with the load known (--load \"8 N m\"), the ride tells "
		    "it.",
		    m->friction_from == PLAN_FRICTION_CAPPED ? ", as all that the ride worked against" : "");
}

static void say_sensors(struct plan *p)
{
	const struct plan_machine *m = p->machine;
	for (int end = 0; end < END_COUNT; end++) {
		if (!m->used[end]) {
			report_say(
			    &p->warnings,
			    "The %s end is left out: no valve of the engine file works both its passages.",
			    engine_end_name((enum engine_end)end));
			continue;
		}
		if (m->from_ride && !m->has_strokes[end])
			report_say(
			    &p->warnings,
			    "The %s end's pressure was not measured: its gain is the model's word alone.",
			    engine_end_name((enum engine_end)end));
	}
}

void plan_warnings(struct plan *p)
{
	say_torque(p);
	for (int end = 0; end < END_COUNT; end++)
		if (p->machine->used[end])
			say_cut_off(p, (enum engine_end)end);
	say_load(p);
	say_friction(p);
	say_controller(p);
	say_sensors(p);
	say_gaps(p);
	say_ridden(p);
	say_friction_known(p);
	for (size_t i = 0; i < p->machine->remarks.n; i++)
		report_say(&p->warnings, "%s", p->machine->remarks.line[i]);
}
