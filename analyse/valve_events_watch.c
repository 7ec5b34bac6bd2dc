/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/valve_events_watch.h"

#include "analyse/valve_events_internal.h"

#include "common/unit.h"

#include <math.h>

static void mean_add(struct watch_mean *m, double x)
{
	if (isnan(x))
		return;
	m->n++;
	m->sum += x;
}

void watch_leg(struct valve_events *v, const struct leg *leg)
{
	for (int end = 0; end < END_COUNT; end++) {
		const struct chamber *ch = &v->chamber[end];
		struct watch_end *w = &v->watch.end[end];
		if (ch->series == NULL)
			continue;
		size_t from = ride_lower_bound(ch->series->t_us, ch->series->n, leg->core_from_us);
		size_t to = ride_lower_bound(ch->series->t_us, ch->series->n, leg->core_to_us);
		if (w->samples == 0)
			w->least_pa = w->most_pa = from < to ? (double)ch->series->value[from] : NAN;
		for (size_t i = from; i < to; i++) {
			double p = (double)ch->series->value[i];
			uint16_t counts = ch->series->counts[i];
			w->least_pa = fmin(w->least_pa, p);
			w->most_pa = fmax(w->most_pa, p);
			w->at_rail += counts == 0 || (ch->top_rail > 0 && counts >= ch->top_rail);
		}
		w->samples += to - from;
		w->noise_pa = ch->noise_pa;
	}
}

/* --- between two movements of one passage ---------------------------------------- */

/* How full the chamber is half way through the time a passage stands open. */
static void watch_level(struct valve_events *v, const struct leg *leg, enum engine_end end,
                        enum onset_passage passage, const struct transition *opened,
                        const struct transition *shut)
{
	size_t hint = 0;
	double half_us = (opened->t50_us + shut->t50_us) / 2;
	double supply = valve_supply_at(v, leg, end, half_us, &hint), ambient = v->engine.ambient_pa;
	double p = ride_series_at(v->chamber[end].series, half_us, 2e4);
	if (supply > ambient + 5e4)
		mean_add(&v->watch.end[end].open_level[passage], (p - ambient) / (supply - ambient));
}

/* --- the shut stretch between cut-off and release ---------------------------------- */

struct stretch {
	double n, v, t, p, vv, vt, tt, vp, tp;
};

static void stretch_add(struct stretch *s, double v, double t, double p)
{
	s->n++;
	s->v += v;
	s->t += t;
	s->p += p;
	s->vv += v * v;
	s->vt += v * t;
	s->tt += t * t;
	s->vp += v * p;
	s->tp += t * p;
}

static void line_add(struct watch_line *l, const struct stretch *s, double volume_m3)
{
	l->stretches++;
	l->vv += s->vv - s->v * s->v / s->n;
	l->vt += s->vt - s->v * s->t / s->n;
	l->tt += s->tt - s->t * s->t / s->n;
	l->vp += s->vp - s->v * s->p / s->n;
	l->tp += s->tp - s->t * s->p / s->n;
	l->volume_m3 += volume_m3;
}

static void watch_expansion(struct valve_events *v, const struct crank *c, enum engine_end end,
                            const struct transition *cut_off, const struct transition *release)
{
	const struct ride_series *p = v->chamber[end].series;
	const struct group *shuts = &v->group[end][EVENT_CUT_OFF], *opens = &v->group[end][EVENT_RELEASE];
	double lag_us = 1e6 * v->lag_s[end];
	double from_us = cut_off->t50_us + 6e5 * exp(shuts->value[ONSET_RAMP]) + 2 * lag_us;
	double to_us = release->t50_us - 6e5 * exp(opens->value[ONSET_RAMP]);
	size_t from = ride_lower_bound(p->t_us, p->n, (int64_t)from_us), hint = 0;
	struct stretch s = {0};
	double first_m3 = NAN, last_m3 = NAN;
	for (size_t i = from; i < p->n && (double)p->t_us[i] < to_us; i++) {
		struct crank_state at;
		double t_us = (double)p->t_us[i];
		crank_at(c, t_us - lag_us, &hint, &at);
		if (at.flag != CRANK_GOOD || !(p->value[i] > 1e4f))
			return;
		last_m3 = mech_volume_m3(&v->mech, end, at.theta_rad);
		first_m3 = isnan(first_m3) ? last_m3 : first_m3;
		stretch_add(&s, log(last_m3), (t_us - from_us) * 1e-6, log((double)p->value[i]));
	}
	if (s.n >= 6 && last_m3 > 1.15 * first_m3)
		line_add(&v->watch.end[end].expansion, &s, (first_m3 + last_m3) / 2);
}

double watch_index(const struct watch_end *w)
{
	const struct watch_line *l = &w->expansion;
	return l->stretches >= 5 && l->vv > 0 ? -l->vp / l->vv : NAN;
}

double watch_loss(const struct watch_end *w, double index)
{
	const struct watch_line *l = &w->expansion;
	return l->stretches >= 5 && l->tt > 0 ? -(l->tp + index * l->vt) / l->tt : NAN;
}

/* --- one event --------------------------------------------------------------------- */

/* How many transitions of a line were commanded before a time. */
static size_t commanded_before(const struct passage_line *line, double t_us)
{
	size_t low = 0, high = line->n;
	while (low < high) {
		size_t middle = (low + high) / 2;
		if (line->at[middle].command_us < t_us)
			low = middle + 1;
		else
			high = middle;
	}
	return low;
}

/* The last transition of a line before a time that did happen, as far as is known. */
static const struct transition *last_before(const struct passage_line *line, double t_us)
{
	for (size_t i = commanded_before(line, t_us); i > 0; i--)
		if (!line->at[i - 1].dead)
			return &line->at[i - 1];
	return NULL;
}

/* How long the exhaust still stood open when the inlet opened; or, negative, had been shut. */
static void watch_overlap(struct valve_events *v, enum engine_end end, const struct transition *inlet)
{
	const struct passage_line *line = &v->chamber[end].line[ONSET_EXHAUST];
	const struct transition *shut = last_before(line, inlet->command_us + 3e4);
	if (shut != NULL && shut->found && !shut->opens && fabs(shut->t50_us - inlet->t50_us) < 5e4)
		mean_add(&v->watch.end[end].overlap_s, (shut->t50_us - inlet->t50_us) * 1e-6);
}

#define TURNING_RAD_S 3.0 /* a crank that is rocked passes the same angle again and again */

/* Counts openings that follow each other too soon, also where no sensor shows what came of them. */
static void watch_doubles(struct watch_doubles *d, double command_rad, double omega_rad_s)
{
	if (!(fabs(omega_rad_s) > TURNING_RAD_S))
		return;
	double since = fabs(command_rad - d->last_rad);
	if (d->turns > 0 && since < UNIT_PI)
		d->twice++;
	else
		d->turns++;
	d->last_rad = command_rad;
}

void watch_event(struct valve_events *v, const struct leg *leg, const struct crank *c,
                 const struct valve_event *e)
{
	enum engine_end end = (enum engine_end)e->end;
	enum onset_passage passage = valve_kind_passage((enum valve_event_kind)e->event);
	const struct passage_line *line = &v->chamber[end].line[passage];
	size_t i = commanded_before(line, e->command_t_us);
	if (!e->flagged && valve_kind_opens((enum valve_event_kind)e->event))
		watch_doubles(&v->watch.end[end].doubles[passage], e->command_rad, e->omega_rad_s);
	if (v->chamber[end].series == NULL || e->flagged || i == 0 || i == line->n)
		return;
	const struct transition *before = &line->at[i - 1], *now = &line->at[i];
	v->watch.end[end].turns += e->event == EVENT_ADMISSION;
	if (!now->opens)
		watch_level(v, leg, end, passage, before, now);
	if (e->event == EVENT_CUT_OFF && before->found) /* the exhaust before it is timed by now */
		watch_overlap(v, end, before);
	if (e->event != EVENT_RELEASE || !now->found)
		return;
	const struct transition *cut_off = last_before(&v->chamber[end].line[ONSET_INLET], e->command_t_us);
	if (cut_off != NULL && cut_off->found && !cut_off->opens)
		watch_expansion(v, c, end, cut_off, now);
}
