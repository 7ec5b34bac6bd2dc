/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The report as JSON, schema trammel.report/1.  Order of keys and digits are
 * fixed: the same report gives the same bytes. */
#include "analyse/json_put.h"
#include "analyse/report_words.h"
#include "common/air.h"
#include "common/unit.h"

#include <math.h>
#include <time.h>

static json_t *pair(const double two[2], double unit)
{
	return json_pack("[o, o]", json_put_number(two[0] * unit), json_put_number(two[1] * unit));
}

/* An angle in [0, 360) deg. */
static json_t *place_deg(double rad)
{
	double deg = words_place_deg(rad);
	return json_put_number(deg >= 359.99995 ? 0 : deg); /* would be written as 360 */
}

static json_t *start_utc(int64_t us)
{
	char text[40];
	time_t s = (time_t)(us / 1000000);
	struct tm tm;
	if (us == 0 || gmtime_r(&s, &tm) == NULL ||
	    strftime(text, sizeof text, "%Y-%m-%dT%H:%M:%SZ", &tm) == 0)
		return json_null();
	return json_string(text);
}

static json_t *range(struct report_range r)
{
	json_t *o = json_object();
	json_put(o, "min", json_put_number(r.min));
	json_put(o, "median", json_put_number(r.median));
	json_put(o, "max", json_put_number(r.max));
	return o;
}

static struct report_range gauge(struct report_range r, double ambient_pa)
{
	return (struct report_range){.min = unit_bar_gauge(r.min, ambient_pa),
	                             .median = unit_bar_gauge(r.median, ambient_pa),
	                             .max = unit_bar_gauge(r.max, ambient_pa)};
}

static json_t *run_of(const struct report *r)
{
	json_t *o = json_object();
	json_put(o, "file", json_put_text(r->file));
	json_put(o, "start_utc", start_utc(r->start_utc_us));
	json_put(o, "duration_s", json_put_number(r->duration_s));
	json_put(o, "revolutions", r->has_crank ? json_put_number(r->revolutions) : json_null());
	json_put(o, "speed_rpm", range(r->speed_rpm));
	json_put(o, "supply_bar_gauge", range(gauge(r->supply_pa, r->engine.ambient_pa)));
	json_put(o, "engine", json_put_text(r->engine.name));
	json_put(o, "backward_revolutions",
	         r->has_crank ? json_put_number(r->backward_revolutions) : json_null());
	json_put(o, "unsure_revolutions",
	         r->has_crank ? json_put_number(r->unsure_revolutions) : json_null());
	json_put(o, "selected", r->selected[0] != '\0' ? json_put_text(r->selected) : json_null());
	return o;
}

static json_t *link_of(const struct report *r)
{
	json_t *o = json_object();
	json_put(o, "records", json_put_count(r->counts.records));
	json_put(o, "lost", json_put_count(r->counts.lost));
	json_put(o, "damaged_bytes", json_put_count(r->counts.damaged_bytes));
	json_put(o, "gaps", json_put_count(r->counts.gaps));
	return o;
}

static json_t *clock_of(const struct report *r)
{
	const double unknown[2] = {NAN, NAN};
	bool known = r->clock.known;
	json_t *o = json_object();
	json_put(o, "skew_ppm", json_put_number(known ? r->clock.skew_ppm : NAN));
	json_put(o, "skew_ppm_ci95", pair(known ? r->clock.skew_ppm_ci95 : unknown, 1));
	return o;
}

static json_t *pitch_of(const struct report *r)
{
	json_t *list = json_array();
	for (unsigned k = 0; r->has_crank && k < r->wheel.teeth; k++)
		json_array_append_new(list, json_put_number(unit_deg(r->wheel.pitch_error_rad[k])));
	return list;
}

static json_t *slips_of(const struct report *r)
{
	json_t *list = json_array();
	for (size_t i = 0; i < r->slip_n; i++) {
		json_t *o = json_object();
		json_put(o, "t_us", json_integer(r->slip[i].t_us));
		json_put(o, "theta_deg", place_deg(r->slip[i].theta_rad));
		json_put(o, "edges", json_integer(r->slip[i].edges));
		json_put(o, "cause", json_string(slip_cause_name(r->slip[i].cause)));
		json_array_append_new(list, o);
	}
	return list;
}

static json_t *crank_of(const struct report *r)
{
	const struct crank_totals *c = &r->crank;
	double sd = c->sd_n > 0 ? sqrt(c->sum_sd2 / (double)c->sd_n) : NAN;
	json_t *o = json_object();
	json_put(o, "teeth_seen", json_put_count(c->teeth_seen));
	json_put(o, "teeth_missed", json_put_count(c->teeth_missed));
	json_put(o, "teeth_extra", json_put_count(c->teeth_extra));
	json_put(o, "index_seen", json_put_count(c->index_seen));
	json_put(o, "index_missed", json_put_count(c->index_missed));
	json_put(o, "index_extra", json_put_count(c->index_extra));
	json_put(o, "controller_slips", json_put_count(r->controller_slips));
	json_put(o, "angle_sd_deg", json_put_number(unit_deg(sd)));
	json_put(o, "flagged_s", json_put_number(c->flagged_s));
	json_put(o, "pitch_error_deg", pitch_of(r));
	json_put(o, "index_bounces", json_put_count(c->index_bounces));
	json_put(o, "edge_offset_deg",
	         json_put_number(r->has_crank ? unit_deg(r->wheel.edge_offset_rad) : NAN));
	json_put(o, "slips", slips_of(r));
	return o;
}

static json_t *event_of(const struct valve_event_summary *e)
{
	const double deg = unit_deg(1);
	json_t *o = json_object();
	json_put(o, "valve", json_integer(e->valve));
	json_put(o, "end", json_string(engine_end_name((enum engine_end)e->end)));
	json_put(o, "event", json_string(valve_event_name((enum valve_event_kind)e->event)));
	json_put(o, "count", json_integer(e->count));
	json_put(o, "not_found", json_integer(e->not_found));
	json_put(o, "intended_deg", place_deg(e->intended_rad));
	json_put(o, "commanded_deg", place_deg(e->commanded_rad));
	json_put(o, "actual_deg", place_deg(e->actual_rad));
	json_put(o, "error_deg", json_put_number(unit_deg(e->error_rad)));
	json_put(o, "spread_deg", json_put_number(unit_deg(e->spread_rad)));
	json_put(o, "count_error_deg", json_put_number(unit_deg(e->count_error_rad)));
	json_put(o, "firing_error_deg", json_put_number(unit_deg(e->firing_error_rad)));
	json_put(o, "delay_ms", json_put_number(e->delay_s * 1e3));
	json_put(o, "delay_ms_ci95", pair(e->delay_ci95_s, 1e3));
	json_put(o, "offset_deg", json_put_number(unit_deg(e->offset_rad)));
	json_put(o, "offset_deg_ci95", pair(e->offset_ci95_rad, deg));
	json_put(o, "verdict", json_string(e->verdict));
	json_put(o, "error_deg_ci95", pair(e->error_ci95_rad, deg));
	json_put(o, "speed_rpm", json_put_number(unit_rpm(e->speed_rad_s)));
	json_put(o, "latency_ms", json_put_number(e->latency_s * 1e3));
	json_put(o, "latency_ms_ci95", pair(e->latency_ci95_s, 1e3));
	json_put(o, "delay_ms_per_bar", json_put_number(e->cause[CAUSE_SUPPLY].per * 1e8));
	json_put(o, "delay_ms_per_bar_ci95", pair(e->cause[CAUSE_SUPPLY].per_ci95, 1e8));
	json_put(o, "delay_ms_per_volt", json_put_number(e->cause[CAUSE_BATTERY].per * 1e3));
	json_put(o, "delay_ms_per_volt_ci95", pair(e->cause[CAUSE_BATTERY].per_ci95, 1e3));
	json_put(o, "delay_ms_per_coil_warmth", json_put_number(e->cause[CAUSE_WARMTH].per * 1e3));
	json_put(o, "delay_ms_per_coil_warmth_ci95", pair(e->cause[CAUSE_WARMTH].per_ci95, 1e3));
	json_put(o, "electrical_ms", json_put_number(e->coil.electrical_s * 1e3));
	json_put(o, "electrical_ms_ci95", pair(e->coil.electrical_ci95_s, 1e3));
	json_put(o, "mechanical_ms", json_put_number(e->coil.mechanical_s * 1e3));
	json_put(o, "mechanical_ms_ci95", pair(e->coil.mechanical_ci95_s, 1e3));
	json_put(o, "pneumatic_ms", json_put_number(e->coil.pneumatic_s * 1e3));
	json_put(o, "pneumatic_ms_ci95", pair(e->coil.pneumatic_ci95_s, 1e3));
	json_put(o, "coil_moved", json_integer(e->coil.moved));
	json_put(o, "coil_no_current", json_integer(e->coil.dead));
	json_put(o, "coil_still", json_integer(e->coil.still));
	json_put(o, "missed", json_integer(e->missed));
	json_put(o, "commands", json_integer(e->commands));
	json_put(o, "words", json_put_text(e->words));
	return o;
}

static json_t *events_of(const struct report *r)
{
	json_t *list = json_array();
	for (size_t i = 0; i < r->event_n; i++)
		json_array_append_new(list, event_of(&r->event[i]));
	return list;
}

static json_t *ledger_of(const double line_j[LEDGER_LINES])
{
	json_t *o = json_object();
	for (int l = 0; l < LEDGER_LINES; l++)
		json_put(o, ledger_line_key((enum ledger_line)l), json_put_number(line_j[l]));
	return o;
}

static json_t *reasons_of(const struct stroke_summary *s)
{
	json_t *o = json_object();
	for (size_t i = 0; i < STROKE_REASONS && s->reason[i].why != NULL; i++)
		json_put(o, s->reason[i].why, json_integer(s->reason[i].n));
	return o;
}

static json_t *end_of(const struct report *r, enum engine_end end)
{
	const struct stroke_summary *s = &r->stroke[end];
	json_t *o = json_object();
	if (!r->has_strokes[end])
		return o;
	json_put(o, "count", json_integer(s->count));
	json_put(o, "useful_deg", json_put_number(unit_deg(s->useful_rad)));
	json_put(o, "useful_fraction", json_put_number(s->useful_fraction));
	json_put(o, "work_J", json_put_number(s->work_j));
	json_put(o, "ideal_work_J", json_put_number(s->ideal_work_j));
	json_put(o, "diagram_factor", json_put_number(s->diagram_factor));
	json_put(o, "mep_bar", json_put_number(unit_bar(s->mep_pa)));
	json_put(o, "release_bar_gauge",
	         json_put_number(unit_bar_gauge(s->release_pa, r->engine.ambient_pa)));
	json_put(o, "ledger_J", ledger_of(s->ledger_j));
	json_put(o, "left_out", json_integer(s->left_out));
	json_put(o, "left_out_because", reasons_of(s));
	json_put(o, "ledger_sd_J", ledger_of(s->ledger_sd_j));
	json_put(o, "ideal_work_sd_J", json_put_number(s->ideal_sd_j));
	json_put(o, "diagram_factor_sd", json_put_number(s->diagram_factor_sd));
	json_put(o, "loop_gap", json_put_number(s->loop_gap));
	json_put(o, "ledger_gap", json_put_number(s->ledger_gap));
	json_put(o, "work_sd_J", json_put_number(s->work_sd_j));
	json_put(o, "mep_sd_bar", json_put_number(unit_bar(s->mep_sd_pa)));
	json_put(o, "release_sd_bar", json_put_number(unit_bar(s->release_sd_pa)));
	json_put(o, "work_spread_J", json_put_number(s->work_spread_j));
	json_put(o, "useful_sd_deg", json_put_number(unit_deg(s->useful_sd_rad)));
	json_put(o, "useful_spread_deg", json_put_number(unit_deg(s->useful_spread_rad)));
	json_put(o, "useful_fraction_work", json_put_number(s->useful_fraction_work));
	json_put(o, "peak_force_N", json_put_number(s->peak_force_n));
	json_put(o, "air_normal_litre", json_put_number(air_normal_litre(s->air_kg)));
	json_put(o, "air_normal_litre_half_width", json_put_number(air_normal_litre(s->air_error_kg)));
	return o;
}

static json_t *both_ends(const struct report *r,
                         json_t *(*end_of_report)(const struct report *, enum engine_end))
{
	json_t *o = json_object();
	for (int end = 0; end < END_COUNT; end++)
		json_put(o, engine_end_name((enum engine_end)end), end_of_report(r, (enum engine_end)end));
	return o;
}

static json_t *torque_of(const struct report *r)
{
	const struct torque_summary *t = &r->torque;
	bool known = t->turns > 0;
	json_t *o = json_object();
	json_put(o, "turns", json_integer(t->turns));
	json_put(o, "peak_mean_Nm", json_put_number(known ? t->mean_nm : NAN));
	json_put(o, "peak_mean_sd_Nm", json_put_number(known ? t->mean_sd_nm : NAN));
	json_put(o, "peak_most_Nm", json_put_number(known ? t->most_nm : NAN));
	return o;
}

static json_t *air_of(const struct report *r)
{
	json_t *o = json_object();
	json_put(o, "per_revolution_normal_litre", json_put_number(air_normal_litre(r->air_kg_per_turn)));
	json_put(o, "per_revolution_half_width", json_put_number(air_normal_litre(r->air_error_kg)));
	for (int w = 0; w < AIR_WAYS; w++) {
		json_t *way = json_object();
		json_put(way, "normal_litre", json_put_number(air_normal_litre(r->air[w].kg)));
		json_put(way, "half_width", json_put_number(air_normal_litre(r->air[w].half_width_kg)));
		json_put(o, air_way_key((enum air_way)w), way);
	}
	return o;
}

static json_t *gain_of(const struct gain *x)
{
	json_t *o = json_object();
	json_put(o, "work_J", json_put_number(x->work_j));
	json_put(o, "work_J_half_width", json_put_number(x->work_error_j));
	json_put(o, "air_g", json_put_number(x->air_kg * 1e3));
	json_put(o, "air_g_half_width", json_put_number(x->air_error_kg * 1e3));
	json_put(o, "work_per_air_J_g", json_put_number(x->j_per_kg * 1e-3));
	json_put(o, "work_per_air_J_g_half_width", json_put_number(x->j_per_kg_error * 1e-3));
	json_put(o, "share_work_J", json_put_number(x->share_j));
	json_put(o, "share_air_g", json_put_number(x->share_kg * 1e3));
	return o;
}

static json_t *alone_of(const struct gains *g)
{
	json_t *o = json_object();
	for (int c = 0; g->known && c < GAIN_CAUSES; c++)
		json_put(o, gain_key((enum gain_cause)c), gain_of(&g->gain[c]));
	return o;
}

/* What fixing one thing alone would gain; empty for an end without strokes. */
static json_t *gains_of(const struct report *r, enum engine_end end)
{
	const struct gains *g = &r->gains[end];
	json_t *o = json_object();
	if (!r->has_strokes[end])
		return o;
	json_put(o, "why_not", g->known ? json_null() : json_put_text(g->why));
	json_put(o, "measured_work_J", json_put_number(g->measured_j));
	json_put(o, "simulated_work_J", json_put_number(g->simulated_j));
	json_put(o, "simulated_air_g", json_put_number(g->simulated_air_kg * 1e3));
	json_put(o, "alone", alone_of(g));
	json_put(o, "all_work_J", json_put_number(g->all_j));
	json_put(o, "all_work_J_half_width", json_put_number(g->all_error_j));
	json_put(o, "all_air_g", json_put_number(g->all_kg * 1e3));
	json_put(o, "all_air_g_half_width", json_put_number(g->all_error_kg * 1e3));
	return o;
}

static json_t *marks_of(const struct report *r)
{
	json_t *a = json_array();
	for (unsigned i = 0; i < r->marks && i < REPORT_MARKS_MAX; i++) {
		json_t *o = json_object();
		json_put(o, "t_s", json_put_number(r->mark[i].t_s));
		json_put(o, "text", json_put_text(r->mark[i].text));
		json_array_append_new(a, o);
	}
	return a;
}

int report_json(const struct report *r, FILE *out)
{
	json_t *root = json_object();
	json_put(root, "schema", json_string("trammel.report/1"));
	json_put(root, "run", run_of(r));
	json_put(root, "link", link_of(r));
	json_put(root, "clock", clock_of(r));
	json_put(root, "crank", crank_of(r));
	json_put(root, "valve_events", events_of(r));
	json_put(root, "strokes", both_ends(r, end_of));
	json_put(root, "air", air_of(r));
	json_put(root, "limits", json_put_lines(&r->limits));
	json_put(root, "warnings", json_put_lines(&r->warnings));
	json_put(root, "advice", json_put_lines(&r->advice));
	json_put(root, "findings", json_put_lines(&r->findings));
	json_put(root, "gains", both_ends(r, gains_of));
	json_put(root, "crank_torque", torque_of(r));
	json_put(root, "advice_held_back", r->held_back != NULL ? json_put_text(r->held_back) : json_null());
	json_put(root, "marks", marks_of(r));
	return json_put_write(root, out);
}
