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
#define MATTERS_S 0.5e-3 /* over the ride; less is not worth a line */

static const double span_least[DELAY_CAUSES] = {SUPPLY_SPAN_PA, BATTERY_SPAN_V};

struct columns { /* of the events that have all of the causes in use */
	double *x[DELAY_CAUSES], *y;
	int64_t *turn;
	size_t n;
};

static double cause_of(const struct valve_kept *k, int j)
{
	return (double)(j == 0 ? k->supply_pa : k->battery_v);
}

static void fill(const struct valve_tally_group *g, const bool *use, struct columns *c)
{
	c->n = 0;
	for (size_t i = 0; i < g->n; i++) {
		const struct valve_kept *k = &g->kept[i];
		bool whole = !isnan(k->delay_s);
		for (int j = 0; j < DELAY_CAUSES; j++)
			whole = whole && (!use[j] || !isnan(cause_of(k, j)));
		if (!whole)
			continue;
		for (int j = 0; j < DELAY_CAUSES; j++)
			c->x[j][c->n] = cause_of(k, j);
		c->y[c->n] = (double)k->delay_s;
		c->turn[c->n++] = k->turn;
	}
}

static struct valve_event_cause *place(struct valve_event_summary *out, int j)
{
	return j == 0 ? &out->supply : &out->battery;
}

/* Which causes the log shows at all, and how far they went. */
static void note_spans(const struct valve_tally_group *g, struct columns *c, struct valve_event_summary *out,
                       bool *use)
{
	for (int j = 0; j < DELAY_CAUSES; j++) {
		const bool alone[DELAY_CAUSES] = {j == 0, j == 1};
		const double *x[1] = {c->x[j]};
		struct delay_plane one;
		struct valve_event_cause *to = place(out, j);
		fill(g, alone, c);
		use[j] = false;
		if (c->n < EVENTS_LEAST || delay_plane(x, 1, c->y, c->turn, c->n, &one) != 0)
			continue;
		to->low = one.cause[0].low;
		to->high = one.cause[0].high;
		to->mean = one.cause[0].mean;
		use[j] = to->high - to->low >= span_least[j];
	}
}

static int fit(const struct valve_tally_group *g, const bool *use, struct columns *c,
               struct valve_event_summary *out)
{
	const double *x[DELAY_CAUSES];
	int which[DELAY_CAUSES], n = 0;
	struct delay_plane plane;
	fill(g, use, c);
	for (int j = 0; j < DELAY_CAUSES; j++)
		if (use[j]) {
			x[n] = c->x[j];
			which[n++] = j;
		}
	if (n == 0 || c->n < EVENTS_LEAST)
		return 0;
	if (delay_plane(x, n, c->y, c->turn, c->n, &plane) != 0)
		return -1;
	for (int i = 0; i < n; i++) {
		struct valve_event_cause *to = place(out, which[i]);
		to->per = plane.cause[i].per;
		memcpy(to->per_ci95, plane.cause[i].per_ci95, sizeof(to->per_ci95));
		to->alike = plane.alike;
	}
	return 0;
}

static void widen(struct valve_event_cause *c, double drift_sd_s)
{
	double doubt = 1.96 * drift_sd_s / ((c->high - c->low) / 2);
	c->per_ci95[0] = c->per - hypot(c->per - c->per_ci95[0], doubt);
	c->per_ci95[1] = c->per + hypot(c->per_ci95[1] - c->per, doubt);
}

int valve_causes(const struct valve_tally_group *g, double drift_sd_s, struct valve_event_summary *out)
{
	const struct valve_event_cause none = {NAN, {NAN, NAN}, NAN, NAN, NAN, 0};
	bool use[DELAY_CAUSES];
	size_t room = g->n ? g->n : 1;
	double *store = malloc(sizeof(*store) * room * (DELAY_CAUSES + 1));
	struct columns c = {.turn = malloc(sizeof(*c.turn) * room)};
	int status = -1;
	out->supply = out->battery = none;
	if (store != NULL && c.turn != NULL) {
		for (int j = 0; j < DELAY_CAUSES; j++)
			c.x[j] = store + (size_t)j * room;
		c.y = store + DELAY_CAUSES * room;
		note_spans(g, &c, out, use);
		status = fit(g, use, &c, out);
		widen(&out->supply, drift_sd_s);
		widen(&out->battery, drift_sd_s);
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
	snprintf(out + used, size - used, "%s %.1f ms %s (%.1f to %.1f) for each %s", used ? "," : "",
	         to_ms * c->per, sign > 0 ? "more" : "less", fmin(a, b), fmax(a, b), per);
}

const char *valve_causes_words(const struct valve_event_summary *s, char *out, size_t size)
{
	out[0] = '\0';
	if (sure(&s->supply))
		append(out, size, &s->supply, 1e5, "bar of supply");
	if (sure(&s->battery))
		append(out, size, &s->battery, 1, "volt of battery");
	if (out[0] != '\0' && fabs(s->supply.alike) > 0.9) {
		size_t used = strlen(out);
		snprintf(out + used, size - used,
		         "; supply and battery changed together, hard to tell apart");
	}
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
		const struct valve_event_cause *c = j == 0 ? &s[i].supply : &s[i].battery;
		*seen = *seen || isfinite(c->low);
		*told = *told || isfinite(c->per);
		range[0] = fmin(range[0], c->low);
		range[1] = fmax(range[1], c->high);
	}
}

const char *valve_causes_unknown(const struct valve_event_summary *s, size_t n, char *out, size_t size)
{
	static const char *const name[DELAY_CAUSES] = {"supply pressure", "battery voltage"};
	static const char *const unit[DELAY_CAUSES] = {"bar", "V"};
	static const double to[DELAY_CAUSES] = {1e-5, 1};
	size_t used = 0;
	out[0] = '\0';
	for (int j = 0; j < DELAY_CAUSES; j++) {
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
