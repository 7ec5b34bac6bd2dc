/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/valve_events_watch.h"

#include "analyse/valve_events_internal.h"

#include "common/air.h"
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
	if (passage == ONSET_INLET)
		mean_add(&v->watch.end[end].supply_gauge_pa, supply - ambient);
	if (supply > ambient + 5e4)
		mean_add(&v->watch.end[end].open_level[passage], (p - ambient) / (supply - ambient));
}

/* --- the shut stretch between cut-off and release ---------------------------------- */

struct line { /* sums for a slope */
	double n, x, y, xx, xy;
};

static void line_add(struct line *l, double x, double y)
{
	l->n++;
	l->x += x;
	l->y += y;
	l->xx += x * x;
	l->xy += x * y;
}

static double line_slope(const struct line *l)
{
	return (l->xy - l->x * l->y / l->n) / (l->xx - l->x * l->x / l->n);
}

#define LAG_STEP_S 1e-3
#define ZERO_STEP_PA 1e3
#define SAMPLES_LEAST 6
#define VOLUME_RATIO_LEAST 1.15
#define LAGS_WAITED 3 /* until the sensor follows */

/* How far a movement reaches before and after its half: to be on the safe side, by what is not known of it.
 */
static double reach_us(const struct valve_events *v, enum engine_end end, enum valve_event_kind k,
                       const struct transition *t)
{
	const struct group *g = &v->group[end][k];
	double doubt = isfinite(g->ramp_sd) ? fmin(g->ramp_sd, 1) : 0.5;
	return 0.55e6 * exp(g->value[ONSET_RAMP] + doubt) + 2 * t->sd_us;
}

struct sums {
	struct line index, later, lower; /* as is; for a longer lag; for a gauge that reads too low */
	double first_m3, last_m3, first_us, last_us;
};

/* False where the angle is not known. */
static bool add_sample(const struct valve_events *v, const struct crank *c, enum engine_end end, double t_us,
                       double pa, size_t *hint, struct sums *s)
{
	struct crank_state at;
	crank_at(c, t_us - 1e6 * v->lag_s[end], hint, &at);
	if (at.flag != CRANK_GOOD || !(pa > 1e4))
		return false;
	double back_rad = at.omega_rad_s * LAG_STEP_S;
	double m3 = mech_volume_m3(&v->mech, end, at.theta_rad);
	double before_m3 = m3 - mech_dvolume_m3(&v->mech, end, at.theta_rad) * back_rad;
	line_add(&s->index, log(m3), log(pa));
	line_add(&s->later, log(before_m3), log(pa));
	line_add(&s->lower, log(m3), log(pa + ZERO_STEP_PA));
	s->first_m3 = isnan(s->first_m3) ? m3 : s->first_m3;
	s->first_us = isnan(s->first_us) ? t_us : s->first_us;
	s->last_m3 = m3;
	s->last_us = t_us;
	return true;
}

static void keep_stretch(struct expansion *x, const struct sums *s, int64_t turn)
{
	if (s->index.n < SAMPLES_LEAST || !(s->last_m3 > VOLUME_RATIO_LEAST * s->first_m3))
		return;
	double index = -line_slope(&s->index);
	const struct expansion_stretch stretch = {
	    .turn = turn,
	    .index = (float)index,
	    .slow_s = (float)(1e-6 * (s->last_us - s->first_us) / log(s->last_m3 / s->first_m3)),
	    .per_lag = (float)((-line_slope(&s->later) - index) / LAG_STEP_S),
	    .per_pa = (float)((-line_slope(&s->lower) - index) / ZERO_STEP_PA),
	    .volume_m3 = (float)((s->first_m3 + s->last_m3) / 2)};
	expansion_add(x, &stretch);
}

/* Cut-off and release of one stroke, or has the crank gone round in between? */
static bool one_stroke(const struct crank *c, const struct transition *cut_off,
                       const struct transition *release)
{
	struct crank_state from, to;
	size_t hint = 0;
	crank_at(c, cut_off->t50_us, &hint, &from);
	crank_at(c, release->t50_us, &hint, &to);
	return from.flag == CRANK_GOOD && to.flag == CRANK_GOOD &&
	       fabs(to.theta_rad - from.theta_rad) < UNIT_PI;
}

static void watch_expansion(struct valve_events *v, const struct crank *c, enum engine_end end,
                            const struct transition *cut_off, const struct transition *release, int64_t turn)
{
	const struct ride_series *p = v->chamber[end].series;
	struct sums s = {.first_m3 = NAN, .first_us = NAN};
	size_t hint = 0;
	if (!one_stroke(c, cut_off, release))
		return;
	double from_us =
	    cut_off->t50_us + reach_us(v, end, EVENT_CUT_OFF, cut_off) + 1e6 * LAGS_WAITED * v->lag_s[end];
	double to_us = release->t50_us - reach_us(v, end, EVENT_RELEASE, release);
	for (size_t i = ride_lower_bound(p->t_us, p->n, (int64_t)from_us);
	     i < p->n && (double)p->t_us[i] < to_us; i++)
		if (!add_sample(v, c, end, (double)p->t_us[i], (double)p->value[i], &hint, &s))
			return;
	keep_stretch(&v->watch.end[end].expansion, &s, turn);
}

int watch_judge_expansions(struct valve_events *v)
{
	for (int end = 0; end < END_COUNT; end++) {
		struct watch_end *w = &v->watch.end[end];
		if (expansion_judge(&w->expansion, v->lag_sd_s[end], &w->tight) != 0)
			return -1;
	}
	return 0;
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

/* How fast the piston alone would change the pressure when a passage is shut. */
static void watch_rate(struct valve_events *v, const struct crank *c, enum engine_end end,
                       enum onset_passage passage, const struct transition *shut)
{
	struct crank_state at;
	size_t hint = 0;
	crank_at(c, shut->t50_us, &hint, &at);
	double pa = ride_series_at(v->chamber[end].series, shut->t50_us, 2e4);
	double share_s = mech_dvolume_m3(&v->mech, end, at.theta_rad) * at.omega_rad_s /
	                 mech_volume_m3(&v->mech, end, at.theta_rad);
	mean_add(&v->watch.end[end].rate_pa_s[passage], AIR_GAMMA * pa * fabs(share_s));
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
	if (!now->opens && now->found)
		watch_rate(v, c, end, passage, now);
	if (e->event == EVENT_CUT_OFF && before->found) /* the exhaust before it is timed by now */
		watch_overlap(v, end, before);
	if (e->event != EVENT_RELEASE || !now->found)
		return;
	const struct transition *cut_off = last_before(&v->chamber[end].line[ONSET_INLET], e->command_t_us);
	/* one that fits no model, as with a wrong clearance, has shut about then all the same */
	bool shut = cut_off != NULL && !cut_off->opens && !cut_off->dead;
	if (shut && (cut_off->found || v->group[end][EVENT_CUT_OFF].learned))
		watch_expansion(v, c, end, cut_off, now, e->revolution);
}
