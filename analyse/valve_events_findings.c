/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Faults named, each with its evidence.  Thresholds are judgement, set so
 * that a healthy ride draws no finding. */
#include "analyse/valve_events_internal.h"
#include "analyse/valve_events_watch.h"

#include "common/unit.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>

#define SEEN_LEAST 10

static void find_out(struct valve_events *v, const char *format, ...) __attribute__((format(printf, 2, 3)));
static void find_out(struct valve_events *v, const char *format, ...)
{
	va_list args;
	if (v->findings == WATCH_FINDINGS)
		return;
	va_start(args, format);
	vsnprintf(v->finding[v->findings], sizeof(v->finding[0]), format, args);
	va_end(args);
	v->findings++;
}

static double mean(const struct watch_mean *m)
{
	return m->n ? m->sum / m->n : NAN;
}

static const char *name(int end)
{
	return engine_end_name((enum engine_end)end);
}

/* --- sensors -------------------------------------------------------------------------- */

/* Does the chamber look the same to its sensor whichever valve is open? */
static bool unmoved(const struct watch_end *w)
{
	const struct watch_mean *in = &w->open_level[ONSET_INLET], *out = &w->open_level[ONSET_EXHAUST];
	return in->n >= SEEN_LEAST && out->n >= SEEN_LEAST && fabs(mean(in) - mean(out)) < 0.08;
}

#define FULL_GAUGE_SHARE 0.5

/* Does it fill, though never while one of its own valves stands open? */
static bool fills_at_the_wrong_time(const struct valve_events *v, const struct watch_end *w)
{
	const struct watch_mean *in = &w->open_level[ONSET_INLET], *out = &w->open_level[ONSET_EXHAUST];
	return in->n >= SEEN_LEAST && out->n >= SEEN_LEAST && mean(in) < 0.2 && mean(out) < 0.2 &&
	       w->most_pa - v->engine.ambient_pa > FULL_GAUGE_SHARE * mean(&w->supply_gauge_pa);
}

static double rail_share(const struct watch_end *w)
{
	return w->samples > 0 ? (double)w->at_rail / (double)w->samples : 0;
}

static bool often_at_rail(const struct watch_end *w)
{
	return rail_share(w) > 0.01;
}

/* True when what this end's sensor shows is no guide to its valves. */
static bool judge_sensor(struct valve_events *v, int end)
{
	const struct watch_end *w = &v->watch.end[end];
	double range = w->most_pa - w->least_pa;
	if (v->channel[end] < 0)
		return false;
	if (w->samples == 0) {
		find_out(v, "the %s end's pressure sensor sent nothing; see to its wire", name(end));
		return true;
	}
	bool stuck =
	    w->turns >= SEEN_LEAST && (range < 3e4 || (unmoved(w) && !fills_at_the_wrong_time(v, w)));
	if (w->turns >= SEEN_LEAST && range < 3e4)
		find_out(
		    v,
		    "the %s end's pressure sensor is stuck: it moved by %.2f bar only over %u commands of "
		    "the inlet; see to sensor, wire and hose",
		    name(end), unit_bar(range), w->turns);
	else if (stuck)
		find_out(v,
		         "the %s end's pressure sensor is stuck or its hose is blocked: it shows %.0f %% "
		         "full with the "
		         "inlet open and %.0f %% with the exhaust; if it is in order, no air gets in",
		         name(end), 100 * mean(&w->open_level[ONSET_INLET]),
		         100 * mean(&w->open_level[ONSET_EXHAUST]));
	if (often_at_rail(w))
		find_out(v,
		         "the %s end's pressure sensor is at the end of its range %.1f %% of the time; these "
		         "samples are left out",
		         name(end), 100 * rail_share(w));
	return stuck;
}

/* --- wires and hoses -------------------------------------------------------------------- */

/* Full while its exhaust stands open, empty while its inlet does? */
static bool wrong_way_round(const struct watch_end *w)
{
	return w->open_level[ONSET_INLET].n >= SEEN_LEAST && w->open_level[ONSET_EXHAUST].n >= SEEN_LEAST &&
	       mean(&w->open_level[ONSET_INLET]) < 0.35 && mean(&w->open_level[ONSET_EXHAUST]) > 0.5;
}

static void judge_wires(struct valve_events *v, bool wrong[END_COUNT])
{
	for (int end = 0; end < END_COUNT; end++)
		wrong[end] = wrong_way_round(&v->watch.end[end]);
	const struct watch_end *w = v->watch.end;
	if (fills_at_the_wrong_time(v, &w[END_CAP]) && fills_at_the_wrong_time(v, &w[END_ROD])) {
		wrong[END_CAP] = wrong[END_ROD] = true;
		find_out(
		    v,
		    "both ends fill while their inlets are commanded shut, and stand empty (%.0f and %.0f %% "
		    "full) while these are commanded open: the inlet valves of the two ends are swapped, in "
		    "the engine file or in their wires",
		    100 * mean(&w[END_CAP].open_level[0]), 100 * mean(&w[END_ROD].open_level[0]));
		return;
	}
	if (wrong[END_CAP] && wrong[END_ROD]) {
		find_out(v,
		         "both ends stand the wrong way round: with its inlet open the cap end is %.0f %% "
		         "full and "
		         "the rod end %.0f %%; sensors or hoses of the two ends are swapped (if the engine "
		         "pulls), "
		         "or the valves' wires",
		         100 * mean(&w[END_CAP].open_level[0]), 100 * mean(&w[END_ROD].open_level[0]));
		return;
	}
	for (int end = 0; end < END_COUNT; end++)
		if (wrong[end])
			find_out(
			    v,
			    "the %s end is %.0f %% full with its exhaust commanded open and %.0f %% with its "
			    "inlet: wires of its inlet and exhaust are swapped",
			    name(end), 100 * mean(&w[end].open_level[ONSET_EXHAUST]),
			    100 * mean(&w[end].open_level[ONSET_INLET]));
}

/* --- valves -------------------------------------------------------------------------------- */

static void judge_overlap(struct valve_events *v, int end)
{
	const struct watch_mean *m = &v->watch.end[end].overlap_s;
	if (m->n < SEEN_LEAST || mean(m) < 2e-3)
		return;
	find_out(
	    v,
	    "inlet and exhaust of the %s end stand open together for %.1f ms a turn (mean of %u): air blows "
	    "straight through; shut the exhaust earlier or open the inlet later",
	    name(end), 1e3 * mean(m), m->n);
}

/* True when air came or went, which spoils the look of every movement. */
static bool judge_leak(struct valve_events *v, int end)
{
	const struct expansion_verdict *t = &v->watch.end[end].tight;
	const char *perhaps = t->fault != EXPANSION_EITHER ? ""
	                      : t->high ? ", or the clearance in the engine file is too large"
	                                : ", or the clearance in the engine file is too small";
	if (isnan(t->least_per_s) || t->fault == EXPANSION_SOUND)
		return t->fault == EXPANSION_VOLUME;
	if (t->high)
		find_out(
		    v,
		    "shut between cut-off and release, the %s end loses at least %.1f %% of its air in 0.1 s "
		    "(its pressure falls with index %.2f): exhaust valve, piston or gland leaks%s",
		    name(end), 10 * t->least_per_s, t->index, perhaps);
	else
		find_out(
		    v,
		    "shut between cut-off and release, the %s end gains at least %.1f %% of its air in 0.1 s "
		    "(its pressure falls with index %.2f): the inlet valve leaks while shut%s",
		    name(end), 10 * t->least_per_s, t->index, perhaps);
	return true;
}

static const char *passage_name(const struct valve_event_summary *s)
{
	enum onset_passage p = valve_kind_passage((enum valve_event_kind)s->event);
	return engine_passage_name((enum engine_passage)valve_passage_bit((enum engine_end)s->end, p));
}

/* Does the current of this coil show its armature's motion whenever the valve moved?  Else that none is seen
 * tells nothing. */
static bool shows_motion(const struct valve_event_coil *c)
{
	return c->moved >= SEEN_LEAST && c->found_still * 20 < c->moved && c->still < c->moved;
}

static bool often(unsigned n, unsigned commands)
{
	return n >= 3 && n * 100 > commands;
}

/* Which of these the coil's current explains, in words; "" when none. */
static void coil_words(const struct valve_event_coil *c, unsigned dead, unsigned still, char *out,
                       size_t size)
{
	size_t used = 0;
	out[0] = '\0';
	if (dead > 0)
		used = (size_t)snprintf(out, size,
		                        "in %u its coil got no current (wire, relay or controller)", dead);
	if (still > 0 && shows_motion(c) && used < size)
		snprintf(out + used, size - used,
		         "%sin %u its coil had current and the armature did not move (stuck, or too little "
		         "current)",
		         used > 0 ? ", " : "", still);
}

/* Movements that the pressure shows to be missing, or else those of the armature that the current does. */
static void judge_missed(struct valve_events *v, const struct valve_event_summary *s)
{
	const struct valve_event_coil *c = &s->coil;
	const char *way = valve_kind_opens((enum valve_event_kind)s->event) ? "open" : "shut";
	char why[220];
	if (often(s->missed, s->commands)) {
		coil_words(c, c->missed_dead, c->missed_still, why, sizeof(why));
		find_out(v, "%s did not %s in %u of %u commands: %s", passage_name(s), way, s->missed,
		         s->commands, why[0] != '\0' ? why : "coil, wire, relay or stiction");
		return;
	}
	coil_words(c, often(c->dead, s->commands) ? c->dead : 0, often(c->still, s->commands) ? c->still : 0,
	           why, sizeof(why));
	if (why[0] != '\0')
		find_out(v, "%s, told to %s %u times: %s", passage_name(s), way, s->commands, why);
}

/* A sensor of current from which nothing comes. */
static void judge_current(struct valve_events *v, const struct valve_event_summary *s)
{
	enum onset_passage passage = valve_kind_passage((enum valve_event_kind)s->event);
	unsigned bit = valve_passage_bit((enum engine_end)s->end, passage);
	bool opens = valve_kind_opens((enum valve_event_kind)s->event);
	bool energised = engine_energised_opens(&v->engine.valve[s->valve], bit) == opens;
	if (v->coil_channel[s->valve] < 0 || !energised || s->commands < SEEN_LEAST || s->coil.dead > 0 ||
	    isfinite(s->coil.electrical_s))
		return;
	find_out(
	    v,
	    "the current of the coil of %s tells nothing: sensor %d sends too few samples (1,000 a second "
	    "are enough), or none",
	    passage_name(s), v->coil_channel[s->valve]);
}

static void judge_movements(struct valve_events *v, const struct valve_event_summary *s,
                            const struct valve_tally_group *g)
{
	bool opens = valve_kind_opens((enum valve_event_kind)s->event);
	judge_missed(v, s);
	unsigned late = valve_tally_late(g, s);
	if (late >= 3 && late * 50 > s->count)
		find_out(v,
		         "%s hesitates: %u of %u times it %s more than %.0f ms later than usual; it sticks, "
		         "or its "
		         "coil gets too little current",
		         passage_name(s), late, s->count, opens ? "opened" : "shut", 1e3 * VALVE_LATE_S);
}

static void judge_doubles(struct valve_events *v, int end)
{
	const struct watch_end *w = &v->watch.end[end];
	for (int p = 0; p < 2; p++) {
		const struct watch_doubles *d = &w->doubles[p];
		if (d->twice < 3 || d->twice * 100 < d->turns)
			continue;
		unsigned bit = valve_passage_bit((enum engine_end)end, (enum onset_passage)p);
		find_out(
		    v,
		    "%s was told to open twice within half a turn %u times in %u turns: the controller fires "
		    "double; see to its index switch and its program",
		    engine_passage_name((enum engine_passage)bit), d->twice, d->turns);
	}
}

/* What the model of the chamber leaves unexplained of a clean movement, sd: a share of the supply's gauge
 * pressure, by which the flow of a real passage departs from its law while the chamber fills (rehearsed and
 * other simulated machines stay below it), and where the piston alone moves the pressure, the zero of the
 * gauge. */
#define MODEL_SHARE 0.004
#define ZERO_SD_PA 3e3

/* Pressure that a drawn-out shutting moves, at its half, off a sudden one: the rate of change which begins
 * then, times an eighth of the ramp. */
static double shown_pa(const struct watch_end *w, enum valve_event_kind k, double ramp_s)
{
	return valve_kind_opens(k) ? INFINITY : mean(&w->rate_pa_s[valve_kind_passage(k)]) * ramp_s / 8;
}

/* Does the learned movement look like one clean ramp?  Each mark must stand out from what it is known by: a
 * ramp by its own doubt and the sensor's lag, and both by the pressure that they move. */
static void judge_ramp(struct valve_events *v, int end, enum valve_event_kind k)
{
	const struct group *g = &v->group[end][k];
	const struct watch_end *w = &v->watch.end[end];
	const char *passage = engine_passage_name(
	    (enum engine_passage)valve_passage_bit((enum engine_end)end, valve_kind_passage(k)));
	const char *way = valve_kind_opens(k) ? "opens" : "shuts";
	double ramp_s = exp(g->value[ONSET_RAMP]);
	/* half of a ramp lies before its half: twice what that may be off by, two sd */
	double at_least_s = ramp_s * exp(-2 * g->ramp_sd) - 4 * valve_common_sd_s(v, (enum engine_end)end, k);
	double model_pa = MODEL_SHARE * mean(&w->supply_gauge_pa);
	double stray_pa = w->noise_pa * sqrt(fmax(g->noise_factor * g->noise_factor - 1, 0));
	if (!g->learned || v->supply_channel < 0)
		return;
	if (g->noise_factor > 1.6 && stray_pa > 2 * model_pa)
		find_out(v,
		         "when %s %s, the pressure does not follow one clean movement (it strays %.1f times "
		         "as far "
		         "as the sensor's noise): the valve bounces, or its relay chatters",
		         passage, way, g->noise_factor);
	else if (at_least_s > 9e-3 && shown_pa(w, k, ramp_s) > 2 * hypot(model_pa, ZERO_SD_PA))
		find_out(v, "%s takes %.0f ms from first to last when it %s: it bounces, or drags", passage,
		         1e3 * ramp_s, way);
}

/* What one fault explains is not said again as if it were another: with wires, hoses or the sensor wrong
 * nothing that the sensor shows of the valves counts; air that leaks, or a sensor at the end of its range,
 * spoils the look of every movement. */
void watch_conclude(struct valve_events *v, const struct valve_event_summary *s, size_t n)
{
	bool wrong[END_COUNT];
	v->findings = 0;
	judge_wires(v, wrong);
	for (int end = 0; end < END_COUNT; end++) {
		judge_doubles(v, end);
		wrong[end] = judge_sensor(v, end) || wrong[end];
		if (wrong[end])
			continue;
		judge_overlap(v, end);
		bool spoilt = judge_leak(v, end) || often_at_rail(&v->watch.end[end]);
		for (int k = 0; k < EVENT_KINDS && !spoilt; k++)
			judge_ramp(v, end, (enum valve_event_kind)k);
	}
	for (size_t i = 0; i < n; i++) {
		judge_current(v, &s[i]);
		if (!wrong[s[i].end])
			judge_movements(v, &s[i], &v->tally.group[i]);
	}
}
