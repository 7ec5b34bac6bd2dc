/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a plan refuses, and what it cannot promise, in words. */
#include "analyse/plan_parts.h"

#include "common/unit.h"

#include <math.h>
#include <string.h>

static void say_breach(struct plan *p)
{
	const struct plan_breach *b = &p->best.breach;
	if (p->best.holds)
		return;
	report_say(&p->refused, "No timing was found that keeps every limit; the nearest is given below.");
	if (b->short_pulse_s > 0)
		report_say(
		    &p->refused,
		    "A valve is too slow for %.0f rpm: its coil would be switched for %.1f ms less than it "
		    "needs.",
		    unit_rpm(p->at.omega_rad_s), b->short_pulse_s * 1e3);
	if (b->overlap_rad > 0)
		report_say(&p->refused, "Inlet and exhaust of an end would be open together over %.1f deg.",
		           unit_deg(b->overlap_rad));
	if (b->early_admission_rad > 0)
		report_say(&p->refused, "Admission would come %.1f deg too early.",
		           unit_deg(b->early_admission_rad));
	if (b->force_part > 0)
		report_say(&p->refused,
		           "The rod force would pass its limit by %.1f %% at some speed up to %.0f rpm.",
		           b->force_part * 100, unit_rpm(p->at.top_rad_s));
	if (b->over_supply_part > 0)
		report_say(&p->refused, "Compression would pass the supply pressure by %.1f %%.",
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
	double shortest = p->at.omega_rad_s * plan_shortest_admission_s(m, end, p->at.supply_pa);
	double wanted = mech_angle_at_fraction_rad(&m->mech, end, fmax(full, 0));
	if (p->request.aim.goal == PLAN_FULL_EXPANSION &&
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

/* A ride pulled its load with the torque it had. */
static void say_load(struct plan *p)
{
	if (!p->has_now || p->best.prediction.torque_nm >= 0.97 * p->now.prediction.torque_nm)
		return;
	report_say(
	    &p->warnings,
	    "The mean torque falls from %.1f to %.1f N m (before friction): with the same load the machine "
	    "will run slower, and may stop where the load is greatest. --goal torque=%.0f keeps the torque "
	    "for the least air.",
	    p->now.prediction.torque_nm, p->best.prediction.torque_nm,
	    fmax(ceil(p->now.prediction.net_torque_nm), 1));
}

static void say_friction(struct plan *p)
{
	if (p->best.prediction.net_torque_nm <= 0)
		report_say(&p->warnings,
		           "The work of this timing does not pay for the friction assumed (%.2f bar mean "
		           "pressure): the supply is too low for it.",
		           p->machine->friction_pa / 1e5);
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
	say_breach(p);
	say_torque(p);
	for (int end = 0; end < END_COUNT; end++)
		if (p->machine->used[end])
			say_cut_off(p, (enum engine_end)end);
	say_load(p);
	say_friction(p);
	say_controller(p);
	say_sensors(p);
	for (size_t i = 0; i < p->machine->remarks.n; i++)
		report_say(&p->warnings, "%s", p->machine->remarks.line[i]);
}
