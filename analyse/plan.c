/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/plan.h"

#include "analyse/plan_parts.h"
#include "common/air.h"
#include "common/unit.h"

#include <math.h>
#include <string.h>
#include <sysexits.h>

#define TURN (2 * UNIT_PI)
#define ROWS_FROM_BAR 1.0
#define ROWS_TO_BAR 8.0 /* gauge, when the file gives no limit */

double plan_gauge_bar(const struct plan *p, double pa)
{
	return unit_bar_gauge(pa, p->machine->engine.ambient_pa);
}

/* --- conditions and limits --------------------------------------------------- */

/* Supply pressure at which a piston pushes with the rod force limit; INFINITY = none. */
static double force_supply_pa(const struct plan_machine *m)
{
	double area = 0;
	for (int end = 0; end < END_COUNT; end++)
		if (m->used[end])
			area = fmax(area, m->mech.area_m2[end]);
	double limit = m->engine.limit_rod_force_n;
	return isfinite(limit) ? m->engine.ambient_pa + limit / area : INFINITY;
}

static void cap_supply(struct plan *p)
{
	const struct engine *e = &p->machine->engine;
	double by_force = force_supply_pa(p->machine);
	if (p->at.supply_pa > e->limit_supply_pa) {
		report_say(
		    &p->refused,
		    "Supply %.2f bar gauge is above the engine file's limit of %.2f: refused. The plan "
		    "below is for %.2f bar gauge.",
		    plan_gauge_bar(p, p->at.supply_pa), plan_gauge_bar(p, e->limit_supply_pa),
		    plan_gauge_bar(p, e->limit_supply_pa));
		p->at.supply_pa = e->limit_supply_pa;
	}
	if (p->at.supply_pa > by_force) {
		report_say(
		    &p->refused,
		    "At %.2f bar gauge the piston pushes with more than the rod force limit of %.0f N: "
		    "refused. The plan below is for %.2f bar gauge, where the limit just holds.",
		    plan_gauge_bar(p, p->at.supply_pa), e->limit_rod_force_n, plan_gauge_bar(p, by_force));
		p->at.supply_pa = by_force;
	}
}

static void cap_speed(struct plan *p)
{
	double limit = p->machine->engine.limit_speed_rad_s;
	if (!(p->at.omega_rad_s > limit))
		return;
	report_say(
	    &p->refused,
	    "Speed %.0f rpm is above the engine file's limit of %.0f: refused. The plan below is for %.0f "
	    "rpm.",
	    unit_rpm(p->at.omega_rad_s), unit_rpm(limit), unit_rpm(limit));
	p->at.omega_rad_s = limit;
}

static double first_known(double a, double b, double c)
{
	return isfinite(a) ? a : isfinite(b) ? b : c;
}

/* A machine runs faster than planned as soon as the load is less. */
static double top_speed(const struct plan *p)
{
	double limit = p->machine->engine.limit_speed_rad_s, ridden = p->machine->speed_rad_s.max;
	if (isfinite(limit))
		return limit;
	return fmax(1.25 * p->at.omega_rad_s, isfinite(ridden) ? ridden : 0);
}

static int choose_conditions(struct plan *p, struct fault *fault)
{
	const struct plan_machine *m = p->machine;
	const struct engine *e = &m->engine;
	p->at.omega_rad_s =
	    first_known(p->request.speed_rad_s, m->speed_rad_s.median, e->limit_speed_rad_s / 2);
	p->at.supply_pa = first_known(p->request.supply_pa, plan_ride_supply_pa(m), e->limit_supply_pa);
	p->at.battery_v = p->request.battery_v;
	if (!(p->at.omega_rad_s > 0))
		return fault_set(fault, EX_USAGE, "the speed is not known; give --speed RPM");
	if (!isfinite(p->at.supply_pa))
		return fault_set(
		    fault, EX_USAGE,
		    "the supply pressure is not known; give for example --supply \"4 bar gauge\"");
	cap_supply(p);
	cap_speed(p);
	p->at.top_rad_s = top_speed(p);
	if (p->at.supply_pa < e->ambient_pa + 0.1e5)
		return fault_set(
		    fault, EX_DATAERR,
		    "the supply, %.2f bar gauge, is too little to push anything (is a limit of the "
		    "engine file at or below ambient?); there is nothing to plan",
		    plan_gauge_bar(p, p->at.supply_pa));
	return 0;
}

static int check_machine(const struct plan_machine *m, struct fault *fault)
{
	for (int end = 0; end < END_COUNT; end++)
		if (m->used[end])
			return 0;
	return fault_set(fault, EX_CONFIG,
	                 "%s: no end has both an inlet and an exhaust among its [valve N] sections; there is "
	                 "no timing to plan",
	                 m->engine.name);
}

/* --- now, and what to load --------------------------------------------------- */

static void find_now(struct plan *p)
{
	const struct plan_machine *m = p->machine;
	double phi[END_COUNT][EVENT_KINDS];
	p->has_now = m->from_ride;
	for (int i = 0; i < END_COUNT * EVENT_KINDS; i++) {
		int end = i / EVENT_KINDS, k = i % EVENT_KINDS;
		phi[end][k] = m->edge[end][k].actual_rad;
		p->has_now = p->has_now && (!m->used[end] || isfinite(phi[end][k]));
	}
	if (!p->has_now)
		return;
	struct plan_timing now;
	plan_timing_place(m, &p->at, phi, &now);
	plan_judge(m, &p->at, &p->request.aim, &now, &p->now);
}

static double turned(double rad)
{
	double d = fmod(rad, TURN);
	return d < 0 ? d + TURN : d;
}

const struct plan_edge *plan_edge_of(const struct plan_machine *m, int valve, bool on)
{
	for (int i = 0; i < END_COUNT * EVENT_KINDS; i++) {
		const struct plan_edge *e = &m->edge[i / EVENT_KINDS][i % EVENT_KINDS];
		if (m->used[i / EVENT_KINDS] && e->valve == valve && e->on == on)
			return e;
	}
	return NULL;
}

/* command = setting + offset + (latency - lead) x speed, solved for the setting. */
static double setting_for(const struct plan_edge *e, double command_rad, const struct plan_conditions *at)
{
	return command_rad - e->offset_rad - (e->latency_s - plan_edge_lead_s(e, at)) * at->omega_rad_s;
}

static void find_settings(struct plan *p)
{
	for (int v = 0; v < ENGINE_VALVES_MAX; v++)
		for (int on = 0; on < 2; on++) {
			const struct plan_edge *e = plan_edge_of(p->machine, v, on == 1);
			if (e == NULL)
				continue;
			double command = p->best.timing.command_rad[v][on], omega = p->at.omega_rad_s;
			double setting = setting_for(e, command, &p->at);
			double lead = plan_edge_lead_s(e, &p->at);
			p->has_setting[v][on] = true;
			p->setting[v][on] =
			    (struct plan_setting){.setting_rad = turned(setting),
			                          .lead_s = lead,
			                          .command_rad = turned(command),
			                          .controller_rad = turned(setting - lead * omega),
			                          .was_setting_rad = e->setting_rad,
			                          .was_lead_s = e->lead_s};
		}
}

double plan_lead_at_s(const struct plan *p, int valve, bool on, double omega_rad_s)
{
	struct plan_conditions at = p->at;
	at.omega_rad_s = omega_rad_s;
	return plan_edge_lead_s(plan_edge_of(p->machine, valve, on), &at);
}

/* --- rows by supply ----------------------------------------------------------- */

static double fastest(const struct plan_machine *m, const struct plan_conditions *at,
                      const double phi[END_COUNT][EVENT_KINDS])
{
	double least = INFINITY;
	for (int i = 0; i < END_COUNT; i++) {
		if (!m->used[i])
			continue;
		double span = phi[i][EVENT_CUT_OFF] - phi[i][EVENT_ADMISSION];
		double time = plan_shortest_admission_s(m, (enum engine_end)i, at);
		if (time > 0)
			least = fmin(least, span / time);
	}
	return least;
}

static double part_of(const struct plan_machine *m, enum engine_end end, double phi)
{
	double v = mech_volume_m3(&m->mech, end, phi + mech_dead_centre_rad(&m->mech, end));
	return (v - m->mech.clearance_m3[end]) / mech_swept_m3(&m->mech, end);
}

static void fill_row(const struct plan *p, double supply_pa, struct plan_row *row)
{
	const struct plan_machine *m = p->machine;
	struct plan_conditions at = p->at;
	struct plan_solution s;
	at.supply_pa = supply_pa;
	plan_search(m, &at, &p->request.aim, NULL, &s);
	*row = (struct plan_row){
	    .supply_pa = supply_pa, .holds = s.holds, .timing = s.timing, .p = s.prediction};
	for (int i = 0; i < END_COUNT; i++) {
		row->ideal_part[i] = row->cut_off_part[i] = row->cut_off_rad[i] = NAN;
		if (!m->used[i])
			continue;
		struct plan_ideal d = plan_ideal_of(m, &at, (enum engine_end)i);
		row->ideal_part[i] = plan_ideal_full_expansion(&d);
		row->cut_off_rad[i] = s.prediction.phi_rad[i][EVENT_CUT_OFF];
		row->cut_off_part[i] = part_of(m, (enum engine_end)i, row->cut_off_rad[i]);
	}
	row->fastest_rad_s = fastest(m, &at, s.prediction.phi_rad);
}

static void fill_rows(struct plan *p)
{
	const struct plan_machine *m = p->machine;
	double ambient = m->engine.ambient_pa;
	double top = fmin(first_known(m->engine.limit_supply_pa, NAN, ambient + ROWS_TO_BAR * 1e5),
	                  force_supply_pa(m));
	for (double bar = ROWS_FROM_BAR; p->row_n < PLAN_ROWS_MAX; bar++) {
		double supply = ambient + bar * 1e5;
		if (supply > top + 1)
			break;
		fill_row(p, supply, &p->row[p->row_n++]);
	}
	if (p->row_n == 0)
		fill_row(p, p->at.supply_pa, &p->row[p->row_n++]);
}

double plan_controller_rad(const struct plan *p, size_t row, int valve, bool on, double omega_rad_s)
{
	const struct plan_row *r = &p->row[row];
	const struct plan_edge *e = plan_edge_of(p->machine, valve, on);
	struct plan_conditions at = p->at;
	at.supply_pa = r->supply_pa;
	double setting = setting_for(e, r->timing.command_rad[valve][on], &at);
	at.omega_rad_s = omega_rad_s;
	return turned(setting - plan_edge_lead_s(e, &at) * omega_rad_s);
}

/* --- air ---------------------------------------------------------------------- */

/* Heat from the walls cools nothing but the account: an end that is filled at
 * supply temperature takes this much more air than one without heat. */
static double wall_factor(const struct plan *p, enum engine_end end)
{
	struct plan_ideal cold = plan_ideal_of(p->machine, &p->at, end), warm = cold;
	warm.fill = 1;
	double x = part_of(p->machine, end, p->best.prediction.phi_rad[end][EVENT_CUT_OFF]);
	return plan_ideal_at(&warm, x, 0).air_kg_m3 / plan_ideal_at(&cold, x, 0).air_kg_m3;
}

static void find_ideal(struct plan *p)
{
	for (int i = 0; i < END_COUNT; i++) {
		if (!p->machine->used[i])
			continue;
		struct plan_ideal d = plan_ideal_of(p->machine, &p->at, (enum engine_end)i);
		p->ideal_full_part[i] = plan_ideal_full_expansion(&d);
	}
}

static void find_air(struct plan *p)
{
	for (int i = 0; i < END_COUNT; i++) {
		enum engine_end end = (enum engine_end)i;
		if (!p->machine->used[i])
			continue;
		p->air_kg_low += p->best.prediction.cycle[i].air_kg;
		p->air_kg_high += p->best.prediction.cycle[i].air_kg * wall_factor(p, end);
	}
	p->tank_turns_low = p->tank_turns_high = NAN;
	double tank = p->machine->engine.tank_m3, full = p->request.tank_pa;
	if (!(tank > 0) || !(full > p->at.supply_pa))
		return;
	double spare;
	plan_ideal_tank_turns(tank, full, p->at.supply_pa, p->machine->engine.air_k, p->air_kg_high,
	                      &p->tank_turns_low, &spare);
	plan_ideal_tank_turns(tank, full, p->at.supply_pa, p->machine->engine.air_k, p->air_kg_low, &spare,
	                      &p->tank_turns_high);
}

/* --- what if ------------------------------------------------------------------ */

static int try_what_if(struct plan *p, struct fault *fault)
{
	if (p->request.what_if_n == 0)
		return 0;
	const struct plan_machine *m = p->machine;
	const struct plan_timing *from = p->has_now ? &p->now.timing : &p->best.timing;
	struct plan_timing t = *from;
	for (size_t i = 0; i < p->request.what_if_n; i++) {
		const struct plan_what_if *w = &p->request.what_if[i];
		const struct plan_edge *e = &m->edge[w->end][w->event];
		if (!m->used[w->end])
			return fault_set(fault, EX_USAGE, "--what-if: the %s end is not worked by valves",
			                 engine_end_name(w->end));
		t.command_rad[e->valve][e->on] =
		    w->angle_rad - p->at.omega_rad_s * plan_edge_delay_s(e, &p->at);
	}
	p->has_what_if = true;
	plan_judge(m, &p->at, &p->request.aim, &t, &p->what_if);
	if (plan_doubt_find(m, &p->at, from, &t, &p->what_if_doubt) != 0)
		return fault_set(fault, EX_OSERR, "out of memory");
	return 0;
}

/* --- conditions that hold -------------------------------------------------------- */

#define HALVINGS 5
#define LEAST_PART 0.2 /* of speed or supply: below, nobody would run it */

/* The conditions at which this part of the speed, or of the gauge supply, is used. */
static struct plan_conditions eased(const struct plan *p, bool speed, double part)
{
	struct plan_conditions at = p->at;
	double ambient = p->machine->engine.ambient_pa;
	if (speed)
		at.omega_rad_s *= part;
	else
		at.supply_pa = ambient + (at.supply_pa - ambient) * part;
	return at;
}

static bool holds_eased(const struct plan *p, bool speed, double part)
{
	struct plan_conditions at = eased(p, speed, part);
	struct plan_solution s;
	plan_search(p->machine, &at, &p->request.aim, NULL, &s);
	return s.holds;
}

/* The largest part at which a timing holds; 0 = none. */
static double holding_part(const struct plan *p, bool speed)
{
	double low = LEAST_PART, high = 1;
	if (!holds_eased(p, speed, low))
		return 0;
	for (int i = 0; i < HALVINGS; i++) {
		double middle = (low + high) / 2;
		*(holds_eased(p, speed, middle) ? &low : &high) = middle;
	}
	return low;
}

/* No timing keeps the limits as asked: goes to the nearest speed, else supply, at which one does. */
static void find_holding(struct plan *p)
{
	const struct plan_machine *m = p->machine;
	report_say(&p->refused, "No timing was found that keeps every limit at %.0f rpm and %.2f bar gauge.",
	           unit_rpm(p->at.omega_rad_s), plan_gauge_bar(p, p->at.supply_pa));
	plan_breach_words(p, &p->best, &p->refused);
	double part = holding_part(p, true);
	bool speed = part > 0;
	if (!speed)
		part = holding_part(p, false);
	if (part == 0) {
		report_say(&p->refused,
		           "Nor was one found at a lower speed or supply: the limits contradict each "
		           "other or the machine. What comes nearest is given below.");
		return;
	}
	p->at = eased(p, speed, part);
	plan_search(m, &p->at, &p->request.aim, NULL, &p->best);
	if (speed)
		report_say(&p->refused, "The plan below is for %.0f rpm, where one holds.",
		           unit_rpm(p->at.omega_rad_s));
	else
		report_say(&p->refused, "The plan below is for %.2f bar gauge, where one holds.",
		           plan_gauge_bar(p, p->at.supply_pa));
}

/* The least supply whose strongest timing pays for the friction; NAN = none up to the limit. */
static double paying_supply_pa(const struct plan *p)
{
	const struct plan_aim strong = {.goal = PLAN_TORQUE};
	struct plan_conditions at = p->at;
	struct plan_solution s;
	double low = p->machine->engine.ambient_pa,
	       high = first_known(p->machine->engine.limit_supply_pa, NAN, low + ROWS_TO_BAR * 1e5);
	for (int i = 0; i <= HALVINGS; i++) {
		at.supply_pa = i == 0 ? high : (low + high) / 2;
		plan_search(p->machine, &at, &strong, NULL, &s);
		if (s.prediction.net_torque_nm > 0)
			high = at.supply_pa;
		else if (i == 0)
			return NAN;
		else
			low = at.supply_pa;
	}
	return high;
}

/* --- the whole ----------------------------------------------------------------- */

static int search_best(struct plan *p, struct fault *fault)
{
	const struct plan_machine *m = p->machine;
	plan_search(m, &p->at, &p->request.aim, NULL, &p->best);
	if (!p->best.holds)
		find_holding(p);
	p->paying_supply_pa = p->best.prediction.net_torque_nm > 0 ? NAN : paying_supply_pa(p);
	find_now(p);
	p->fastest_rad_s = fastest(m, &p->at, p->best.prediction.phi_rad);
	if (plan_doubt_find(m, &p->at, p->has_now ? &p->now.timing : NULL, &p->best.timing, &p->doubt) != 0)
		return fault_set(fault, EX_OSERR, "out of memory");
	return 0;
}

int plan_make(const struct plan_machine *m, const struct plan_request *request, struct plan *out,
              struct fault *fault)
{
	memset(out, 0, sizeof *out);
	out->machine = m;
	out->request = *request;
	if (check_machine(m, fault) != 0 || choose_conditions(out, fault) != 0)
		return -1;
	if (search_best(out, fault) != 0)
		return -1;
	find_settings(out);
	if (try_what_if(out, fault) != 0)
		return -1;
	find_ideal(out);
	plan_warnings(out);
	return 0;
}

void plan_tables(struct plan *p)
{
	fill_rows(p);
	plan_curve_find(p->machine, &p->at, &p->curve);
	find_air(p);
	plan_start_find(p);
	plan_road_find(p);
}
