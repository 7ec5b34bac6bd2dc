/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/valve_events_tally.h"

#include "analyse/delay.h"
#include "common/unit.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

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
	    .coil_warmth = (float)e->coil_warmth,
	    .rise_s = (float)e->coil.rise_s,
	    .dip_s = (float)e->coil.dip_s,
	};
}

static void count_coil(struct valve_event_coil *c, const struct valve_event *e)
{
	bool missed = e->cls == EVENT_CLASS_MISSED;
	bool found = e->cls == EVENT_CLASS_A || e->cls == EVENT_CLASS_B;
	bool still = e->coil.state == COIL_STILL, dead = e->coil.state == COIL_DEAD;
	c->moved += e->coil.state == COIL_MOVED;
	c->still += still;
	c->dead += dead;
	c->missed_still += still && missed;
	c->missed_dead += dead && missed;
	c->found_still += still && found;
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
	count_coil(&g->coil, e);
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

enum quantity { ERROR, DELAY, ADVANCE, T10, CONTROLLER, ELECTRICAL, MECHANICAL, PNEUMATIC, ANY };

static double quantity_of(const struct valve_kept *k, enum quantity q)
{
	switch (q) {
	case ERROR:
		return (double)k->command_error_rad + (double)k->advance_rad;
	case DELAY:
		return (double)k->delay_s;
	case ADVANCE:
		return (double)k->advance_rad;
	case T10:
		return (double)k->t10_s;
	case CONTROLLER:
		return (double)k->command_error_rad;
	case ELECTRICAL:
		return (double)k->rise_s;
	case MECHANICAL:
		return (double)k->dip_s - (double)k->rise_s;
	case PNEUMATIC:
		return (double)k->delay_s - (double)k->dip_s;
	default:
		return 0;
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

/* --- angles that belong together ------------------------------------------------ */

enum part { PART_INTENDED, PART_COMMAND, PART_COUNT, PART_FIRING, PART_ADVANCE, PARTS };

struct parts { /* columns of the same events */
	double *whole, *speed, *of[PARTS];
	int64_t *turn;
	size_t n;
	double about_intended, about_command; /* directions from which those two are counted */
};

static double mean_direction(const double *angle, size_t n)
{
	double s = 0, k = 0;
	for (size_t i = 0; i < n; i++) {
		if (isnan(angle[i]))
			continue;
		s += sin(angle[i]);
		k += cos(angle[i]);
	}
	return atan2(s, k);
}

static double count_from_mean(double *angle, size_t n)
{
	double about = mean_direction(angle, n);
	for (size_t i = 0; i < n; i++)
		angle[i] = wrap(angle[i] - about);
	return about;
}

static void fill_parts(const struct valve_tally_group *g, enum quantity of, struct parts *p)
{
	p->n = 0;
	for (size_t i = 0; i < g->n; i++) {
		const struct valve_kept *k = &g->kept[i];
		double whole = quantity_of(k, of);
		if (isnan(whole))
			continue;
		p->whole[p->n] = whole;
		p->speed[p->n] = (double)k->omega_rad_s;
		p->turn[p->n] = k->turn;
		p->of[PART_INTENDED][p->n] = (double)k->intended_rad;
		p->of[PART_COMMAND][p->n] = (double)k->command_rad;
		p->of[PART_COUNT][p->n] = (double)k->count_rad;
		p->of[PART_FIRING][p->n] = (double)k->firing_rad;
		p->of[PART_ADVANCE][p->n++] = (double)k->advance_rad;
	}
	p->about_intended = count_from_mean(p->of[PART_INTENDED], p->n);
	p->about_command = count_from_mean(p->of[PART_COMMAND], p->n);
}

/* All from the same events with the same weights at the same speed, so that they add up: those of which the
 * whole error is known; too few: those that were found; too few again: the commands. */
static enum quantity choose_events(const struct valve_tally_group *g, struct column *c)
{
	static const enum quantity order[] = {ERROR, ADVANCE, CONTROLLER};
	for (size_t i = 0; i < sizeof order / sizeof *order; i++) {
		fill_column(g, order[i], c);
		if (c->n >= VALVE_FOUND_LEAST)
			return order[i];
	}
	return ANY;
}

#define TIMED_S 2e-3 /* a shorter delay says nothing of the speed during it */

/* The speed at which the crank turned through the delay: what a person multiplies. */
static double speed_of(const struct valve_event_summary *out, double advance_rad, double at_command)
{
	return out->delay_s > TIMED_S && advance_rad > 0 ? advance_rad / out->delay_s : at_command;
}

static void take_parts(const struct parts *p, const struct delay_split *d, enum quantity of,
                       struct valve_event_summary *out)
{
	out->intended_rad = turned(p->about_intended + d->part[PART_INTENDED]);
	out->commanded_rad = turned(p->about_command + d->part[PART_COMMAND]);
	out->count_error_rad = d->part[PART_COUNT];
	out->firing_error_rad = d->part[PART_FIRING];
	out->speed_rad_s = speed_of(out, d->part[PART_ADVANCE], d->mean_speed);
	out->actual_rad = out->error_rad = out->spread_rad = NAN;
	out->error_ci95_rad[0] = out->error_ci95_rad[1] = NAN;
	if (of != ERROR && of != ADVANCE)
		return;
	out->actual_rad = turned(out->commanded_rad + d->part[PART_ADVANCE]);
	if (of != ERROR)
		return;
	out->error_rad = d->whole;
	out->spread_rad = d->spread;
	for (int side = 0; side < 2; side++)
		out->error_ci95_rad[side] = d->whole_ci95[side];
}

static int angles(const struct valve_tally_group *g, struct column *c, double *store,
                  struct valve_event_summary *out)
{
	struct delay_split split;
	struct parts p = {.whole = c->x, .speed = c->speed, .turn = c->turn};
	enum quantity of = choose_events(g, c);
	for (int k = 0; k < PARTS; k++)
		p.of[k] = store + (size_t)k * g->n;
	fill_parts(g, of, &p);
	const double *part[PARTS] = {p.of[0], p.of[1], p.of[2], p.of[3], p.of[4]};
	if (delay_split(p.speed, p.whole, part, PARTS, p.turn, p.n, &split) != 0)
		return -1;
	take_parts(&p, &split, of, out);
	return 0;
}

static int times(const struct valve_tally_group *g, struct column *c, struct valve_event_summary *out)
{
	struct delay_mean delay, t10;
	if (mean_of(g, DELAY, c, &delay) != 0 || mean_of(g, T10, c, &t10) != 0)
		return -1;
	out->t10_s = t10.mean;
	out->delay_s = delay.mean;
	out->delay_sd_s = delay.spread;
	for (int side = 0; side < 2; side++)
		out->delay_ci95_s[side] = delay.ci95[side];
	return 0;
}

/* Adds a doubt that does not average out. */
static void widen(double ci95[2], double middle, double sd)
{
	ci95[0] = middle - hypot(middle - ci95[0], 1.96 * sd);
	ci95[1] = middle + hypot(ci95[1] - middle, 1.96 * sd);
}

/* What a sensor of current may lag, and what the shape of the current may be other than assumed, sd
 * (judgement). */
#define COIL_LAG_SD_S 0.25e-3
#define COIL_SHAPE_SD_S 0.15e-3

static int coil_parts(const struct valve_tally_group *g, struct column *c, double common_sd_s,
                      struct valve_event_coil *out)
{
	struct delay_mean m[3];
	*out = g->coil;
	for (int i = 0; i < 3; i++)
		if (mean_of(g, (enum quantity)(ELECTRICAL + i), c, &m[i]) != 0)
			return -1;
	out->electrical_s = m[0].mean;
	out->mechanical_s = m[1].mean;
	out->pneumatic_s = m[2].mean;
	memcpy(out->electrical_ci95_s, m[0].ci95, sizeof m[0].ci95);
	memcpy(out->mechanical_ci95_s, m[1].ci95, sizeof m[1].ci95);
	memcpy(out->pneumatic_ci95_s, m[2].ci95, sizeof m[2].ci95);
	widen(out->electrical_ci95_s, out->electrical_s, hypot(COIL_LAG_SD_S, COIL_SHAPE_SD_S));
	widen(out->mechanical_ci95_s, out->mechanical_s, COIL_SHAPE_SD_S);
	widen(out->pneumatic_ci95_s, out->pneumatic_s,
	      hypot(common_sd_s, hypot(COIL_LAG_SD_S, COIL_SHAPE_SD_S)));
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
	out->ride_speed_rad_s = line.mean_speed;
	for (int side = 0; side < 2; side++) {
		out->offset_ci95_rad[side] = line.at_zero_ci95[side];
		out->latency_ci95_s[side] = line.slope_ci95[side];
	}
	return 0;
}

int valve_tally_summary(const struct valve_tally_group *g, double common_sd_s,
                        struct valve_event_summary *out)
{
	size_t room = g->n ? g->n : 1;
	struct column c = {.x = malloc(sizeof(double) * (2 + PARTS) * room),
	                   .turn = malloc(sizeof(int64_t) * room)};
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
		status = times(g, &c, out) != 0 || coil_parts(g, &c, common_sd_s, &out->coil) != 0 ||
		                 angles(g, &c, c.x + 2 * room, out) != 0 || controller_part(g, &c, out) != 0
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
	double limit_s = s->delay_s + fmax(VALVE_LATE_S, 6 * s->delay_sd_s);
	unsigned n = 0;
	for (size_t i = 0; i < g->n; i++)
		n += (double)g->kept[i].delay_s - 3 * (double)g->kept[i].sd_s > limit_s;
	return n;
}

#define OTHER_SPEED 0.05

bool valve_summary_other_speed(const struct valve_event_summary *s)
{
	return s->not_found > s->missed &&
	       fabs(s->speed_rad_s - s->ride_speed_rad_s) > OTHER_SPEED * fabs(s->ride_speed_rad_s);
}
