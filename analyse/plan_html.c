/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The plan as one page: what to load, what it gains and why, pictures and tables. */
#include "analyse/html_page.h"
#include "analyse/plan_parts.h"
#include "analyse/report_words.h"
#include "common/air.h"
#include "common/unit.h"

#include <math.h>
#include <string.h>

#define CELL 24

/* A number for a cell; "-" where it is not known or there is none. */
static const char *cell(char text[CELL], double x, int decimals)
{
	snprintf(text, CELL, isfinite(x) ? "%.*f" : "-", decimals, x);
	return text;
}

/* --- tables -------------------------------------------------------------------- */

static void table_settings(FILE *out, const struct plan *p)
{
	html_element(out, "h2", NULL, "Load into the controller");
	html_table_open(out, "valve|edge|setting, deg|lead, ms|switches at, deg|was, deg");
	for (int v = 0; v < ENGINE_VALVES_MAX; v++)
		for (int on = 1; on >= 0; on--) {
			const struct plan_setting *s = &p->setting[v][on];
			char was[CELL];
			if (p->has_setting[v][on])
				html_row(out, "%d|%s|%.1f|%.1f|%.1f|%s", v, on ? "opens" : "shuts",
				         unit_deg(s->setting_rad), s->lead_s * 1e3,
				         unit_deg(s->controller_rad),
				         cell(was, unit_deg(s->was_setting_rad), 1));
		}
	html_table_close(out);
	html_element(out, "p", NULL,
	             "\"switches at\" is the controller's own angle at %.0f rpm: setting less lead.",
	             unit_rpm(p->at.omega_rad_s));
}

static void row_value(FILE *out, const char *name, const struct plan_doubt *d, enum plan_quantity q,
                      double scale, int decimals)
{
	const struct plan_value *v = &d->value[q];
	if (d->has_now)
		html_row(out, "%s|%.*f|%.*f|%+.*f|%+.*f to %+.*f", name, decimals, v->now * scale, decimals,
		         v->planned * scale, decimals, v->gain * scale, decimals, v->gain_low * scale,
		         decimals, v->gain_high * scale);
	else
		html_row(out, "%s|-|%.*f|-|%.*f to %.*f (planned)", name, decimals, v->planned * scale,
		         decimals, v->planned_low * scale, decimals, v->planned_high * scale);
}

static void table_change(FILE *out, const char *title, const struct plan_doubt *d)
{
	double litres = air_normal_litre(1);
	html_element(out, "h2", NULL, "%s", title);
	html_table_open(out, "a turn|now|planned|change|95 % interval");
	row_value(out, "work, J", d, PLAN_WORK, 1, 1);
	row_value(out, "air, normal litres", d, PLAN_AIR, litres, 3);
	row_value(out, "useful angle, %", d, PLAN_USEFUL, 100, 1);
	row_value(out, "work for the air, J/nl", d, PLAN_WORK_PER_AIR, 1 / litres, 1);
	html_table_close(out);
}

static void table_rows(FILE *out, const struct plan *p)
{
	html_table_open(
	    out,
	    "supply, bar gauge|cap cut-off, deg|rod cut-off, deg|torque, N m|air, nl|useful, %|up to, rpm");
	for (size_t i = 0; i < p->row_n; i++) {
		const struct plan_row *r = &p->row[i];
		char cap[CELL], rod[CELL], rpm[CELL];
		html_row(out, "%.2f|%s|%s|%.1f|%.2f|%.1f|%s%s", plan_gauge_bar(p, r->supply_pa),
		         cell(cap, unit_deg(r->cut_off_rad[END_CAP]), 1),
		         cell(rod, unit_deg(r->cut_off_rad[END_ROD]), 1), r->p.net_torque_nm,
		         air_normal_litre(r->p.air_kg), 100 * r->p.useful_fraction,
		         cell(rpm, unit_rpm(r->fastest_rad_s), 0), r->holds ? "" : ", passes a limit");
	}
	html_table_close(out);
}

static void table_roads(FILE *out, const struct plan *p)
{
	char heading[200] = "teeth, crank:wheel|km/h|force, N";
	if (!p->has_drive)
		return;
	html_element(out, "h2", NULL, "On the road");
	for (int road = 0; road < PLAN_ROADS; road++)
		snprintf(heading + strlen(heading), sizeof heading - strlen(heading), "|%s",
		         drive_roads[road].name);
	html_table_open(out, heading);
	for (size_t i = 0; i < p->gear_n; i++) {
		char cell[PLAN_ROADS][PLAN_ROAD_WORDS];
		const struct plan_gear *g = &p->gear[i];
		_Static_assert(PLAN_ROADS == 4, "a cell for each road");
		for (int road = 0; road < PLAN_ROADS; road++)
			plan_road_words(g, road, cell[road]);
		html_row(out, "%u:%u|%.1f|%.0f|%s|%s|%s|%s", g->crank_teeth, g->wheel_teeth,
		         g->speed_m_s * 3.6, g->force_n, cell[0], cell[1], cell[2], cell[3]);
	}
	html_table_close(out);
	html_element(out, "p", "soft",
	             "\"goes\": the force is more than the resistance%s. Then, over how much of the crank "
	             "circle it moves "
	             "from rest; at a dead centre, the worst position, it never does.",
	             isfinite(p->request.grade) ? " with the grade asked for" : "");
	for (int road = 0; road < PLAN_ROADS; road++)
		html_element(out, "p", "soft", "%s: rolling resistance %.3f of the weight (%s).",
		             drive_roads[road].name, drive_roads[road].rolling, drive_roads[road].source);
}

static void table_events(FILE *out, const struct plan *p)
{
	html_element(out, "h2", NULL, "Where the valves then move");
	html_table_open(out, "end|admission, deg|cut-off, deg|release, deg|compression, deg");
	for (int i = 0; i < 2 * END_COUNT; i++) {
		int end = i / 2, now = i % 2;
		const double *phi = (now ? &p->now : &p->best)->prediction.phi_rad[end];
		if (p->machine->used[end] && (!now || p->has_now))
			html_row(out, "%s%s|%.1f|%.1f|%.1f|%.1f", engine_end_name((enum engine_end)end),
			         now ? " (now)" : "", unit_deg(phi[EVENT_ADMISSION]),
			         unit_deg(phi[EVENT_CUT_OFF]), unit_deg(phi[EVENT_RELEASE]),
			         unit_deg(phi[EVENT_COMPRESSION]));
	}
	html_table_close(out);
	html_element(out, "p", "soft", "Half open or half shut, degrees past the end's own dead centre.");
}

static void say_force(FILE *out, const struct plan *p)
{
	const struct plan_prediction *b = &p->best.prediction;
	double least, most;
	plan_torque_range(p->machine, b, &least, &most);
	html_element(
	    out, "p", NULL,
	    "Mean torque %.1f N m (%.1f before friction), %.1f to %.1f N m over the turn; power %.0f W. "
	    "Greatest rod force %.0f N, up to %.0f rpm %.0f N.",
	    b->net_torque_nm, b->torque_nm, least, most, b->power_w, b->rod_force_n,
	    unit_rpm(p->at.top_rad_s), p->best.top_force_n);
}

static const char *change_cell(char text[40], const struct plan_edge *e, enum plan_covariate k)
{
	double change, half;
	bool told = plan_change_of(e, k, &change, &half);
	snprintf(text, 40, "not known");
	if (told)
		snprintf(text, 40, "%+.2f +/- %.2f", change, half);
	return text;
}

static void table_delays(FILE *out, const struct plan *p)
{
	char bar[40], volt[40], rpm[40];
	if (!p->machine->from_ride)
		return;
	html_element(out, "h2", NULL, "How late the valves are");
	html_table_open(out, "valve|edge|delay, ms|a bar more, ms|a volt more, ms|100 rpm more, ms");
	for (int v = 0; v < ENGINE_VALVES_MAX; v++)
		for (int on = 1; on >= 0; on--) {
			const struct plan_edge *e = plan_edge_of(p->machine, v, on == 1);
			if (e != NULL)
				html_row(out, "%d|%s|%.1f +/- %.1f|%s|%s|%s", v, on ? "opens" : "shuts",
				         plan_edge_delay_s(e, &p->at) * 1e3,
				         1.96 * plan_edge_delay_sd_s(e, &p->at) * 1e3,
				         change_cell(bar, e, PLAN_SUPPLY), change_cell(volt, e, PLAN_BATTERY),
				         change_cell(rpm, e, PLAN_SPEED));
		}
	html_table_close(out);
}

static void table_rides(FILE *out, const struct plan *p)
{
	const struct plan_machine *m = p->machine;
	if (m->run_n < 2)
		return;
	html_element(out, "h2", NULL, "Learned from");
	html_table_open(out, "ride|rpm|bar gauge|battery, V|events|share of the delays");
	for (size_t i = 0; i < m->run_n; i++) {
		const struct plan_run *r = &m->learned_from[i];
		char volts[40] = "-", bar[40] = "-";
		if (isfinite(r->battery_v[0]))
			snprintf(volts, sizeof volts, "%.1f-%.1f", r->battery_v[0], r->battery_v[1]);
		if (isfinite(r->supply_pa[0]))
			snprintf(bar, sizeof bar, "%.2f-%.2f", plan_gauge_bar(p, r->supply_pa[0]),
			         plan_gauge_bar(p, r->supply_pa[1]));
		html_row(out, "%s|%.0f-%.0f|%s|%s|%u|%.0f %%", r->name, r->rpm[0], r->rpm[1], bar, volts,
		         r->events, 100 * r->share);
	}
	html_table_close(out);
	html_element(out, "p", "soft", "The last is the machine as it is now.");
}

static void say_friction(FILE *out, const struct plan *p)
{
	char text[PLAN_WORDS_MAX];
	html_element(out, "h2", NULL, "Friction and load");
	html_element(out, "p", NULL, "Friction: %s.", plan_friction_words(p, text));
	if (plan_resistance_words(p, text)[0] != '\0')
		html_element(out, "p", NULL, "The ride worked against %s.", text);
}

static void table_curve(FILE *out, const struct plan *p)
{
	html_table_open(
	    out, "torque, N m|work for the air, J/nl|air, nl|useful, %|cap cut-off, deg|rod cut-off, deg");
	for (size_t i = 0; i < p->curve.n; i++) {
		const struct plan_point *q = &p->curve.point[i];
		bool knee = p->curve.n > 2 && i == p->curve.knee;
		char cap[CELL], rod[CELL];
		html_row(out, "%.1f%s|%.1f|%.2f|%.1f|%s|%s", q->net_torque_nm, knee ? " (knee)" : "",
		         q->economy_j_kg / air_normal_litre(1), air_normal_litre(q->air_kg),
		         100 * q->useful_fraction, cell(cap, unit_deg(q->cut_off_rad[END_CAP]), 1),
		         cell(rod, unit_deg(q->cut_off_rad[END_ROD]), 1));
	}
	html_table_close(out);
}

static void say_air(FILE *out, const struct plan *p)
{
	html_element(out, "h2", NULL, "Air");
	html_element(out, "p", NULL,
	             "%.2f to %.2f normal litres a turn (ISO 8778; without and with heat from the walls).",
	             air_normal_litre(p->air_kg_low), air_normal_litre(p->air_kg_high));
	if (!isfinite(p->tank_turns_low))
		return;
	html_element(
	    out, "p", NULL,
	    "The tank of %.0f l from %.1f bar gauge down to %.2f: %.0f to %.0f turns; the fewer while it is "
	    "cold from emptying fast.",
	    p->machine->engine.tank_m3 * 1e3, plan_gauge_bar(p, p->request.tank_pa),
	    plan_gauge_bar(p, p->at.supply_pa), p->tank_turns_low, p->tank_turns_high);
	if (isfinite(p->way_per_turn_m))
		html_element(out, "p", NULL, "That is %.0f to %.0f m of way.",
		             p->tank_turns_low * p->way_per_turn_m, p->tank_turns_high * p->way_per_turn_m);
}

static void say_start(FILE *out, const struct plan *p)
{
	char late[80] = "";
	for (int end = 0; end < END_COUNT; end++)
		if (p->machine->used[end])
			snprintf(late + strlen(late), sizeof late - strlen(late), "%s%s end %.0f deg",
			         late[0] != '\0' ? ", " : "", engine_end_name((enum engine_end)end),
			         unit_deg(p->start.cut_off_rad[end]));
	html_element(out, "h2", NULL, "Starting");
	html_element(
	    out, "p", NULL,
	    "Starting wants a late cut-off of its own: %s. In %.0f of 360 deg no inlet is open, and at a "
	    "dead centre no pressure turns the crank.",
	    late, unit_deg(p->start.dead_rad));
	plan_picture_start(out, p);
}

static void say_what_if(FILE *out, const struct plan *p)
{
	struct report_lines passed = {.n = 0};
	if (!p->has_what_if)
		return;
	table_change(out, p->has_now ? "What if, all else as it is now" : "What if, all else as planned",
	             &p->what_if_doubt);
	for (size_t i = 0; i < p->request.what_if_n; i++) {
		const struct plan_what_if *w = &p->request.what_if[i];
		html_element(out, "p", NULL, "Asked: %s %s at %.1f deg.", engine_end_name(w->end),
		             words_event(w->event), unit_deg(w->angle_rad));
	}
	plan_breach_words(p, &p->what_if, &passed);
	html_lines(out, "It would pass limits", "warn", &passed);
}

int plan_html(const struct plan *p, FILE *out)
{
	char goal[PLAN_GOAL_WORDS];
	html_open(out, "Plan");
	html_element(out, "h1", NULL, "Plan for %s: %s", p->machine->engine.name, plan_goal_words(p, goal));
	html_element(out, "p", NULL, "At %.0f rpm and %.2f bar gauge.%s", unit_rpm(p->at.omega_rad_s),
	             plan_gauge_bar(p, p->at.supply_pa),
	             p->machine->from_ride ? "" : " By hand: nothing is measured.");
	html_lines(out, "Refused", "warn", &p->refused);
	say_what_if(out, p);
	table_settings(out, p);
	table_events(out, p);
	table_change(out, p->has_now ? "What it should change" : "What it should give", &p->doubt);
	say_force(out, p);
	html_element(out, "h2", NULL, "Cut-off by supply pressure");
	plan_picture_cut_off(out, p);
	table_rows(out, p);
	html_element(out, "h2", NULL, "Torque against economy");
	plan_picture_curve(out, p);
	table_curve(out, p);
	say_start(out, p);
	table_rides(out, p);
	table_delays(out, p);
	say_friction(out, p);
	say_air(out, p);
	table_roads(out, p);
	html_lines(out, "What this plan cannot promise", "warn", &p->warnings);
	html_element(
	    out, "p", NULL,
	    "Load a new timing with the supply shut and the machine blocked; turn it by hand first.");
	html_caution(out);
	html_close(out);
	return ferror(out) ? -1 : 0;
}
