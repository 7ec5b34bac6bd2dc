/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/valve_events_tally.h"

#include "analyse/delay.h"
#include "common/unit.h"

#include <math.h>
#include <stdlib.h>

static double turned(double rad)
{
	double t = fmod(rad, 2 * UNIT_PI);
	return t < 0 ? t + 2 * UNIT_PI : t;
}

static double wrap(double rad)
{
	return remainder(rad, 2 * UNIT_PI);
}

static struct valve_tally_group *group_of(struct valve_tally *t, const struct valve_event *e)
{
	for (size_t i = 0; i < t->n; i++) {
		struct valve_tally_group *g = &t->group[i];
		if (g->valve == e->valve && g->end == e->end && g->event == e->event)
			return g;
	}
	if (t->n == VALVE_EVENT_SUMMARIES)
		return NULL;
	struct valve_tally_group *g = &t->group[t->n++];
	*g = (struct valve_tally_group){.valve = e->valve, .end = e->end, .event = e->event, .stride = 1};
	return g;
}

static bool wanted(const struct valve_tally_group *g, int64_t turn)
{
	int64_t run = turn / VALVE_TALLY_RUN;
	return run % g->stride == 0;
}

static void thin(struct valve_tally_group *g)
{
	size_t n = 0;
	g->stride *= 2;
	for (size_t i = 0; i < g->n; i++)
		if (wanted(g, g->kept[i].turn))
			g->kept[n++] = g->kept[i];
	g->n = n;
}

static int make_room(struct valve_tally_group *g)
{
	while (g->n == VALVE_TALLY_KEPT)
		thin(g);
	if (g->n < g->room)
		return 0;
	size_t room = g->room ? 2 * g->room : 128;
	struct valve_kept *kept = realloc(g->kept, sizeof(*kept) * room);
	if (kept == NULL)
		return -1;
	g->kept = kept;
	g->room = room;
	return 0;
}

static void keep(struct valve_tally_group *g, const struct valve_event *e)
{
	g->kept[g->n++] = (struct valve_kept){
	    .turn = e->revolution,
	    .intended_rad = (float)e->intended_rad,
	    .command_rad = (float)turned(e->command_rad),
	    .command_error_rad = (float)wrap(e->command_rad - e->intended_rad),
	    .count_rad = (float)e->count_error_rad,
	    .firing_rad = (float)e->firing_error_rad,
	    .advance_rad = (float)(e->event_rad - e->command_rad),
	    .delay_s = (float)e->delay_s,
	    .t10_s = (float)e->t10_s,
	    .sd_s = (float)e->sd_s,
	    .omega_rad_s = (float)e->omega_rad_s,
	    .supply_pa = (float)e->supply_pa,
	    .battery_v = (float)e->battery_v,
	};
}

int valve_tally_add(struct valve_tally *t, const struct valve_event *e)
{
	struct valve_tally_group *g = group_of(t, e);
	if (g == NULL)
		return 0;
	bool found = (e->cls == EVENT_CLASS_A || e->cls == EVENT_CLASS_B) && !e->flagged;
	g->commands++;
	g->found += found;
	g->not_found += !found;
	g->missed += e->cls == EVENT_CLASS_MISSED;
	if (e->flagged || !wanted(g, e->revolution))
		return 0;
	if (make_room(g) != 0)
		return -1;
	if (wanted(g, e->revolution)) /* thinning may have changed its mind */
		keep(g, e);
	return 0;
}

void valve_tally_free(struct valve_tally *t)
{
	for (size_t i = 0; i < t->n; i++)
		free(t->group[i].kept);
}

/* --- summary ------------------------------------------------------------------ */

struct column { /* one quantity of the kept events; values that are not NAN */
	size_t n;
	double *x, *speed;
	int64_t *turn;
};

static void column_add(struct column *c, double x, const struct valve_kept *k)
{
	if (isnan(x))
		return;
	c->x[c->n] = x;
	c->speed[c->n] = (double)k->omega_rad_s;
	c->turn[c->n++] = k->turn;
}

static double mean_direction(const struct column *c)
{
	double s = 0, k = 0;
	for (size_t i = 0; i < c->n; i++) {
		s += sin(c->x[i]);
		k += cos(c->x[i]);
	}
	return atan2(s, k);
}

/* Robust mean on the circle: about the mean direction, in 0..2 pi. */
static int circular_mean(struct column *c, double *out)
{
	struct delay_mean m;
	double about = mean_direction(c);
	for (size_t i = 0; i < c->n; i++)
		c->x[i] = wrap(c->x[i] - about);
	int status = delay_mean(c->x, c->turn, c->n, &m);
	*out = c->n ? turned(about + m.mean) : NAN;
	return status;
}

enum quantity { INTENDED, COMMANDED, ACTUAL, ERROR, COUNT, FIRING, DELAY, T10, CONTROLLER };

static double quantity_of(const struct valve_kept *k, enum quantity q)
{
	switch (q) {
	case INTENDED:
		return (double)k->intended_rad;
	case COMMANDED:
		return (double)k->command_rad;
	case ACTUAL:
		return (double)(k->command_rad + k->advance_rad);
	case ERROR:
		return (double)(k->command_error_rad + k->advance_rad);
	case COUNT:
		return (double)k->count_rad;
	case FIRING:
		return (double)k->firing_rad;
	case DELAY:
		return (double)k->delay_s;
	case T10:
		return (double)k->t10_s;
	default:
		return (double)k->command_error_rad;
	}
}

static void fill_column(const struct valve_tally_group *g, enum quantity q, struct column *c)
{
	c->n = 0;
	for (size_t i = 0; i < g->n; i++)
		column_add(c, quantity_of(&g->kept[i], q), &g->kept[i]);
}

static int mean_of(const struct valve_tally_group *g, enum quantity q, struct column *c, struct delay_mean *m)
{
	fill_column(g, q, c);
	return delay_mean(c->x, c->turn, c->n, m);
}

static int angles(const struct valve_tally_group *g, struct column *c, struct valve_event_summary *out)
{
	double *to[3] = {&out->intended_rad, &out->commanded_rad, &out->actual_rad};
	for (int q = INTENDED; q <= ACTUAL; q++) {
		fill_column(g, (enum quantity)q, c);
		if (circular_mean(c, to[q]) != 0)
			return -1;
	}
	return 0;
}

static int parts(const struct valve_tally_group *g, struct column *c, struct valve_event_summary *out)
{
	struct delay_mean error, count, firing, delay, t10;
	if (mean_of(g, ERROR, c, &error) != 0 || mean_of(g, COUNT, c, &count) != 0 ||
	    mean_of(g, FIRING, c, &firing) != 0 || mean_of(g, DELAY, c, &delay) != 0 ||
	    mean_of(g, T10, c, &t10) != 0)
		return -1;
	out->error_rad = error.mean;
	out->spread_rad = error.spread;
	out->count_error_rad = count.mean;
	out->firing_error_rad = firing.mean;
	out->t10_s = t10.mean;
	out->delay_s = delay.mean;
	out->delay_sd_s = delay.spread;
	for (int side = 0; side < 2; side++) {
		out->error_ci95_rad[side] = error.ci95[side];
		out->delay_ci95_s[side] = delay.ci95[side];
	}
	return 0;
}

static int controller_part(const struct valve_tally_group *g, struct column *c,
                           struct valve_event_summary *out)
{
	struct delay_line line;
	fill_column(g, CONTROLLER, c);
	if (delay_line(c->speed, c->x, c->turn, c->n, &line) != 0)
		return -1;
	out->separable = line.separable;
	out->offset_rad = line.at_zero;
	out->latency_s = line.slope;
	out->speed_rad_s = line.mean_speed;
	for (int side = 0; side < 2; side++) {
		out->offset_ci95_rad[side] = line.at_zero_ci95[side];
		out->latency_ci95_s[side] = line.slope_ci95[side];
	}
	return 0;
}

/* Adds a doubt that does not average out. */
static void widen(double ci95[2], double middle, double sd)
{
	ci95[0] = middle - hypot(middle - ci95[0], 1.96 * sd);
	ci95[1] = middle + hypot(ci95[1] - middle, 1.96 * sd);
}

int valve_tally_summary(const struct valve_tally_group *g, double common_sd_s,
                        struct valve_event_summary *out)
{
	size_t room = g->n ? g->n : 1;
	struct column c = {.x = malloc(sizeof(double) * 2 * room), .turn = malloc(sizeof(int64_t) * room)};
	int status = -1;
	*out = (struct valve_event_summary){.valve = g->valve,
	                                    .end = g->end,
	                                    .event = g->event,
	                                    .count = g->found,
	                                    .not_found = g->not_found,
	                                    .missed = g->missed,
	                                    .commands = g->commands};
	if (c.x != NULL && c.turn != NULL) {
		c.speed = c.x + room;
		status = angles(g, &c, out) != 0 || parts(g, &c, out) != 0 || controller_part(g, &c, out) != 0
		             ? -1
		             : 0;
	}
	widen(out->delay_ci95_s, out->delay_s, common_sd_s);
	widen(out->error_ci95_rad, out->error_rad, common_sd_s * fabs(out->speed_rad_s));
	free(c.x);
	free(c.turn);
	return status;
}

unsigned valve_tally_late(const struct valve_tally_group *g, const struct valve_event_summary *s)
{
	double limit = s->delay_s + fmax(VALVE_LATE_S, 6 * s->delay_sd_s);
	unsigned n = 0;
	for (size_t i = 0; i < g->n; i++)
		n += (double)g->kept[i].delay_s > limit;
	return n;
}
