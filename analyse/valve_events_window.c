/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Cuts the piece of a leg in which one event lies, and nothing but this event. */
#include "analyse/valve_events_internal.h"

#include "common/air.h"
#include "common/unit.h"

#include <math.h>
#include <string.h>

#define MARGIN_US 1500.0 /* around a neighbour's movement */
#define STRIDE 4         /* grid cells between two looks at the crank */

struct span {
	double from_us, to_us;
};

static double ramp_us(const struct valve_events *v, enum engine_end end, enum valve_event_kind k)
{
	return 1e6 * exp(v->group[end][k].value[ONSET_RAMP]);
}

static double half_ramp_of(const struct valve_events *v, enum engine_end end, enum onset_passage passage,
                           const struct transition *t)
{
	return ramp_us(v, end, valve_kind(passage, t->opens)) / 2;
}

/* How much is looked at before and after: by the turn, not by the clock; before a release twice as long, as
 * what it is told from runs on without it; after an opening also as long as the chamber needs to fill or to
 * empty, V / (gamma K); and some samples in any case. */
static struct span wanted_span(const struct transition *t, enum onset_passage passage, double omega_rad_s,
                               double settle_s, double interval_us, double late_s)
{
	double scale = fmin(fmax(unit_rad(600) / fmax(fabs(omega_rad_s), 0.1), 0.5), 2);
	double opening_us = passage == ONSET_EXHAUST ? 80e3 : 40e3;
	double before_us = (t->opens ? opening_us : 12e3) * scale;
	double after_us = t->opens ? fmin(fmax(1e6 * settle_s, 12e3 * scale), 60e3 * scale) : 40e3 * scale;
	before_us = fmax(before_us, 5 * interval_us);
	after_us = fmax(after_us, 6 * interval_us) + 1e6 * late_s;
	return (struct span){.from_us = fmin(t->command_us - 2000, t->t50_us - before_us),
	                     .to_us = t->t50_us + after_us};
}

/* The transitions of a line that can matter to a span. */
static size_t first_near(const struct passage_line *line, double t_us)
{
	size_t low = 0, high = line->n;
	while (low < high) {
		size_t middle = (low + high) / 2;
		if (line->at[middle].t50_us < t_us)
			low = middle + 1;
		else
			high = middle;
	}
	return low > 2 ? low - 2 : 0;
}

/* The nearest movement of the other passage, if it is too near for the span to end before it:
 * then it is taken along, with a time of its own. */
static const struct transition *overlap(const struct valve_events *v, enum engine_end end,
                                        enum onset_passage passage, const struct transition *t)
{
	enum onset_passage other = passage == ONSET_INLET ? ONSET_EXHAUST : ONSET_INLET;
	const struct passage_line *line = &v->chamber[end].line[other];
	const struct transition *nearest = NULL;
	double own_half = half_ramp_of(v, end, passage, t), least = INFINITY;
	for (size_t i = first_near(line, t->t50_us); i < line->n; i++) {
		const struct transition *o = &line->at[i];
		double apart = fabs(o->t50_us - t->t50_us);
		double free_us = apart - own_half - half_ramp_of(v, end, other, o) - MARGIN_US;
		bool before = o->t50_us < t->t50_us;
		double needed = before ? (t->opens ? 6e3 : 4e3) : (t->opens ? 5e3 : 15e3);
		if (!o->dead && free_us < needed && apart < least) {
			least = apart;
			nearest = o;
		}
		if (o->t50_us > t->t50_us + 1e5)
			break;
	}
	return nearest;
}

/* Ends the span before another movement, or `along_us` behind it where it is taken along. */
static void clip_at(const struct valve_events *v, enum engine_end end, enum onset_passage passage,
                    const struct transition *other, const struct transition *t, double along_us,
                    struct span *s)
{
	double half = half_ramp_of(v, end, passage, other) + MARGIN_US;
	double reach = along_us > 0 ? -half - along_us : half;
	if (other->dead || other == t)
		return;
	if (other->t50_us < t->t50_us)
		s->from_us = fmax(s->from_us, fmin(other->t50_us + reach, t->t50_us));
	else
		s->to_us = fmin(s->to_us, fmax(other->t50_us - reach, t->t50_us));
}

static void clip(const struct valve_events *v, enum engine_end end, const struct transition *t,
                 const struct transition *along, double late_s, struct span *s)
{
	double along_us = 5e3 + 1e6 * late_s;
	for (int p = 0; p < 2; p++) {
		const struct passage_line *line = &v->chamber[end].line[p];
		struct span wide = *s;
		for (size_t i = first_near(line, wide.from_us); i < line->n; i++) {
			if (line->at[i].t50_us > wide.to_us + 1e5)
				break;
			clip_at(v, end, (enum onset_passage)p, &line->at[i], t,
			        &line->at[i] == along ? along_us : 0, s);
		}
	}
}

/* Is a passage open at a time at which none of its movements is under way? */
static bool open_at(const struct passage_line *line, double t_us)
{
	bool open = false, any = false;
	for (size_t i = first_near(line, t_us); i < line->n; i++) {
		if (line->at[i].dead)
			continue;
		if (any && line->at[i].t50_us > t_us)
			break;
		open = line->at[i].t50_us <= t_us ? line->at[i].opens : !line->at[i].opens;
		any = true;
	}
	return open;
}

static void fill_other(const struct valve_events *v, enum engine_end end, enum onset_passage passage,
                       const struct transition *t, const struct transition *along, struct onset_window *w)
{
	enum onset_passage other = passage == ONSET_INLET ? ONSET_EXHAUST : ONSET_INLET;
	w->other.k_m3_s = valve_other_k(v, end, other);
	w->other.moves = along != NULL;
	if (along == NULL) {
		w->other.opening = open_at(&v->chamber[end].line[other], t->t50_us);
		return;
	}
	w->other.opening = along->opens;
	w->other.t50_s = (along->t50_us - t->command_us) * 1e-6;
	w->other.ramp_s = 2e-6 * half_ramp_of(v, end, other, along);
	w->other.shape = v->group[end][valve_kind(other, along->opens)].value[ONSET_SHAPE];
}

struct node { /* log volume and its rate */
	double log_volume, rate;
};

static bool node_at(const struct valve_events *v, const struct crank *c, enum engine_end end, double t_us,
                    size_t *hint, struct node *out)
{
	struct crank_state s;
	crank_at(c, t_us, hint, &s);
	if (s.flag != CRANK_GOOD)
		return false;
	double volume = mech_volume_m3(&v->mech, end, s.theta_rad);
	out->log_volume = log(volume);
	out->rate = mech_dvolume_m3(&v->mech, end, s.theta_rad) * s.omega_rad_s / volume;
	return true;
}

/* Cubic between two looks at the crank. */
static double hermite(const struct node *a, const struct node *b, double span_s, double u)
{
	double d = b->log_volume - a->log_volume;
	double ra = a->rate * span_s - d, rb = b->rate * span_s - d;
	return a->log_volume + u * d + u * (1 - u) * ((1 - u) * ra - u * rb);
}

static bool fill_volumes(const struct valve_events *v, const struct crank *c, enum engine_end end,
                         double command_us, struct onset_window *w)
{
	size_t hint = 0;
	struct node a, b;
	double from_us = command_us + 1e6 * w->start_s, span_s = STRIDE * w->step_s;
	if (!node_at(v, c, end, from_us, &hint, &a))
		return false;
	for (size_t k = 0; k < w->cells; k += STRIDE) {
		if (!node_at(v, c, end, from_us + 1e6 * w->step_s * (double)(k + STRIDE), &hint, &b))
			return false;
		for (size_t j = 0; j < STRIDE; j++) {
			double u = (double)j / STRIDE;
			w->log_volume[k + j] = hermite(&a, &b, span_s, u);
			w->volume_m3[k + j] = exp(hermite(&a, &b, span_s, u + 0.5 / STRIDE));
		}
		a = b;
	}
	w->log_volume[w->cells] = a.log_volume;
	return true;
}

void valve_walls(const struct valve_events *v, enum engine_end end, double *wall, double *wall_per_m3)
{
	double area = v->mech.area_m2[end], around = UNIT_PI * v->engine.bore_m;
	double half = 2 * area + around * v->mech.stroke_m / 2;
	*wall = (2 * area - around * v->mech.clearance_m3[end] / area) / half;
	*wall_per_m3 = around / area / half;
}

static bool fill_supply(const struct valve_events *v, const struct leg *leg, enum engine_end end,
                        double command_us, struct onset_window *w)
{
	size_t hint = 0;
	for (size_t k = 0; k < w->cells; k++) {
		double t_us = command_us + 1e6 * (w->start_s + ((double)k + 0.5) * w->step_s);
		w->supply_pa[k] = valve_supply_at(v, leg, end, t_us, &hint);
		if (!isfinite(w->supply_pa[k]))
			return false;
	}
	return true;
}

/* Samples of the span; every 2nd, 3rd ... when there are too many.  False
 * where a hole would hide the event. */
static bool fill_samples(const struct chamber *ch, double command_us, struct span span, double t50_us,
                         struct onset_window *w)
{
	const struct ride_series *s = ch->series;
	size_t from = ride_lower_bound(s->t_us, s->n, (int64_t)ceil(span.from_us));
	size_t to = ride_lower_bound(s->t_us, s->n, (int64_t)floor(span.to_us));
	w->n = 0;
	if (to < from + 5)
		return false;
	size_t step = (to - from) / ONSET_SAMPLES_MAX + 1;
	for (size_t i = from; i < to; i += step) {
		if (s->counts[i] == 0 || (ch->top_rail > 0 && s->counts[i] >= ch->top_rail))
			continue; /* beyond what the converter shows */
		w->t_s[w->n] = ((double)s->t_us[i] - command_us) * 1e-6;
		w->p_pa[w->n++] = (double)s->value[i];
	}
	if (w->n < 5)
		return false;
	double t50 = (t50_us - command_us) * 1e-6;
	double hole = 4e-6 * (double)step * ch->interval_us;
	for (size_t i = 1; i < w->n; i++)
		if (w->t_s[i] - w->t_s[i - 1] > hole && w->t_s[i] > t50 - 0.01 && w->t_s[i - 1] < t50 + 0.01)
			return false;
	return true;
}

static void fill_prior(const struct group *g, const struct onset_window *w, double interval_us,
                       struct onset_prior *prior)
{
	memcpy(prior->mean, g->value, sizeof(prior->mean));
	memcpy(prior->sd, g->sd, sizeof(prior->sd));
	prior->mean[ONSET_T50] = g->delay_s;
	prior->sd[ONSET_T50] = g->scale_s;
	prior->sd[ONSET_P0] = INFINITY;
	double ramp = exp(g->value[ONSET_RAMP]);
	double end = w->start_s + (double)w->cells * w->step_s;
	/* At least two samples or the half ramp must show what came of it. */
	prior->earliest_s = fmax(-1e-3, w->start_s + 1e-3);
	prior->latest_s = end - fmax(ramp / 2, 2e-6 * interval_us);
}

double valve_other_k(const struct valve_events *v, enum engine_end end, enum onset_passage other)
{
	const struct group *opens = &v->group[end][valve_kind(other, true)];
	const struct group *shuts = &v->group[end][valve_kind(other, false)];
	if (opens->learned != shuts->learned) /* one passage: what is known of it */
		return exp((opens->learned ? opens : shuts)->value[ONSET_K]);
	return exp((opens->value[ONSET_K] + shuts->value[ONSET_K]) / 2);
}

/* How far off the other passage's movement may be from where it is taken to be. */
static double other_spread(const struct valve_events *v, enum engine_end end, enum onset_passage passage,
                           const struct transition *along)
{
	enum onset_passage other = passage == ONSET_INLET ? ONSET_EXHAUST : ONSET_INLET;
	const struct group *g = &v->group[end][valve_kind(other, along->opens)];
	return along->found ? fmax(along->sd_us * 1e-6, 0.2e-3) : g->spread_s;
}

/* Did the end miss a movement within the last turn or so?  Then its air has
 * another temperature than usual. */
static bool unusual_before(const struct valve_events *v, enum engine_end end, const struct transition *t)
{
	for (int p = 0; p < 2; p++) {
		const struct passage_line *line = &v->chamber[end].line[p];
		size_t i = first_near(line, t->t50_us);
		for (size_t k = i > 1 ? i - 1 : 0; k < line->n && line->at[k].command_us < t->command_us; k++)
			if (line->at[k].dead)
				return true;
	}
	return false;
}

#define UNUSUAL_SD 0.1 /* of log T/Tw told from the pressures before (judgement) */
#define UNKNOWN_SD 0.3 /* of what is taken to be as usual, but is not */

static void expect_unusual(const struct valve_events *v, const struct crank *c, enum engine_end end,
                           double command_us, const struct onset_window *w, struct onset_prior *prior)
{
	double warmth = valve_window_warmth(v, c, end, w, command_us);
	prior->sd[ONSET_WARM0] = isnan(warmth) ? UNKNOWN_SD : UNUSUAL_SD;
	if (!isnan(warmth))
		prior->mean[ONSET_WARM0] = warmth - prior->mean[ONSET_WARM_SPEED] * w->log_speed;
}

bool valve_window(const struct valve_events *v, const struct leg *leg, const struct crank *c,
                  enum engine_end end, enum onset_passage passage, const struct transition *t, double late_s,
                  struct onset_window *w, struct onset_prior *prior)
{
	const struct chamber *ch = &v->chamber[end];
	struct crank_state at;
	size_t hint = 0;
	if (ch->series == NULL)
		return false;
	crank_at(c, t->command_us, &hint, &at);
	const struct group *g = &v->group[end][valve_kind(passage, t->opens)];
	double settle_s = mech_volume_m3(&v->mech, end, at.theta_rad) / (AIR_GAMMA * exp(g->value[ONSET_K]));
	struct span span = wanted_span(t, passage, at.omega_rad_s, settle_s, ch->interval_us, late_s);
	const struct transition *along = overlap(v, end, passage, t);
	clip(v, end, t, along, late_s, &span);
	if (!(span.to_us > span.from_us + 4000))
		return false;
	w->passage = passage;
	w->opening = t->opens;
	w->start_s = (span.from_us - t->command_us) * 1e-6;
	double length = (span.to_us - span.from_us) * 1e-6;
	bool steep = (passage == ONSET_INLET && t->opens) || along != NULL;
	double fine_s = fmin(fmax(settle_s / 6, 0.2e-3), 0.5e-3); /* a small chamber fills at once */
	w->step_s = fmax(length / (ONSET_CELLS_MAX - STRIDE), steep ? fine_s : 1e-3);
	w->cells = STRIDE * (size_t)ceil(length / w->step_s / STRIDE);
	w->log_speed = log(fmax(fabs(at.omega_rad_s), 1) / 10);
	w->ambient_pa = v->engine.ambient_pa;
	w->noise_pa = ch->noise_pa * g->noise_factor;
	if (!fill_samples(ch, t->command_us, span, t->t50_us, w) ||
	    !fill_volumes(v, c, end, t->command_us, w) || !fill_supply(v, leg, end, t->command_us, w))
		return false;
	valve_walls(v, end, &w->wall, &w->wall_per_m3);
	fill_other(v, end, passage, t, along, w);
	fill_prior(g, w, ch->interval_us, prior);
	if (along != NULL)
		prior->sd[ONSET_OTHER] = other_spread(v, end, passage, along);
	if (unusual_before(v, end, t))
		expect_unusual(v, c, end, t->command_us, w, prior);
	return prior->latest_s > prior->earliest_s;
}
