/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/rehearse/loops.h"

#include "common/unit.h"

#include <math.h>

#define USEFUL_PART 0.1 /* of the supply's gauge pressure */

static double turns(const struct plant *p, enum engine_end end, double theta)
{
	return (theta - mech_dead_centre_rad(&p->mech, end)) / (2 * UNIT_PI);
}

/* How far this end's pressure is above a tenth of the supply's, gauge. */
static double margin_pa(const struct plant *p, const struct plant_view *v, enum engine_end end)
{
	double gauge = v->chamber[end].p_pa - p->ambient_pa, supply = v->line.p_pa - p->ambient_pa;
	return gauge - USEFUL_PART * fmax(supply, 0);
}

/* The part of a step, 0..1, on which a margin that runs straight from a to b
 * is not negative. */
static double part_above(double a, double b)
{
	if (a >= 0 && b >= 0)
		return 1;
	if (a < 0 && b < 0)
		return 0;
	return a >= 0 ? a / (a - b) : b / (b - a);
}

static double useful_rad(const struct plant *p, enum engine_end end)
{
	double before = p->y_before[THETA], now = p->y[THETA];
	double arm = p->before.arm_m + p->now.arm_m;
	if (end == END_CAP ? arm <= 0 : arm >= 0)
		return 0;
	return (now - before) * part_above(margin_pa(p, &p->before, end), margin_pa(p, &p->now, end));
}

static double at_part(const struct plant *p, int state, double u)
{
	return p->y_before[state] + u * (p->y[state] - p->y_before[state]);
}

static void close_loop(const struct loop *l, const struct plant *p, enum engine_end end, double t_s, double u,
                       const struct sender *clock, struct truth *t)
{
	double work = at_part(p, WORK + (int)end, u) - l->work_j;
	truth_stroke(t, &(struct truth_stroke){
	                    .end = end,
	                    .number = (long)floor(turns(p, end, p->y[THETA])) - 1,
	                    .start_us = sender_us(clock, l->start_s),
	                    .end_us = sender_us(clock, t_s),
	                    .work_j = work,
	                    .useful_deg = unit_deg(l->useful_rad),
	                    .mep_bar = unit_bar(work / mech_swept_m3(&p->mech, end)),
	                    .release_bar_gauge = l->release_bar_gauge,
	                    .peak_torque_nm = l->peak_torque_nm,
	                    .air_g = (at_part(p, AIR + (int)end, u) - l->air_kg) * 1e3,
	                });
}

static void pass_dead_centre(struct loop *l, const struct plant *p, enum engine_end end,
                             const struct sender *clock, struct truth *t)
{
	double theta = 2 * UNIT_PI * floor(turns(p, end, p->y[THETA])) + mech_dead_centre_rad(&p->mech, end);
	double t_s = plant_passes(p, theta), u = 1 - (p->t_s - t_s) / p->step_s;
	if (l->valid)
		close_loop(l, p, end, t_s, u, clock, t);
	*l = (struct loop){
	    .valid = true,
	    .start_s = t_s,
	    .work_j = at_part(p, WORK + (int)end, u),
	    .air_kg = at_part(p, AIR + (int)end, u),
	    .release_bar_gauge = NAN,
	    .peak_torque_nm = -INFINITY,
	};
}

void loops_step(struct loops *s, const struct plant *p, const struct sender *clock, struct truth *t)
{
	double before = p->y_before[THETA], now = p->y[THETA];
	for (enum engine_end end = END_CAP; end < END_COUNT; end++) {
		struct loop *l = &s->loop[end];
		if (end == END_ROD && p->single_acting)
			break;
		if (now < before)
			l->valid = false;
		else if (floor(turns(p, end, now)) > floor(turns(p, end, before)))
			pass_dead_centre(l, p, end, clock, t);
		if (!l->valid)
			continue;
		l->useful_rad += useful_rad(p, end);
		l->peak_torque_nm = fmax(l->peak_torque_nm, plant_gas_torque(p, &p->now));
	}
}

void loops_release(struct loops *s, const struct plant *p, enum engine_end end)
{
	s->loop[end].release_bar_gauge = unit_bar_gauge(p->now.chamber[end].p_pa, p->ambient_pa);
}
