/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The plan as JSON, schema trammel.plan/1; unknown numbers are null, angles in
 * degrees, pressures in bar gauge. */
#include "analyse/escape.h"
#include "analyse/plan_parts.h"
#include "common/air.h"
#include "common/unit.h"

#include <jansson.h>
#include <math.h>
#include <string.h>

#define DIGITS 6

static json_t *number(double x)
{
	char text[40];
	double rounded;
	if (!isfinite(x))
		return json_null();
	snprintf(text, sizeof text, "%.*g", DIGITS, x);
	if (unit_number(text, &rounded) == NULL)
		return json_null();
	return json_real(rounded == 0 ? 0 : rounded); /* no "-0.0" */
}

static void put(json_t *o, const char *key, json_t *value)
{
	json_object_set_new(o, key, value);
}

static void put_number(json_t *o, const char *key, double x)
{
	put(o, key, number(x));
}

static json_t *words(const char *text)
{
	char safe[2 * REPORT_LINE_MAX];
	return json_string(escape_plain(safe, sizeof safe, text));
}

static json_t *lines(const struct report_lines *l)
{
	json_t *a = json_array();
	for (size_t i = 0; i < l->n; i++)
		json_array_append_new(a, words(l->line[i]));
	return a;
}

/* --- parts ----------------------------------------------------------------- */

static json_t *events(const struct plan *p, const struct plan_prediction *q)
{
	json_t *ends = json_object();
	for (int end = 0; end < END_COUNT; end++) {
		if (!p->machine->used[end])
			continue;
		json_t *o = json_object();
		for (int k = 0; k < EVENT_KINDS; k++) {
			char key[40];
			snprintf(key, sizeof key, "%s_deg", valve_event_name((enum valve_event_kind)k));
			put_number(o, key, unit_deg(q->phi_rad[end][k]));
		}
		put_number(o, "release_bar_gauge", plan_gauge_bar(p, q->first_release_pa[end]));
		put_number(o, "work_J", q->cycle[end].work_j);
		put_number(o, "useful_deg", unit_deg(q->cycle[end].useful_rad));
		put(ends, engine_end_name((enum engine_end)end), o);
	}
	return ends;
}

static json_t *prediction(const struct plan *p, const struct plan_solution *s)
{
	const struct plan_prediction *q = &s->prediction;
	json_t *o = json_object();
	double least, most;
	plan_torque_range(p->machine, q, &least, &most);
	put(o, "holds", json_boolean(s->holds));
	put_number(o, "work_J", q->work_j);
	put_number(o, "air_normal_litre", air_normal_litre(q->air_kg));
	put_number(o, "torque_Nm", q->torque_nm);
	put_number(o, "least_torque_Nm", least);
	put_number(o, "most_torque_Nm", most);
	put_number(o, "net_torque_Nm", q->net_torque_nm);
	put_number(o, "power_W", q->power_w);
	put_number(o, "useful_fraction", q->useful_fraction);
	put_number(o, "rod_force_N", q->rod_force_n);
	put(o, "ends", events(p, q));
	return o;
}

static json_t *value(const struct plan_value *v, double scale)
{
	json_t *o = json_object();
	put_number(o, "now", v->now * scale);
	put_number(o, "planned", v->planned * scale);
	put(o, "planned_ci95",
	    json_pack("[o,o]", number(v->planned_low * scale), number(v->planned_high * scale)));
	put_number(o, "gain", v->gain * scale);
	put(o, "gain_ci95", json_pack("[o,o]", number(v->gain_low * scale), number(v->gain_high * scale)));
	return o;
}

static json_t *doubt(const struct plan_doubt *d)
{
	double litres = air_normal_litre(1);
	json_t *o = json_object();
	put(o, "measured", json_boolean(d->measured));
	put(o, "work_J", value(&d->value[PLAN_WORK], 1));
	put(o, "air_normal_litre", value(&d->value[PLAN_AIR], litres));
	put(o, "useful_fraction", value(&d->value[PLAN_USEFUL], 1));
	put(o, "work_J_per_normal_litre", value(&d->value[PLAN_WORK_PER_AIR], 1 / litres));
	put(o, "largest_doubt", d->greatest[0] != '\0' ? words(d->greatest) : json_null());
	return o;
}

static json_t *settings(const struct plan *p)
{
	json_t *a = json_array();
	for (int v = 0; v < ENGINE_VALVES_MAX; v++)
		for (int on = 1; on >= 0; on--) {
			const struct plan_setting *s = &p->setting[v][on];
			if (!p->has_setting[v][on])
				continue;
			json_t *o = json_pack("{s:i, s:s}", "valve", v, "edge", on ? "opens" : "shuts");
			put_number(o, "setting_deg", unit_deg(s->setting_rad));
			put_number(o, "lead_ms", s->lead_s * 1e3);
			put_number(o, "switches_deg", unit_deg(s->controller_rad));
			put_number(o, "command_deg", unit_deg(s->command_rad));
			put_number(o, "was_setting_deg", unit_deg(s->was_setting_rad));
			put_number(o, "was_lead_ms", s->was_lead_s * 1e3);
			json_array_append_new(a, o);
		}
	return a;
}

static json_t *pair(const double x[2])
{
	return json_pack("[o,o]", number(x[0]), number(x[1]));
}

static json_t *rides(const struct plan *p)
{
	json_t *a = json_array();
	for (size_t i = 0; i < p->machine->run_n; i++) {
		const struct plan_run *r = &p->machine->learned_from[i];
		const double bar[2] = {plan_gauge_bar(p, r->supply_pa[0]),
		                       plan_gauge_bar(p, r->supply_pa[1])};
		json_t *o = json_object();
		put(o, "run", words(r->name));
		put(o, "speed_rpm", pair(r->rpm));
		put(o, "supply_bar_gauge", pair(bar));
		put(o, "battery_V", pair(r->battery_v));
		put(o, "events", json_integer((json_int_t)r->events));
		put_number(o, "share", r->share);
		json_array_append_new(a, o);
	}
	return a;
}

static void put_change(json_t *o, const char *name, const struct plan_edge *e, enum plan_covariate k)
{
	char key[60];
	double change, half;
	bool told = plan_change_of(e, k, &change, &half);
	put_number(o, name, told ? change : NAN);
	snprintf(key, sizeof key, "%s_ci95", name);
	put(o, key, told ? json_pack("[o,o]", number(change - half), number(change + half)) : json_null());
}

static json_t *delays(const struct plan *p)
{
	static const char *const sources[] = {[PLAN_ASSUMED] = "assumed",
	                                      [PLAN_MEASURED] = "measured",
	                                      [PLAN_KEPT_LEAD] = "loaded lead",
	                                      [PLAN_BORROWED] = "other valves",
	                                      [PLAN_BY_HAND] = "by hand"};
	json_t *a = json_array();
	for (int v = 0; v < ENGINE_VALVES_MAX; v++)
		for (int on = 1; on >= 0; on--) {
			const struct plan_edge *e = plan_edge_of(p->machine, v, on == 1);
			if (e == NULL)
				continue;
			double delay = plan_edge_delay_s(e, &p->at) * 1e3;
			double half = 1.96 * plan_edge_delay_sd_s(e, &p->at) * 1e3;
			json_t *o = json_pack("{s:i, s:s, s:s}", "valve", v, "edge", on ? "opens" : "shuts",
			                      "source", sources[e->source]);
			put_number(o, "delay_ms", delay);
			put(o, "delay_ms_ci95",
			    json_pack("[o,o]", number(delay - half), number(delay + half)));
			put_change(o, "ms_per_bar", e, PLAN_SUPPLY);
			put_change(o, "ms_per_V", e, PLAN_BATTERY);
			put_change(o, "ms_per_100_rpm", e, PLAN_SPEED);
			json_array_append_new(a, o);
		}
	return a;
}

static json_t *passages(const struct plan *p)
{
	const struct plan_machine *m = p->machine;
	json_t *ends = json_object();
	for (int end = 0; end < END_COUNT; end++) {
		if (!m->used[end])
			continue;
		json_t *o = json_object();
		put_number(o, "inlet_dm3_s_bar", m->c_m3_s_pa[end][0] * 1e8);
		put_number(o, "inlet_sd_part", m->c_sd_part[end][0]);
		put_number(o, "exhaust_dm3_s_bar", m->c_m3_s_pa[end][1] * 1e8);
		put_number(o, "exhaust_sd_part", m->c_sd_part[end][1]);
		put_number(o, "expansion_index", m->n[end]);
		put_number(o, "expansion_index_sd", m->n_sd[end]);
		put_number(o, "leak_dm3_s_bar", m->leak_m3_s_pa[end] * 1e8);
		put_number(o, "inlet_leak_dm3_s_bar", m->seat_m3_s_pa[end] * 1e8);
		put(ends, engine_end_name((enum engine_end)end), o);
	}
	return ends;
}

static json_t *friction(const struct plan *p)
{
	static const char *const sources[] = {[PLAN_FRICTION_ASSUMED] = "assumed",
	                                      [PLAN_FRICTION_BY_HAND] = "by hand",
	                                      [PLAN_FRICTION_MEASURED] = "measured",
	                                      [PLAN_FRICTION_CAPPED] = "resistance"};
	const struct plan_machine *m = p->machine;
	const struct resistance_found *f = &m->resistance;
	bool known = f->turns > 0, slope = f->cov[1][1] > 0, coast = f->coast_turns > 0;
	json_t *o = json_pack("{s:s}", "source", sources[m->friction_from]);
	put_number(o, "bar", m->friction_pa / 1e5);
	put_number(o, "Nm", plan_friction_nm(m));
	put_number(o, "Nm_sd", plan_friction_sd_nm(m));
	put_number(o, "load_Nm", p->request.load_nm);
	put_number(o, "resistance_Nm", known ? f->nm : NAN);
	put_number(o, "resistance_Nm_sd", known ? sqrt(f->cov[0][0]) : NAN);
	put_number(o, "resistance_rpm", known ? unit_rpm(f->omega_rad_s) : NAN);
	put_number(o, "resistance_Nm_per_rpm", slope ? f->per_rad_s * UNIT_PI / 30 : NAN);
	put_number(o, "resistance_Nm_per_rpm_sd", slope ? sqrt(f->cov[1][1]) * UNIT_PI / 30 : NAN);
	put(o, "resistance_turns", json_integer((json_int_t)f->turns));
	put_number(o, "inertia_kg_m2", known ? f->inertia_kg_m2 : NAN);
	put_number(o, "inertia_kg_m2_sd", known ? f->inertia_sd : NAN);
	put_number(o, "coast_Nm", coast ? f->coast_nm : NAN);
	put_number(o, "coast_Nm_sd", coast ? f->coast_sd_nm : NAN);
	put_number(o, "coast_rpm", coast ? unit_rpm(f->coast_omega_rad_s) : NAN);
	return o;
}

static json_t *rows(const struct plan *p)
{
	json_t *a = json_array();
	for (size_t i = 0; i < p->row_n; i++) {
		const struct plan_row *r = &p->row[i];
		json_t *o = json_object();
		put_number(o, "supply_bar_gauge", plan_gauge_bar(p, r->supply_pa));
		put(o, "holds", json_boolean(r->holds));
		for (int end = 0; end < END_COUNT; end++) {
			json_t *e = json_object();
			put_number(e, "full_expansion_fraction", r->ideal_part[end]);
			put_number(e, "cut_off_fraction", r->cut_off_part[end]);
			put_number(e, "cut_off_deg", unit_deg(r->cut_off_rad[end]));
			put(o, engine_end_name((enum engine_end)end), e);
		}
		put_number(o, "net_torque_Nm", r->p.net_torque_nm);
		put_number(o, "air_normal_litre", air_normal_litre(r->p.air_kg));
		put_number(o, "useful_fraction", r->p.useful_fraction);
		put_number(o, "fastest_rpm", unit_rpm(r->fastest_rad_s));
		json_array_append_new(a, o);
	}
	return a;
}

static json_t *curve(const struct plan *p)
{
	json_t *a = json_array();
	for (size_t i = 0; i < p->curve.n; i++) {
		const struct plan_point *q = &p->curve.point[i];
		json_t *o = json_object();
		put_number(o, "net_torque_Nm", q->net_torque_nm);
		put_number(o, "work_J_per_normal_litre", q->economy_j_kg / air_normal_litre(1));
		put_number(o, "air_normal_litre", air_normal_litre(q->air_kg));
		put_number(o, "useful_fraction", q->useful_fraction);
		put_number(o, "cap_cut_off_deg", unit_deg(q->cut_off_rad[END_CAP]));
		put_number(o, "rod_cut_off_deg", unit_deg(q->cut_off_rad[END_ROD]));
		put(o, "knee", json_boolean(p->curve.n > 2 && i == p->curve.knee));
		json_array_append_new(a, o);
	}
	return a;
}

static json_t *start(const struct plan *p)
{
	json_t *o = json_object();
	put_number(o, "cap_cut_off_deg", unit_deg(p->start.cut_off_rad[END_CAP]));
	put_number(o, "rod_cut_off_deg", unit_deg(p->start.cut_off_rad[END_ROD]));
	put_number(o, "dead_deg", unit_deg(p->start.dead_rad));
	put_number(o, "most_torque_Nm", p->start.most_nm);
	return o;
}

static json_t *roads(const struct plan_gear *g)
{
	json_t *a = json_array();
	for (int road = 0; road < PLAN_ROADS; road++) {
		json_t *o = json_pack("{s:s, s:s}", "road", drive_roads[road].name, "source",
		                      drive_roads[road].source);
		put_number(o, "rolling", drive_roads[road].rolling);
		put_number(o, "resistance_N", g->resistance_n[road]);
		put(o, "pulls", json_boolean(g->pulls[road]));
		put(o, "moves_from_rest_at_best", json_boolean(g->starts_best[road]));
		put(o, "moves_from_rest_at_worst", json_boolean(g->starts_worst[road]));
		put_number(o, "moves_from_rest_over_deg", 360 * g->starts_part[road]);
		json_array_append_new(a, o);
	}
	return a;
}

static json_t *gears(const struct plan *p)
{
	json_t *a = json_array();
	for (size_t i = 0; i < p->gear_n; i++) {
		const struct plan_gear *g = &p->gear[i];
		json_t *o = json_pack("{s:i, s:i}", "crank_teeth", (int)g->crank_teeth, "wheel_teeth",
		                      (int)g->wheel_teeth);
		put_number(o, "speed_km_h", g->speed_m_s * 3.6);
		put_number(o, "force_N", g->force_n);
		put(o, "roads", roads(g));
		json_array_append_new(a, o);
	}
	return a;
}

static json_t *air(const struct plan *p)
{
	json_t *o = json_object();
	put(o, "normal_litre_per_turn",
	    json_pack("[o,o]", number(air_normal_litre(p->air_kg_low)),
	              number(air_normal_litre(p->air_kg_high))));
	put(o, "tank_turns", json_pack("[o,o]", number(p->tank_turns_low), number(p->tank_turns_high)));
	put(o, "tank_way_m",
	    json_pack("[o,o]", number(p->tank_turns_low * p->way_per_turn_m),
	              number(p->tank_turns_high * p->way_per_turn_m)));
	return o;
}

static json_t *conditions(const struct plan *p)
{
	json_t *o = json_object();
	put(o, "goal", json_string(plan_goal_name(p->request.aim.goal)));
	put_number(o, "chosen_torque_Nm",
	           p->request.aim.goal == PLAN_CHOSEN_TORQUE ? p->request.aim.net_torque_nm : NAN);
	put_number(o, "speed_rpm", unit_rpm(p->at.omega_rad_s));
	put_number(o, "supply_bar_gauge", plan_gauge_bar(p, p->at.supply_pa));
	put_number(o, "battery_V", p->at.battery_v);
	put_number(o, "friction_bar", p->machine->friction_pa / 1e5);
	return o;
}

int plan_json(const struct plan *p, FILE *out)
{
	json_t *root = json_object();
	put(root, "schema", json_string("trammel.plan/1"));
	put(root, "engine", words(p->machine->engine.name));
	put(root, "run", p->machine->from_ride ? words(p->machine->run) : json_null());
	put(root, "runs", rides(p));
	put(root, "conditions", conditions(p));
	put(root, "refused", lines(&p->refused));
	put(root, "settings", settings(p));
	put(root, "delays", delays(p));
	put(root, "passages", passages(p));
	put(root, "friction", friction(p));
	put(root, "now", p->has_now ? prediction(p, &p->now) : json_null());
	put(root, "planned", prediction(p, &p->best));
	put(root, "change", doubt(&p->doubt));
	put(root, "what_if", p->has_what_if ? prediction(p, &p->what_if) : json_null());
	put(root, "what_if_change", p->has_what_if ? doubt(&p->what_if_doubt) : json_null());
	put(root, "by_supply", rows(p));
	put(root, "fastest_rpm", number(unit_rpm(p->fastest_rad_s)));
	put(root, "tradeoff", curve(p));
	put(root, "start", start(p));
	put(root, "air", air(p));
	put(root, "sprockets", gears(p));
	put(root, "warnings", lines(&p->warnings));
	int status =
	    json_dumpf(root, out, JSON_INDENT(1) | JSON_PRESERVE_ORDER | JSON_REAL_PRECISION(DIGITS));
	json_decref(root);
	return status == 0 && fputc('\n', out) != EOF ? 0 : -1;
}
