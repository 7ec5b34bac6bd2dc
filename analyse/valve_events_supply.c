/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The supply's pressure without its sensor's noise.  It droops and recovers with the inlets in the same way
 * turn after turn: what is alike in a dozen turns before and after, counted from the last inlet's command, is
 * taken away first; the rest changes slowly and bears a long mean.  A short mean alone, as long as it must be
 * against the noise, blurs the droop behind an opening inlet, and what it blurs and what noise it leaves pass
 * for a lag of the chamber's sensor. */
#include "analyse/valve_events_internal.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define KINDS 4       /* of commands: either inlet opens, shuts */
#define TURNS 12      /* before and after, that are taken to be alike */
#define TURNS_LEAST 7 /* fewer than that say nothing */
#define POINTS 2048   /* of a course, a sample's interval apart: 2 s at 1 kHz */
#define SHORT_US 3000 /* either side: the mean where turns are not alike */
#define LONG_US 20000 /* either side: the mean of what is left */
#define UNLIKE 3.0    /* times what noise leaves in the short mean's square */
#define HOLE_INTERVALS 3.0

struct stretch { /* from one inlet's command to the next of any inlet */
	double from_us, to_us;
	size_t from, to; /* samples */
	unsigned kind;
	bool unlike; /* its neighbours: a movement missed, another pressure */
};

struct course { /* what the stretches of one kind that are near have in common */
	double sum[POINTS];
	unsigned n[POINTS];
};

struct work {
	const struct ride_series *series;
	double interval_us, noise_pa;
	struct stretch *stretch;      /* rising in time */
	const struct stretch **alike; /* those of one kind */
	size_t stretches;
	struct course *course;
	float *mean, *rest, *rest_mean; /* beside the series */
};

/* Mean over +-reach of n values with their times. */
static void running_mean(const int64_t *t_us, const float *value, size_t n, int64_t reach_us, float *out)
{
	size_t from = 0, to = 0;
	double sum = 0;
	for (size_t i = 0; i < n; i++) {
		for (; to < n && t_us[to] <= t_us[i] + reach_us; to++)
			sum += (double)value[to];
		for (; t_us[from] < t_us[i] - reach_us; from++)
			sum -= (double)value[from];
		out[i] = (float)(sum / (double)(to - from));
	}
}

/* The commands of both inlets, merged. */
static void lay_stretches(const struct valve_events *v, struct work *w)
{
	const struct passage_line *cap = &v->chamber[END_CAP].line[ONSET_INLET],
	                          *rod = &v->chamber[END_ROD].line[ONSET_INLET];
	const struct ride_series *s = w->series;
	size_t c = 0, r = 0;
	w->stretches = 0;
	while (c < cap->n || r < rod->n) {
		bool of_rod = c == cap->n || (r < rod->n && rod->at[r].command_us < cap->at[c].command_us);
		const struct transition *t = of_rod ? &rod->at[r++] : &cap->at[c++];
		size_t from = ride_lower_bound(s->t_us, s->n, (int64_t)ceil(t->command_us));
		if (w->stretches > 0) {
			w->stretch[w->stretches - 1].to_us = t->command_us;
			w->stretch[w->stretches - 1].to = from;
		}
		w->stretch[w->stretches++] = (struct stretch){.from_us = t->command_us,
		                                              .to_us = INFINITY,
		                                              .from = from,
		                                              .to = s->n,
		                                              .kind = (of_rod ? 2U : 0U) + t->opens};
	}
}

/* Adds a stretch to the course of its kind, or takes it away. */
static void add(struct work *w, const struct stretch *of, bool away)
{
	const struct ride_series *s = w->series;
	size_t i = ride_lower_bound(s->t_us, s->n, (int64_t)of->from_us);
	for (size_t k = 0; k < POINTS; k++) {
		double t_us = of->from_us + (double)k * w->interval_us;
		if (t_us > of->to_us + w->interval_us)
			return;
		while (i < s->n && (double)s->t_us[i] <= t_us)
			i++;
		if (i == s->n)
			return;
		if (i == 0)
			continue;
		double a = (double)s->t_us[i - 1], b = (double)s->t_us[i];
		if (b - a > HOLE_INTERVALS * w->interval_us)
			continue;
		double pa = (double)s->value[i - 1], pb = (double)s->value[i];
		double p = pa + (pb - pa) * (t_us - a) / (b - a);
		w->course->sum[k] += away ? -p : p;
		if (away)
			w->course->n[k]--;
		else
			w->course->n[k]++;
	}
}

/* Puts the course in the place of a stretch's samples, where it is known. */
static void put(const struct work *w, const struct stretch *of, float *out)
{
	const struct course *c = w->course;
	for (size_t i = of->from; i < of->to; i++) {
		double at = ((double)w->series->t_us[i] - of->from_us) / w->interval_us;
		size_t k = (size_t)at;
		if (k + 1 >= POINTS)
			return;
		if (c->n[k] < TURNS_LEAST || c->n[k + 1] < TURNS_LEAST)
			continue;
		double a = c->sum[k] / c->n[k], b = c->sum[k + 1] / c->n[k + 1];
		out[i] = (float)(a + (b - a) * (at - (double)k));
	}
}

/* The courses of one kind, the neighbours moving along with each stretch. */
static void follow_courses(struct work *w, unsigned kind, float *out)
{
	size_t n = 0;
	for (size_t i = 0; i < w->stretches; i++)
		if (w->stretch[i].kind == kind && !w->stretch[i].unlike)
			w->alike[n++] = &w->stretch[i];
	memset(w->course, 0, sizeof(*w->course));
	for (size_t i = 0; i < n && i < TURNS; i++)
		add(w, w->alike[i], false);
	for (size_t i = 0; i < n; i++) {
		if (i + TURNS < n)
			add(w, w->alike[i + TURNS], false);
		if (i > TURNS)
			add(w, w->alike[i - TURNS - 1], true);
		put(w, w->alike[i], out);
	}
}

static void take_away(const struct work *w, const float *what)
{
	for (size_t i = 0; i < w->series->n; i++)
		w->rest[i] = w->series->value[i] - what[i];
}

/* Marks a stretch whose own short mean strays from what is alike; false when it does not. */
static bool strays(const struct work *w, struct stretch *of)
{
	double sum = 0, in_mean = 2 * floor(SHORT_US / w->interval_us) + 1;
	for (size_t i = of->from; i < of->to; i++)
		sum += (double)w->rest_mean[i] * (double)w->rest_mean[i];
	of->unlike = sum * in_mean > UNLIKE * w->noise_pa * w->noise_pa * (double)(of->to - of->from);
	return of->unlike;
}

/* What is alike, or the short mean where nothing is; and the long mean of the rest, which does not reach from
 * one stretch into another. */
static void smooth_once(struct work *w, float *out)
{
	const struct ride_series *s = w->series;
	memcpy(out, w->mean, sizeof(*out) * s->n);
	for (unsigned kind = 0; kind < KINDS; kind++)
		follow_courses(w, kind, out);
	take_away(w, out);
	for (size_t i = 0; i < w->stretches; i++) {
		const struct stretch *of = &w->stretch[i];
		size_t from = of->unlike ? of->to : of->from; /* keeps its short mean */
		running_mean(s->t_us + from, w->rest + from, of->to - from, LONG_US, w->rest_mean + from);
		for (size_t j = from; j < of->to; j++)
			out[j] += w->rest_mean[j];
	}
}

/* Once more without the stretches that stray. */
static void smooth(struct work *w, float *out)
{
	const struct ride_series *s = w->series;
	bool any = false;
	running_mean(s->t_us, s->value, s->n, SHORT_US, w->mean);
	smooth_once(w, out);
	take_away(w, out);
	running_mean(s->t_us, w->rest, s->n, SHORT_US, w->rest_mean);
	for (size_t i = 0; i < w->stretches; i++)
		any |= strays(w, &w->stretch[i]);
	if (any)
		smooth_once(w, out);
}

int valve_smooth_supply(const struct valve_events *v, const struct ride_series *s, double interval_us,
                        double noise_pa, float *out, struct fault *fault)
{
	size_t most = v->chamber[END_CAP].line[ONSET_INLET].n + v->chamber[END_ROD].line[ONSET_INLET].n + 1;
	struct work w = {.series = s,
	                 .interval_us = interval_us,
	                 .noise_pa = noise_pa,
	                 .stretch = malloc(sizeof(*w.stretch) * most),
	                 .alike = malloc(sizeof(*w.alike) * most),
	                 .course = malloc(sizeof(*w.course)),
	                 .mean = malloc(sizeof(*w.mean) * 3 * (s->n + 1))};
	bool room = w.stretch != NULL && w.alike != NULL && w.course != NULL && w.mean != NULL;
	if (room) {
		w.rest = w.mean + s->n;
		w.rest_mean = w.rest + s->n;
		lay_stretches(v, &w);
		smooth(&w, out);
	}
	free(w.stretch);
	free(w.alike);
	free(w.course);
	free(w.mean);
	return room ? 0 : fault_set(fault, EX_OSERR, "out of memory");
}
