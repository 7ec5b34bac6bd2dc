/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/rehearse/truth_json.h"

#include "common/air.h"
#include "common/unit.h"

#include <errno.h>
#include <jansson.h>
#include <math.h>
#include <string.h>
#include <sysexits.h>

/* JSON has no NaN: what is not known is null. */
static json_t *number(double x)
{
	return isfinite(x) ? json_real(x) : json_null();
}

static void set(json_t *o, const char *key, double x)
{
	json_object_set_new(o, key, number(x));
}

static void set_count(json_t *o, const char *key, uint64_t n)
{
	json_object_set_new(o, key, json_integer((json_int_t)n));
}

static const char *cause_name(enum cause c)
{
	switch (c) {
	case CAUSE_NONE:
		return "unknown";
	case CAUSE_MISSED:
		return "missed tooth";
	case CAUSE_SAME_TOOTH:
		return "same tooth";
	case CAUSE_EXTRA:
		return "extra pulse";
	case CAUSE_BURST:
		return "burst";
	case CAUSE_BUSY:
		return "controller busy";
	case CAUSE_INDEX:
		return "index";
	case CAUSE_REVERSAL:
		return "reversal";
	}
	return "unknown";
}

static json_t *crank_json(const struct truth *t, const struct truth_facts *f)
{
	json_t *o = json_object();
	set_count(o, "teeth", t->teeth);
	set_count(o, "teeth_missed", t->teeth_missed);
	set_count(o, "teeth_extra", t->teeth_extra);
	set_count(o, "edges", t->edges);
	set_count(o, "edges_missed", t->edges_missed);
	set_count(o, "edges_extra", t->edges_extra);
	set_count(o, "edges_busy", t->edges_busy);
	set_count(o, "edges_emitted", t->edges_emitted);
	set_count(o, "index_closed", t->index_closed);
	set_count(o, "index_missed", t->index_missed);
	set_count(o, "index_extra", t->index_extra);
	set_count(o, "index_bounces", t->index_bounces);
	set_count(o, "index_emitted", t->index_emitted);
	set_count(o, "bursts", t->bursts);
	set_count(o, "reversals", t->reversals);
	set_count(o, "controller_slips", t->slips);
	set(o, "index_deg", f->index_true_deg);
	set(o, "controller_index_deg", f->controller_index_deg);
	set(o, "first_tooth_deg", f->first_tooth_deg);
	json_t *pitch = json_array();
	for (size_t i = 0; i < f->teeth; i++)
		json_array_append_new(pitch, number(f->pitch_error_deg[i]));
	json_object_set_new(o, "pitch_error_deg", pitch);
	return o;
}

static json_t *slips_json(const struct truth *t)
{
	json_t *list = json_array();
	for (uint64_t i = 0; i < t->slips && i < TRUTH_SLIPS_MAX; i++) {
		const struct truth_slip *s = &t->slip[i];
		json_t *o = json_object();
		set(o, "t_us", s->t_us);
		set(o, "theta_deg", s->theta_deg);
		set(o, "healed_us", s->healed_us);
		json_object_set_new(o, "teeth", json_integer(s->teeth));
		json_object_set_new(o, "cause", json_string(cause_name(s->cause)));
		json_array_append_new(list, o);
	}
	return list;
}

static json_t *event_json(const struct truth_mean *m, unsigned valve, enum engine_end end,
                          enum valve_event event)
{
	json_t *o = json_object();
	double n = (double)m->count, mean = m->sum / n;
	set_count(o, "valve", valve);
	json_object_set_new(o, "end", json_string(engine_end_name(end)));
	json_object_set_new(o, "event", json_string(truth_event_name(event)));
	set_count(o, "count", m->count);
	set_count(o, "not_moved", m->not_moved);
	set(o, "delay_ms", mean);
	set(o, "delay_sd_ms", sqrt(fmax(m->sum_squares / n - mean * mean, 0)));
	return o;
}

static json_t *events_json(const struct truth *t)
{
	json_t *list = json_array();
	for (unsigned v = 0; v < ENGINE_VALVES_MAX; v++)
		for (enum engine_end end = END_CAP; end < END_COUNT; end++)
			for (enum valve_event e = EVENT_ADMISSION; e < EVENT_COUNT; e++) {
				const struct truth_mean *m = &t->delay_ms[v][end][e];
				if (m->count + m->not_moved > 0)
					json_array_append_new(list, event_json(m, v, end, e));
			}
	return list;
}

static json_t *strokes_json(const struct truth *t, enum engine_end end)
{
	json_t *o = json_object();
	double n = (double)t->strokes[end];
	set_count(o, "count", t->strokes[end]);
	set(o, "work_J", t->work_j[end] / n);
	set(o, "useful_deg", t->useful_deg[end] / n);
	set(o, "air_g", t->air_g[end] / n);
	return o;
}

static void add_setting(void *ctx, const char *key, int place, double value)
{
	json_t *o = ctx;
	if (place < 0) {
		set(o, key, value);
		return;
	}
	if (place == 0)
		json_object_set_new(o, key, json_array());
	json_array_append_new(json_object_get(o, key), number(value));
}

static json_t *run_json(const struct truth *t, const struct truth_facts *f)
{
	json_t *o = json_object();
	json_object_set_new(o, "engine", json_string(f->engine->name));
	set_count(o, "seed", f->settings->seed);
	set(o, "duration_s", t->duration_s);
	set(o, "revolutions", t->crank_turns);
	set(o, "rpm_min", t->edges > 0 ? t->rpm_min : NAN);
	set(o, "rpm_max", t->edges > 0 ? t->rpm_max : NAN);
	set(o, "start_us", f->start_us);
	set(o, "reset_us", f->reset_us);
	set_count(o, "records_sent", t->records_sent);
	set_count(o, "records_lost", t->records_lost);
	set_count(o, "commands", t->commands);
	set_count(o, "samples", t->samples);
	return o;
}

static json_t *air_json(const struct truth *t)
{
	json_t *o = json_object();
	double grams = 0;
	for (int end = END_CAP; end < END_COUNT; end++)
		grams += t->strokes[end] > 0 ? t->air_g[end] / (double)t->strokes[end] : 0;
	set(o, "per_revolution_normal_litre", air_normal_litre(grams * 1e-3));
	set(o, "vented_g", t->vented_g);
	return o;
}

static json_t *build(const struct truth *t, const struct truth_facts *f)
{
	json_t *o = json_object();
	json_object_set_new(o, "schema", json_string("trammel.truth/1"));
	json_object_set_new(o, "run", run_json(t, f));
	json_object_set_new(o, "crank", crank_json(t, f));
	json_object_set_new(o, "slips", slips_json(t));
	json_object_set_new(o, "valve_events", events_json(t));
	json_t *strokes = json_object();
	for (enum engine_end end = END_CAP; end < END_COUNT; end++)
		json_object_set_new(strokes, engine_end_name(end), strokes_json(t, end));
	json_object_set_new(o, "strokes", strokes);
	json_object_set_new(o, "air", air_json(t));
	json_t *settings = json_object();
	settings_each(f->settings, add_setting, settings);
	json_object_set_new(o, "settings", settings);
	return o;
}

int truth_json_write(const struct truth *t, const struct truth_facts *f, const char *path,
                     struct fault *fault)
{
	json_t *o = build(t, f);
	int failed = json_dump_file(o, path, JSON_INDENT(1) | JSON_REAL_PRECISION(10));
	json_decref(o);
	if (failed != 0)
		return fault_set(fault, EX_CANTCREAT, "%s: cannot write: %s", path, strerror(errno));
	return 0;
}
