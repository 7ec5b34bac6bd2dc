/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The report as JSON, schema trammel.report/1.  Order of keys and digits are
 * fixed: the same report gives the same bytes. */
#include "analyse/escape.h"
#include "analyse/report_words.h"
#include "common/air.h"
#include "common/unit.h"

#include <jansson.h>
#include <math.h>
#include <stdlib.h>
#include <time.h>

#define DIGITS 7 /* significant digits of a measured number */

/* A number to DIGITS significant digits; null when not known. */
static json_t *number(double x)
{
	char text[40];
	if (!isfinite(x))
		return json_null();
	snprintf(text, sizeof text, "%.*g", DIGITS, x);
	double rounded;
	if (unit_number(text, &rounded) == NULL)
		return json_null();
	return json_real(rounded == 0 ? 0 : rounded); /* no "-0.0" */
}

/* Text of the log or the engine file: Jansson takes UTF-8 only. */
static json_t *words(const char *text)
{
	char safe[2 * REPORT_LINE_MAX];
	return json_string(escape_plain(safe, sizeof safe, text));
}

static json_t *count(uint64_t n)
{
	return json_integer((json_int_t)n);
}

static void put(json_t *object, const char *key, json_t *value)
{
	json_object_set_new(object, key, value);
}

static json_t *pair(const double two[2], double unit)
{
	return json_pack("[o, o]", number(two[0] * unit), number(two[1] * unit));
}

/* An angle in [0, 360) deg. */
static json_t *place_deg(double rad)
{
	double deg = words_place_deg(rad);
	return number(deg >= 359.99995 ? 0 : deg); /* would be written as 360 */
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
	put(o, "min", number(r.min));
	put(o, "median", number(r.median));
	put(o, "max", number(r.max));
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
	put(o, "file", words(r->file));
	put(o, "start_utc", start_utc(r->start_utc_us));
	put(o, "duration_s", number(r->duration_s));
	put(o, "revolutions", r->has_crank ? number(r->revolutions) : json_null());
	put(o, "speed_rpm", range(r->speed_rpm));
	put(o, "supply_bar_gauge", range(gauge(r->supply_pa, r->engine.ambient_pa)));
	put(o, "engine", words(r->engine.name));
	return o;
}

static json_t *link_of(const struct report *r)
{
	json_t *o = json_object();
	put(o, "records", count(r->counts.records));
	put(o, "lost", count(r->counts.lost));
	put(o, "damaged_bytes", count(r->counts.damaged_bytes));
	put(o, "gaps", count(r->counts.gaps));
	return o;
}

static json_t *clock_of(const struct report *r)
{
	const double unknown[2] = {NAN, NAN};
	bool known = r->clock.known;
	json_t *o = json_object();
	put(o, "skew_ppm", number(known ? r->clock.skew_ppm : NAN));
	put(o, "skew_ppm_ci95", pair(known ? r->clock.skew_ppm_ci95 : unknown, 1));
	return o;
}

static json_t *pitch_of(const struct report *r)
{
	json_t *list = json_array();
	for (unsigned k = 0; r->has_crank && k < r->wheel.teeth; k++)
		json_array_append_new(list, number(unit_deg(r->wheel.pitch_error_rad[k])));
	return list;
}

static json_t *slips_of(const struct report *r)
{
	json_t *list = json_array();
	for (size_t i = 0; i < r->slip_n; i++) {
		json_t *o = json_object();
		put(o, "t_us", json_integer(r->slip[i].t_us));
		put(o, "theta_deg", place_deg(r->slip[i].theta_rad));
		put(o, "edges", json_integer(r->slip[i].edges));
		put(o, "cause", json_string(slip_cause_name(r->slip[i].cause)));
		json_array_append_new(list, o);
	}
	return list;
}

static json_t *crank_of(const struct report *r)
{
	const struct crank_totals *c = &r->crank;
	double sd = c->sd_n > 0 ? sqrt(c->sum_sd2 / (double)c->sd_n) : NAN;
	json_t *o = json_object();
	put(o, "teeth_seen", count(c->teeth_seen));
	put(o, "teeth_missed", count(c->teeth_missed));
	put(o, "teeth_extra", count(c->teeth_extra));
	put(o, "index_seen", count(c->index_seen));
	put(o, "index_missed", count(c->index_missed));
	put(o, "index_extra", count(c->index_extra));
	put(o, "controller_slips", count(r->controller_slips));
	put(o, "angle_sd_deg", number(unit_deg(sd)));
	put(o, "flagged_s", number(c->flagged_s));
	put(o, "pitch_error_deg", pitch_of(r));
	put(o, "index_bounces", count(c->index_bounces));
	put(o, "edge_offset_deg", number(r->has_crank ? unit_deg(r->wheel.edge_offset_rad) : NAN));
	put(o, "slips", slips_of(r));
	return o;
}

static json_t *event_of(const struct valve_event_summary *e)
{
	const double deg = unit_deg(1);
	json_t *o = json_object();
	put(o, "valve", json_integer(e->valve));
	put(o, "end", json_string(engine_end_name((enum engine_end)e->end)));
	put(o, "event", json_string(valve_event_name((enum valve_event_kind)e->event)));
	put(o, "count", json_integer(e->count));
	put(o, "not_found", json_integer(e->not_found));
	put(o, "intended_deg", place_deg(e->intended_rad));
	put(o, "commanded_deg", place_deg(e->commanded_rad));
	put(o, "actual_deg", place_deg(e->actual_rad));
	put(o, "error_deg", number(unit_deg(e->error_rad)));
	put(o, "spread_deg", number(unit_deg(e->spread_rad)));
	put(o, "count_error_deg", number(unit_deg(e->count_error_rad)));
	put(o, "firing_error_deg", number(unit_deg(e->firing_error_rad)));
	put(o, "delay_ms", number(e->delay_s * 1e3));
	put(o, "delay_ms_ci95", pair(e->delay_ci95_s, 1e3));
	put(o, "offset_deg", number(unit_deg(e->offset_rad)));
	put(o, "offset_deg_ci95", pair(e->offset_ci95_rad, deg));
	put(o, "verdict", json_string(e->verdict));
	put(o, "error_deg_ci95", pair(e->error_ci95_rad, deg));
	put(o, "latency_ms", number(e->latency_s * 1e3));
	put(o, "latency_ms_ci95", pair(e->latency_ci95_s, 1e3));
	put(o, "missed", json_integer(e->missed));
	put(o, "commands", json_integer(e->commands));
	put(o, "words", words(e->words));
	return o;
}

static json_t *events_of(const struct report *r)
{
	json_t *list = json_array();
	for (size_t i = 0; i < r->event_n; i++)
		json_array_append_new(list, event_of(&r->event[i]));
	return list;
}

static json_t *ledger_of(const struct stroke_summary *s)
{
	json_t *o = json_object();
	for (int l = 0; l < LEDGER_LINES; l++)
		put(o, ledger_line_key((enum ledger_line)l), number(s->ledger_j[l]));
	return o;
}

static json_t *end_of(const struct report *r, enum engine_end end)
{
	const struct stroke_summary *s = &r->stroke[end];
	json_t *o = json_object();
	if (!r->has_strokes[end])
		return o;
	put(o, "count", json_integer(s->count));
	put(o, "useful_deg", number(unit_deg(s->useful_rad)));
	put(o, "useful_fraction", number(s->useful_fraction));
	put(o, "work_J", number(s->work_j));
	put(o, "ideal_work_J", number(s->ideal_work_j));
	put(o, "diagram_factor", number(s->diagram_factor));
	put(o, "mep_bar", number(unit_bar(s->mep_pa)));
	put(o, "release_bar_gauge", number(unit_bar_gauge(s->release_pa, r->engine.ambient_pa)));
	put(o, "ledger_J", ledger_of(s));
	put(o, "left_out", json_integer(s->left_out));
	put(o, "work_sd_J", number(s->work_sd_j));
	put(o, "work_spread_J", number(s->work_spread_j));
	put(o, "useful_sd_deg", number(unit_deg(s->useful_sd_rad)));
	put(o, "useful_spread_deg", number(unit_deg(s->useful_spread_rad)));
	put(o, "useful_fraction_work", number(s->useful_fraction_work));
	put(o, "peak_force_N", number(s->peak_force_n));
	put(o, "air_normal_litre", number(air_normal_litre(s->air_kg)));
	return o;
}

static json_t *strokes_of(const struct report *r)
{
	json_t *o = json_object();
	for (int end = 0; end < END_COUNT; end++)
		put(o, engine_end_name((enum engine_end)end), end_of(r, (enum engine_end)end));
	return o;
}

static json_t *lines_of(const struct report_lines *l)
{
	json_t *list = json_array();
	for (size_t i = 0; i < l->n; i++)
		json_array_append_new(list, words(l->line[i]));
	return list;
}

static json_t *air_of(const struct report *r)
{
	json_t *o = json_object();
	put(o, "per_revolution_normal_litre", number(air_normal_litre(r->air_kg_per_turn)));
	return o;
}

int report_json(const struct report *r, FILE *out)
{
	json_t *root = json_object();
	put(root, "schema", json_string("trammel.report/1"));
	put(root, "run", run_of(r));
	put(root, "link", link_of(r));
	put(root, "clock", clock_of(r));
	put(root, "crank", crank_of(r));
	put(root, "valve_events", events_of(r));
	put(root, "strokes", strokes_of(r));
	put(root, "air", air_of(r));
	put(root, "limits", lines_of(&r->limits));
	put(root, "warnings", lines_of(&r->warnings));
	put(root, "advice", lines_of(&r->advice));
	int status = json_dumpf(root, out, JSON_INDENT(1) | JSON_REAL_PRECISION(DIGITS));
	json_decref(root);
	return status == 0 && fputc('\n', out) != EOF ? 0 : -1;
}
