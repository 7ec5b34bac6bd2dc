/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The valve events of a crank that stands: the finder's own gas balance with
 * a volume that does not change. */
#include "analyse/standing.h"
#include "analyse/valve_events_internal.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define FLOW_LEAST                                                                                           \
	0.05 /* of the upstream pressure: with less between the two sides a closing changes no               \
	      * more than the gauges may differ by */
#define HOLE_US 5e4

struct pulse {
	uint8_t key; /* valve * 4 + event; end follows in `end` */
	uint8_t end;
	char cls;
	bool turning;
	double t10_s, t50_s, supply_pa;
};

struct standing {
	struct engine engine;
	struct mech mech;
	struct wheel wheel;
	struct valve_events *events;
	struct pulse *pulse;
	size_t n, room;
};

struct standing *standing_new(const struct engine *e, const struct mech *m)
{
	struct standing *s = calloc(1, sizeof(*s));
	if (s == NULL)
		return NULL;
	s->engine = *e;
	s->mech = *m;
	s->wheel.slots = 1;
	s->events = valve_events_new(&s->engine, &s->mech, &s->wheel);
	if (s->events == NULL) {
		free(s);
		return NULL;
	}
	return s;
}

void standing_free(struct standing *s)
{
	if (s == NULL)
		return;
	valve_events_free(s->events);
	free(s->pulse);
	free(s);
}

/* Half way along the stroke, from before the leg until after it. */
static void stand(const struct standing *s, const struct leg *leg, struct crank_point point[2],
                  struct crank *crank)
{
	double theta = mech_angle_at_fraction_rad(&s->mech, END_CAP, 0.5);
	memset(point, 0, 2 * sizeof(*point));
	point[0].t_us = leg->from_us - 10000000;
	point[1].t_us = leg->to_us + 10000000;
	point[0].theta_rad = point[1].theta_rad = theta;
	*crank = (struct crank){.wheel = &s->wheel, .point = point, .n = 2};
}

/* More than one edge of the wheel about the pulse: one alone may be a tooth that trembles at the beam. */
static bool turned(const struct leg *leg, double command_us)
{
	size_t low = 0, high = leg->tooth_n, n = 0;
	int64_t from = (int64_t)command_us - 20000, to = (int64_t)command_us + 120000;
	while (low < high) {
		size_t middle = (low + high) / 2;
		if (leg->tooth[middle].t_us < from)
			low = middle + 1;
		else
			high = middle;
	}
	for (; low < leg->tooth_n && leg->tooth[low].t_us < to; low++)
		n++;
	return n > 1;
}

/* A closing shows only where air still flows: in a chamber that is full (or empty) nothing changes when the
 * valve shuts, and what looks like an event is a guess. */
static bool flows(const struct standing *s, const struct leg *leg, const struct valve_event *e)
{
	static const enum engine_sensor_role role[END_COUNT] = {SENSOR_CAP, SENSOR_ROD};
	int channel = engine_sensor_channel(&s->engine, role[e->end]);
	if (channel < 0 || isnan(e->event_t_us))
		return false;
	double chamber = ride_series_at(&leg->sensor[channel], e->event_t_us, HOLE_US);
	double up = e->event == EVENT_CUT_OFF ? e->up_pa : chamber;
	double down = e->event == EVENT_CUT_OFF ? chamber : e->down_pa;
	return up - down > FLOW_LEAST * up;
}

static int keep(struct standing *s, const struct leg *leg, const struct valve_event *e)
{
	if (s->n == s->room) {
		size_t room = s->room ? 2 * s->room : 256;
		struct pulse *p = realloc(s->pulse, sizeof(*p) * room);
		if (p == NULL)
			return -1;
		s->pulse = p;
		s->room = room;
	}
	bool inlet = e->event == EVENT_ADMISSION || e->event == EVENT_CUT_OFF;
	bool seen = valve_kind_opens((enum valve_event_kind)e->event) || flows(s, leg, e);
	s->pulse[s->n++] = (struct pulse){.key = (uint8_t)(e->valve * 4 + e->event),
	                                  .end = e->end,
	                                  .cls = e->cls,
	                                  .turning = turned(leg, e->command_t_us),
	                                  .t10_s = e->t10_s,
	                                  .t50_s = seen ? e->delay_s : NAN,
	                                  /* an exhaust empties what the supply had filled */
	                                  .supply_pa = inlet ? e->up_pa : NAN};
	return 0;
}

/* Exhausts know no supply pressure of their own: that of the last inlet's pulse at the same end. */
static void carry_supply(struct standing *s, size_t from)
{
	double last[END_COUNT] = {NAN, NAN};
	for (size_t i = from; i < s->n; i++) {
		struct pulse *p = &s->pulse[i];
		if (isnan(p->supply_pa))
			p->supply_pa = last[p->end];
		last[p->end] = p->supply_pa;
	}
}

int standing_measure(struct standing *s, const struct leg *leg, struct fault *fault)
{
	struct crank_point point[2];
	struct crank crank;
	const struct valve_event *row;
	size_t n, from = s->n;
	stand(s, leg, point, &crank);
	if (valve_events_learn(s->events, leg, &crank, fault) != 0 ||
	    valve_events_find(s->events, leg, &crank, NULL, &row, &n, fault) != 0)
		return -1;
	for (size_t i = 0; i < n; i++)
		if (keep(s, leg, &row[i]) != 0)
			return fault_set(fault, EX_OSERR, "out of memory");
	carry_supply(s, from);
	return 0;
}

/* --- rows ---------------------------------------------------------------------- */

struct column {
	double *t10, *t50, *supply;
	size_t n10, n50;
};

static void gather(const struct standing *s, uint8_t key, uint8_t end, struct standing_row *row,
                   struct column *c)
{
	c->n10 = c->n50 = 0;
	for (size_t i = 0; i < s->n; i++) {
		const struct pulse *p = &s->pulse[i];
		if (p->key != key || p->end != end)
			continue;
		row->commands++;
		row->turning += p->turning;
		row->missed += !p->turning && p->cls == EVENT_CLASS_MISSED;
		if (p->turning || isnan(p->t50_s))
			continue;
		row->supply_pa[0] = fmin(row->supply_pa[0], p->supply_pa);
		row->supply_pa[1] = fmax(row->supply_pa[1], p->supply_pa);
		c->supply[c->n50] = p->supply_pa;
		c->t50[c->n50++] = p->t50_s;
		if (!isnan(p->t10_s))
			c->t10[c->n10++] = p->t10_s;
	}
	row->seen = (unsigned)c->n50;
}

/* Slope of t50 over the supply pressure, where that differed enough. */
static int fill_slope(const struct column *c, struct standing_row *row)
{
	struct delay_line line;
	row->per_pa = row->per_pa_ci95[0] = row->per_pa_ci95[1] = NAN;
	if (c->n50 < 8 || !(row->supply_pa[1] - row->supply_pa[0] > STANDING_SPAN_PA))
		return 0;
	for (size_t i = 0; i < c->n50; i++)
		if (isnan(c->supply[i]))
			return 0;
	if (delay_slope(c->supply, c->t50, NULL, c->n50, &line) != 0)
		return -1;
	row->per_pa = line.slope;
	memcpy(row->per_pa_ci95, line.slope_ci95, sizeof(row->per_pa_ci95));
	return 0;
}

/* More pulses do not make better what all of them are off by together. */
static void widen(struct delay_mean *m, double common_sd_s)
{
	m->ci95[0] = m->mean - hypot(m->mean - m->ci95[0], 1.96 * common_sd_s);
	m->ci95[1] = m->mean + hypot(m->ci95[1] - m->mean, 1.96 * common_sd_s);
}

static int fill_row(const struct standing *s, uint8_t key, uint8_t end, struct column *c,
                    struct standing_row *row)
{
	*row = (struct standing_row){
	    .valve = key / 4, .end = end, .event = key % 4, .supply_pa = {INFINITY, -INFINITY}};
	gather(s, key, end, row, c);
	if (row->commands == 0)
		return 0;
	if (delay_mean(c->t10, NULL, c->n10, &row->t10) != 0 ||
	    delay_mean(c->t50, NULL, c->n50, &row->t50) != 0 || fill_slope(c, row) != 0)
		return -1;
	if (!(row->supply_pa[0] <= row->supply_pa[1]))
		row->supply_pa[0] = row->supply_pa[1] = NAN;
	double common_sd_s =
	    valve_common_sd_s(s->events, (enum engine_end)end, (enum valve_event_kind)row->event);
	widen(&row->t10, common_sd_s);
	widen(&row->t50, common_sd_s);
	return 1;
}

int standing_finish(const struct standing *s, struct standing_row rows[STANDING_ROWS])
{
	struct column c = {.t10 = malloc(sizeof(double) * 3 * (s->n + 1))};
	int n = 0;
	if (c.t10 == NULL)
		return -1;
	c.t50 = c.t10 + s->n + 1;
	c.supply = c.t50 + s->n + 1;
	for (unsigned key = 0; key < ENGINE_VALVES_MAX * 4u && n >= 0; key++)
		for (unsigned end = 0; end < END_COUNT && n >= 0 && n < STANDING_ROWS; end++) {
			int got = fill_row(s, (uint8_t)key, (uint8_t)end, &c, &rows[n]);
			n = got < 0 ? -1 : n + got;
		}
	free(c.t10);
	return n;
}
