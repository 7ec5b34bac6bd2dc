/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/overview.h"

#include "analyse/escape.h"
#include "analyse/spread.h"
#include "common/unit.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define SUPPLY_BLOCK_US 50000.0 /* noise is averaged over this before extremes are taken */

struct bin {
	double omega_sum, supply_sum, sd_sum;
	unsigned omega_n, supply_n;
};

struct overview {
	int supply_channel;
	int64_t first_us, last_us;
	double turns, unsure_turns, backward_turns;
	struct spread speed, supply;
	struct bin bin[REPORT_PROFILE_POINTS];
	/* the turn and the block of supply samples under way */
	double turn_start_us; /* NAN: none */
	double block_sum, block_start_us;
	unsigned block_n;
	unsigned marks;
	struct report_mark mark[REPORT_MARKS_MAX];
};

struct overview *overview_new(const struct engine *e, int64_t first_us, int64_t last_us)
{
	struct overview *o = calloc(1, sizeof *o);
	if (o == NULL)
		return NULL;
	o->supply_channel = engine_sensor_channel(e, SENSOR_SUPPLY);
	o->first_us = first_us;
	o->last_us = last_us > first_us ? last_us : first_us + 1;
	o->turn_start_us = NAN;
	return o;
}

void overview_free(struct overview *o)
{
	free(o);
}

/* Speed needs no zero of the angle. */
static bool speed_is_known(const struct crank_point *p)
{
	return p->flag == CRANK_GOOD || p->flag == CRANK_NOT_ALIGNED;
}

static struct bin *bin_at(struct overview *o, int64_t t_us)
{
	double f = (double)(t_us - o->first_us) / (double)(o->last_us - o->first_us);
	int i = (int)(f * REPORT_PROFILE_POINTS);
	i = i < 0 ? 0 : i >= REPORT_PROFILE_POINTS ? REPORT_PROFILE_POINTS - 1 : i;
	return &o->bin[i];
}

/* Is it known how far the crank went from here to the next point, and which way?  Across
 * a drop-out it is: both sides are placed. */
static bool way_is_known(const struct crank_point *p)
{
	return p->flag != CRANK_COUNT_UNSURE && p->flag != CRANK_DIRECTION_UNKNOWN;
}

/* A turn is timed between two passages of the cap-end dead centre with good
 * angle all the way. */
static void add_step(struct overview *o, const struct crank_point *a, const struct crank_point *b)
{
	const double turn_rad = 2 * UNIT_PI;
	double turned = (b->theta_rad - a->theta_rad) / turn_rad;
	*(way_is_known(a) ? &o->turns : &o->unsure_turns) += fabs(turned);
	o->backward_turns += way_is_known(a) ? fmax(-turned, 0) : 0;
	if (!speed_is_known(a) || b->theta_rad < a->theta_rad) {
		o->turn_start_us = NAN;
		return;
	}
	double k = floor(b->theta_rad / turn_rad);
	if (k <= floor(a->theta_rad / turn_rad))
		return;
	double f = (k * turn_rad - a->theta_rad) / (b->theta_rad - a->theta_rad);
	double t_us = (double)a->t_us + f * (double)(b->t_us - a->t_us);
	if (!isnan(o->turn_start_us))
		spread_add(&o->speed, 60e6 / (t_us - o->turn_start_us));
	o->turn_start_us = t_us;
}

static void add_crank(struct overview *o, const struct leg *leg, const struct crank *c)
{
	for (size_t i = 0; i + 1 < c->n; i++) {
		const struct crank_point *p = &c->point[i];
		if (p->t_us < leg->core_from_us || p->t_us >= leg->core_to_us)
			continue;
		add_step(o, p, p + 1);
		if (!speed_is_known(p))
			continue;
		struct bin *b = bin_at(o, p->t_us);
		b->omega_sum += p->omega_rad_s;
		b->sd_sum += (double)p->sd_rad;
		b->omega_n++;
	}
}

static void add_supply_sample(struct overview *o, int64_t t_us, double p_pa)
{
	struct bin *b = bin_at(o, t_us);
	b->supply_sum += p_pa;
	b->supply_n++;
	if (o->block_n > 0 && (double)t_us - o->block_start_us >= SUPPLY_BLOCK_US) {
		spread_add(&o->supply, o->block_sum / o->block_n);
		o->block_n = 0;
		o->block_sum = 0;
	}
	if (o->block_n == 0)
		o->block_start_us = (double)t_us;
	o->block_sum += p_pa;
	o->block_n++;
}

static void add_marks(struct overview *o, const struct leg *leg)
{
	for (size_t i = 0; i < leg->note_n; i++) {
		const struct ride_note *n = &leg->note[i];
		if (n->kind != RECORD_MARK || n->t_us < leg->core_from_us || n->t_us >= leg->core_to_us)
			continue;
		if (o->marks++ >= REPORT_MARKS_MAX)
			continue;
		struct report_mark *m = &o->mark[o->marks - 1];
		m->t_s = (double)(n->t_us - o->first_us) * 1e-6;
		escape_plain(m->text, sizeof m->text, n->text);
	}
}

void overview_add(struct overview *o, const struct leg *leg, const struct crank *crank)
{
	if (!leg->continues)
		o->turn_start_us = NAN;
	add_marks(o, leg);
	if (crank != NULL)
		add_crank(o, leg, crank);
	if (o->supply_channel < 0)
		return;
	const struct ride_series *s = &leg->sensor[o->supply_channel];
	for (size_t i = ride_lower_bound(s->t_us, s->n, leg->core_from_us);
	     i < s->n && s->t_us[i] < leg->core_to_us; i++)
		add_supply_sample(o, s->t_us[i], (double)s->value[i]);
}

static void finish_profile(const struct overview *o, struct report *out)
{
	double span_s = (double)(o->last_us - o->first_us) * 1e-6;
	out->profile_n = REPORT_PROFILE_POINTS;
	for (size_t i = 0; i < REPORT_PROFILE_POINTS; i++) {
		const struct bin *b = &o->bin[i];
		out->profile[i] = (struct report_profile_point){
		    .t_s = ((double)i + 0.5) / REPORT_PROFILE_POINTS * span_s,
		    .rpm = b->omega_n > 0 ? unit_rpm(b->omega_sum / b->omega_n) : NAN,
		    .supply_pa = b->supply_n > 0 ? b->supply_sum / b->supply_n : NAN,
		    .angle_sd_rad = b->omega_n > 0 ? b->sd_sum / b->omega_n : NAN,
		};
	}
	for (size_t i = 0; i < out->slip_n; i++) {
		double f = (double)(out->slip[i].t_us - o->first_us) / (double)(o->last_us - o->first_us);
		if (f >= 0 && f < 1)
			out->profile[(size_t)(f * REPORT_PROFILE_POINTS)].slips++;
	}
}

void overview_finish(struct overview *o, struct report *out)
{
	if (o->block_n > 0)
		spread_add(&o->supply, o->block_sum / o->block_n);
	out->revolutions = o->turns;
	out->unsure_revolutions = o->unsure_turns;
	out->backward_revolutions = o->backward_turns;
	out->speed_rpm =
	    (struct report_range){spread_min(&o->speed), spread_median(&o->speed), spread_max(&o->speed)};
	out->supply_pa =
	    (struct report_range){spread_min(&o->supply), spread_median(&o->supply), spread_max(&o->supply)};
	out->marks = o->marks;
	memcpy(out->mark, o->mark, sizeof out->mark);
	finish_profile(o, out);
}
