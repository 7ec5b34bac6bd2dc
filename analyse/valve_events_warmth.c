/* SPDX-License-Identifier: GPL-3.0-or-later */
/* How warm the air of an end is, from the pressures before.  Its mass is followed over two turns by the first
 * law: with p, V and which passage stood open, it says how much came in (as warm as the walls) or left (as
 * warm as it was itself),
 *
 *   gamma F dt = d(p V) + (gamma - 1) p dV - (gamma - 1) H (1 - T/Tw) dt,   T/Tw = p V / M
 *
 * with the letters of onset.h; no passage's flow need be known, but for what the exhaust lets out while the
 * inlet stands open, too. */
#include "analyse/trend.h"
#include "analyse/valve_events_internal.h"

#include "common/air.h"
#include "common/unit.h"

#include <math.h>

#define TURNS 2.0          /* to begin before: most of what was there then has left since */
#define LOOKS_PER_TURN 120 /* where there are as many samples */
#define LOOKS_LEAST 20
#define WARM_LEAST 0.4 /* times the walls' temperature: beyond, pressure or volume is wrong */
#define WARM_MOST 2.5

struct look { /* at the chamber: the mean of some samples */
	double t_us, p_pa, volume_m3;
	bool beyond; /* what the converter shows */
};

struct balance {
	const struct valve_events *v;
	const struct crank *crank;
	enum engine_end end;
	size_t next[2];   /* transition of either passage */
	bool open[2];     /* [enum onset_passage] */
	double k_m3_s, b; /* of the exhaust */
	double heat_w, wall, wall_per_m3;
	double m_j; /* the air's mass x R Tw; NAN once it is lost */
};

static double clamp(double x, double low, double high)
{
	return x < low ? low : x > high ? high : x; /* NAN stays */
}

/* As the gauge shows it, put right by what was learned of it. */
static double true_pa(const struct valve_events *v, enum engine_end end, double shown_pa)
{
	const double *x = v->group[end][EVENT_RELEASE].value;
	double ambient = v->engine.ambient_pa;
	return fmax(ambient + (shown_pa - x[ONSET_ZERO] - ambient) / (1 + x[ONSET_GAIN]), ambient / 10);
}

static bool look_at(const struct balance *b, size_t first, size_t n, size_t *hint, struct look *out)
{
	const struct chamber *ch = &b->v->chamber[b->end];
	const struct ride_series *s = ch->series;
	struct crank_state at;
	double t = 0, p = 0;
	out->beyond = false;
	for (size_t i = first; i < first + n; i++) {
		t += (double)(s->t_us[i] - s->t_us[first]);
		p += (double)s->value[i];
		out->beyond |= ch->top_rail > 0 && s->counts[i] >= ch->top_rail;
	}
	out->t_us = (double)s->t_us[first] + t / (double)n - 1e6 * b->v->lag_s[b->end];
	out->p_pa = true_pa(b->v, b->end, p / (double)n);
	crank_at(b->crank, out->t_us, hint, &at);
	out->volume_m3 = mech_volume_m3(&b->v->mech, b->end, at.theta_rad);
	return at.flag == CRANK_GOOD;
}

/* Which passages are open at a time; times rise from call to call. */
static void stand(struct balance *b, double t_us)
{
	for (int p = 0; p < 2; p++) {
		const struct passage_line *line = &b->v->chamber[b->end].line[p];
		for (; b->next[p] < line->n && line->at[b->next[p]].t50_us <= t_us; b->next[p]++)
			if (!line->at[b->next[p]].dead)
				b->open[p] = line->at[b->next[p]].opens;
	}
}

/* Flow out through the exhaust, W, when the air is so warm. */
static double outflow(const struct balance *b, double p_pa, double warm)
{
	double ratio = b->v->engine.ambient_pa / p_pa;
	return ratio < 1 ? b->k_m3_s * p_pa * air_flow_function(ratio, b->b) * sqrt(warm) : 0;
}

/* From one look to the next. */
static void follow(struct balance *b, const struct look *from, const struct look *to)
{
	double dt_s = (to->t_us - from->t_us) * 1e-6, stored_j = to->p_pa * to->volume_m3;
	double p = (from->p_pa + to->p_pa) / 2, volume = (from->volume_m3 + to->volume_m3) / 2;
	double warm = clamp(p * volume / b->m_j, WARM_LEAST, WARM_MOST);
	double heat_j = b->heat_w * (b->wall + b->wall_per_m3 * volume) * (1 - warm) * dt_s;
	double net_j = (stored_j - from->p_pa * from->volume_m3 +
	                (AIR_GAMMA - 1) * (p * (to->volume_m3 - from->volume_m3) - heat_j)) /
	               AIR_GAMMA;
	stand(b, (from->t_us + to->t_us) / 2);
	if (!b->open[ONSET_INLET] && !b->open[ONSET_EXHAUST])
		return;
	if (from->beyond || to->beyond)
		b->m_j = NAN;
	if (!b->open[ONSET_INLET])
		b->m_j *= exp(net_j / (p * volume));
	else if (!b->open[ONSET_EXHAUST])
		b->m_j += net_j;
	else
		b->m_j += net_j + outflow(b, p, warm) * (1 - 1 / warm) * dt_s;
	b->m_j = clamp(b->m_j, stored_j / WARM_MOST, stored_j / WARM_LEAST);
}

static void begin(struct balance *b, const struct look *first)
{
	for (int p = 0; p < 2; p++) {
		const struct passage_line *line = &b->v->chamber[b->end].line[p];
		b->open[p] = line->n > 0 && !line->at[0].opens;
		b->next[p] = 0;
	}
	stand(b, first->t_us);
	b->m_j = first->p_pa * first->volume_m3;
}

/* The balance over samples first..last - 1, `each` at a time, the last ones whole. */
static double balance_over(struct balance *b, size_t first, size_t last, size_t each)
{
	struct look from, to;
	size_t hint = 0;
	first = last - (last - first) / each * each;
	if (!look_at(b, first, each, &hint, &from))
		return NAN;
	begin(b, &from);
	for (size_t i = first + each; i < last; i += each) {
		if (!look_at(b, i, each, &hint, &to))
			return NAN;
		follow(b, &from, &to);
		from = to;
	}
	return b->m_j;
}

double valve_window_warmth(const struct valve_events *v, const struct crank *c, enum engine_end end,
                           const struct onset_window *w, double command_us)
{
	const struct ride_series *s = v->chamber[end].series;
	const double *x = v->group[end][EVENT_RELEASE].value;
	double to_us = command_us + 1e6 * w->start_s, turn_us = 2e5 * UNIT_PI / exp(w->log_speed);
	size_t first = ride_lower_bound(s->t_us, s->n, (int64_t)(to_us - TURNS * turn_us));
	size_t last = ride_lower_bound(s->t_us, s->n, (int64_t)to_us);
	size_t each = (size_t)fmax(turn_us / LOOKS_PER_TURN / v->chamber[end].interval_us, 1);
	if (first == 0 || last < first + LOOKS_LEAST * each)
		return NAN;
	struct balance b = {.v = v, .crank = c, .end = end};
	b.k_m3_s = valve_other_k(v, end, ONSET_EXHAUST);
	b.b = x[ONSET_B];
	b.heat_w = exp(x[ONSET_HEAT]);
	valve_walls(v, end, &b.wall, &b.wall_per_m3);
	double m_j = balance_over(&b, first, last, each);
	double p_pa = true_pa(v, end, exp(onset_start(w, w->t_s[w->n - 1])));
	return log(p_pa / m_j) + w->log_volume[0];
}

#define SLOPE_SD 0.15 /* of what is known of it beforehand (judgement) */

/* The slope as far as the speeds tell it. */
static double told_slope(const struct trend *t)
{
	return t->c[1] * SLOPE_SD * SLOPE_SD / (SLOPE_SD * SLOPE_SD + t->cov[1][1]);
}

struct warmth valve_batch_warmth(const struct valve_events *v, const struct crank *c, enum engine_end end,
                                 const struct batch *b)
{
	double warmth[LEARN_WINDOWS], log_speed[LEARN_WINDOWS];
	int64_t turn[LEARN_WINDOWS];
	size_t n = 0;
	for (size_t i = 0; i < b->n; i++) {
		if (!b->use[i])
			continue;
		warmth[n] = valve_window_warmth(v, c, end, &b->window[i], b->command_us[i]);
		log_speed[n] = b->window[i].log_speed;
		turn[n] = (int64_t)n;
		if (!isnan(warmth[n]))
			n++;
	}
	const double *x[TREND_TERMS] = {NULL, log_speed};
	struct trend t;
	if (trend_fit(warmth, x, 2, turn, n, &t))
		return (struct warmth){true, t.c[0] - told_slope(&t) * t.mean[1], told_slope(&t), t.scatter};
	if (trend_fit(warmth, x, 1, turn, n, &t)) /* one speed */
		return (struct warmth){true, t.c[0], 0, t.scatter};
	return (struct warmth){.known = false};
}
