/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/valve_events_causes.h"

#include "analyse/delay.h"
#include "common/unit.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define EVENTS_LEAST 30      /* fewer say nothing (judgement) */
#define SUPPLY_SPAN_PA 0.5e5 /* changes below these drown in what else changes (judgement) */
#define BATTERY_SPAN_V 0.3
#define WARMTH_SPAN 0.05
#define TOGETHER 0.9     /* correlation beyond which the coil's warmth cannot be told from another cause */
#define MATTERS_S 0.5e-3 /* over the ride; less is not worth a line */

_Static_assert((int)VALVE_CAUSES == DELAY_CAUSES, "the plane takes as many");

static const double span_least[VALVE_CAUSES] = {SUPPLY_SPAN_PA, BATTERY_SPAN_V, WARMTH_SPAN};

void coil_switch(struct coil_warmth *c, double t_us, bool on)
{
	double passed_s = isfinite(c->at_us) ? fmax(t_us - c->at_us, 0) * 1e-6 : 0;
	c->warmth = c->on + (c->warmth - c->on) * exp(-passed_s / COIL_WARMS_S);
	c->at_us = t_us;
	c->on = on;
}

struct columns { /* of the events that have all of the causes in use */
	double *x[VALVE_CAUSES], *y;
	int64_t *turn;
	size_t n;
};

static double cause_of(const struct valve_kept *k, int j)
{
	const float cause[VALVE_CAUSES] = {k->supply_pa, k->battery_v, k->coil_warmth};
	return (double)cause[j];
}

static void fill(const struct valve_tally_group *g, const bool *use, struct columns *c)
{
	c->n = 0;
	for (size_t i = 0; i < g->n; i++) {
		const struct valve_kept *k = &g->kept[i];
		bool whole = !isnan(k->delay_s);
		for (int j = 0; j < VALVE_CAUSES; j++)
			whole = whole && (!use[j] || !isnan(cause_of(k, j)));
		if (!whole)
			continue;
		for (int j = 0; j < VALVE_CAUSES; j++)
			c->x[j][c->n] = cause_of(k, j);
		c->y[c->n] = (double)k->delay_s;
		c->turn[c->n++] = k->turn;
	}
}

/* Which causes the log shows at all, and how far they went. */
static int note_spans(const struct valve_tally_group *g, struct columns *c, struct valve_event_summary *out,
                      bool *use)
{
	for (int j = 0; j < VALVE_CAUSES; j++) {
		const bool alone[VALVE_CAUSES] = {j == CAUSE_SUPPLY, j == CAUSE_BATTERY, j == CAUSE_WARMTH};
		struct valve_event_cause *to = &out->cause[j];
		struct delay_cause span;
		fill(g, alone, c);
		use[j] = false;
		if (c->n < EVENTS_LEAST)
			continue;
		if (delay_span(c->x[j], c->n, &span) != 0)
			return -1;
		to->low = span.low;
		to->high = span.high;
		to->mean = span.mean;
		use[j] = to->high - to->low >= span_least[j];
	}
	return 0;
}

static int fit(const struct valve_tally_group *g, const bool *use, struct columns *c,
               struct valve_event_summary *out)
{
	const double *x[VALVE_CAUSES];
	int which[VALVE_CAUSES], n = 0;
	struct delay_plane plane;
	fill(g, use, c);
	for (int j = 0; j < VALVE_CAUSES; j++)
		if (use[j]) {
			x[n] = c->x[j];
			which[n++] = j;
		}
	if (n == 0 || c->n < EVENTS_LEAST)
		return 0;
	if (delay_plane(x, n, c->y, c->turn, c->n, &plane) != 0)
		return -1;
	for (int i = 0; i < n; i++) {
		struct valve_event_cause *to = &out->cause[which[i]];
		to->per = plane.cause[i].per;
		memcpy(to->per_ci95, plane.cause[i].per_ci95, sizeof(to->per_ci95));
		if (fabs(plane.cause[i].alike) > fabs(to->alike)) {
			to->alike = plane.cause[i].alike;
			to->with = which[plane.cause[i].with];
		}
	}
	return 0;
}

/* The coil's warmth, no measured cause, is held to be none of those that it cannot be told from: fits anew
 * without it. */
static int drop_warmth(const struct valve_tally_group *g, bool *use, struct columns *c,
                       struct valve_event_summary *out)
{
	struct valve_event_cause *w = &out->cause[CAUSE_WARMTH];
	if (!use[CAUSE_WARMTH] || !(fabs(w->alike) > TOGETHER))
		return 0;
	use[CAUSE_WARMTH] = false;
	w->per = w->per_ci95[0] = w->per_ci95[1] = NAN;
	return fit(g, use, c, out);
}

static void widen(struct valve_event_cause *c, double drift_sd_s)
{
	double doubt = 1.96 * drift_sd_s / ((c->high - c->low) / 2);
	c->per_ci95[0] = c->per - hypot(c->per - c->per_ci95[0], doubt);
	c->per_ci95[1] = c->per + hypot(c->per_ci95[1] - c->per, doubt);
}

int valve_causes(const struct valve_tally_group *g, double drift_sd_s, struct valve_event_summary *out)
{
	const struct valve_event_cause none = {NAN, {NAN, NAN}, NAN, NAN, NAN, 0, 0};
	bool use[VALVE_CAUSES];
	size_t room = g->n ? g->n : 1;
	double *store = malloc(sizeof(*store) * room * (VALVE_CAUSES + 1));
	struct columns c = {.turn = malloc(sizeof(*c.turn) * room)};
	int status = -1;
	for (int j = 0; j < VALVE_CAUSES; j++)
		out->cause[j] = none;
	if (store != NULL && c.turn != NULL) {
		for (int j = 0; j < VALVE_CAUSES; j++)
			c.x[j] = store + (size_t)j * room;
		c.y = store + VALVE_CAUSES * room;
		bool failed = note_spans(g, &c, out, use) != 0 || fit(g, use, &c, out) != 0 ||
		              drop_warmth(g, use, &c, out) != 0;
		status = failed ? -1 : 0;
		for (int j = 0; j < VALVE_CAUSES; j++)
			widen(&out->cause[j], drift_sd_s);
	}
	free(store);
	free(c.turn);
	return status;
}

/* --- words ------------------------------------------------------------------------ */

static bool sure(const struct valve_event_cause *c)
{
	return c->per_ci95[0] * c->per_ci95[1] > 0 && fabs(c->per) * (c->high - c->low) > MATTERS_S;
}

static void append(char *out, size_t size, const struct valve_event_cause *c, double unit, const char *per)
{
	size_t used = strlen(out);
	double sign = c->per > 0 ? 1 : -1, to_ms = sign * 1e3 * unit;
	double a = to_ms * c->per_ci95[0], b = to_ms * c->per_ci95[1];
	snprintf(out + used, size - used, "%s %.1f ms %s (%.1f to %.1f) %s", used ? "," : "", to_ms * c->per,
	         sign > 0 ? "more" : "less", fmin(a, b), fmax(a, b), per);
}

static void add(char *out, size_t size, const char *words)
{
	size_t used = strlen(out);
	snprintf(out + used, size - used, "%s", words);
}

const char *valve_causes_words(const struct valve_event_summary *s, char *out, size_t size)
{
	out[0] = '\0';
	const struct valve_event_cause *supply = &s->cause[CAUSE_SUPPLY], *battery = &s->cause[CAUSE_BATTERY];
	const struct valve_event_cause *warmth = &s->cause[CAUSE_WARMTH];
	if (sure(supply))
		append(out, size, supply, 1e5, "for each bar of supply");
	if (sure(battery))
		append(out, size, battery, 1, "for each volt of battery");
	if (sure(warmth))
		append(out, size, warmth, warmth->high - warmth->low, "as its coil warmed up");
	if (out[0] == '\0')
		return out;
	if (fabs(supply->alike) > TOGETHER && supply->with == CAUSE_BATTERY)
		add(out, size, "; supply and battery changed together, hard to tell apart");
	else if (fabs(warmth->alike) > TOGETHER)
		add(out, size, "; its coil warmed up meanwhile, which may be the cause");
	return out;
}

/* Of this cause: was it measured, and told for some event? */
static void survey(const struct valve_event_summary *s, size_t n, int j, double range[2], bool *seen,
                   bool *told)
{
	*seen = *told = false;
	range[0] = INFINITY;
	range[1] = -INFINITY;
	for (size_t i = 0; i < n; i++) {
		const struct valve_event_cause *c = &s[i].cause[j];
		*seen = *seen || isfinite(c->low);
		*told = *told || isfinite(c->per);
		range[0] = fmin(range[0], c->low);
		range[1] = fmax(range[1], c->high);
	}
}

const char *valve_causes_unknown(const struct valve_event_summary *s, size_t n, char *out, size_t size)
{
	enum { MEASURED = 2 };
	static const char *const name[MEASURED] = {"supply pressure", "battery voltage"};
	static const char *const unit[MEASURED] = {"bar", "V"};
	static const double to[MEASURED] = {1e-5, 1};
	size_t used = 0;
	out[0] = '\0';
	for (int j = 0; j < MEASURED; j++) {
		double range[2];
		bool seen, told;
		survey(s, n, j, range, &seen, &told);
		if (seen && !told)
			used += (size_t)snprintf(out + used, size - used, "%s%s (by %.2f %s)",
			                         used ? " and " : "", name[j], to[j] * (range[1] - range[0]),
			                         unit[j]);
	}
	if (used > 0 && used < size)
		snprintf(out + used, size - used,
		         " changed too little to see whether the delays depend on %s",
		         strstr(out, " and ") ? "them" : "it");
	return out;
}
