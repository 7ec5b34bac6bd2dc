/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/plan_doubt.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define Z95 1.96
#define DISAGREEMENT 0.5 /* share of (measured - model) that the change may be wrong by */
#define MODEL_PART 0.02  /* of the prediction: line drop, heat, what no parameter stands for */

struct doubt {
	const struct plan_machine *m;
	const struct plan_conditions *at;
	const struct plan_timing *now, *planned;
	struct plan_machine *moved; /* a copy to move parameters in */
	struct plan_prediction of_now, of_planned;
	double base_now[PLAN_QUANTITIES], base_planned[PLAN_QUANTITIES];
	double gain_var[PLAN_QUANTITIES], planned_var[PLAN_QUANTITIES];
	double greatest_sd;
	struct plan_doubt *out;
};

void plan_quantities(const struct plan_prediction *p, double out[PLAN_QUANTITIES])
{
	out[PLAN_WORK] = p->work_j;
	out[PLAN_AIR] = p->air_kg;
	out[PLAN_USEFUL] = p->useful_fraction;
	out[PLAN_WORK_PER_AIR] = p->work_j / p->air_kg;
}

/* An end's parameter moves nothing at the other end, unless a valve works both: `only` as in plan_predict.
 * The end that runs starts from ambient, as in `base`. */
static void run(const struct plan_machine *m, const struct plan_conditions *at, const struct plan_timing *t,
                int only, const struct plan_prediction *base, double out[PLAN_QUANTITIES])
{
	struct plan_prediction p = *base;
	for (int end = 0; end < END_COUNT; end++)
		if (only < 0 || only == end)
			p.cycle[end].end_pa = p.cycle[end].end_k = 0;
	plan_predict(m, at, t, only, &p);
	plan_quantities(&p, out);
}

/* Adds what the parameters now in `moved` change at an end, or at both (-1). */
static void add(struct doubt *d, int end, const struct plan_timing *planned, const char *what)
{
	double now[PLAN_QUANTITIES] = {0}, next[PLAN_QUANTITIES];
	run(d->moved, d->at, planned, end, &d->of_planned, next);
	if (d->now != NULL)
		run(d->moved, d->at, d->now, end, &d->of_now, now);
	for (int q = 0; q < PLAN_QUANTITIES; q++) {
		double planned_change = next[q] - d->base_planned[q];
		double now_change = d->now != NULL ? now[q] - d->base_now[q] : 0;
		double gain = planned_change - now_change;
		d->planned_var[q] += planned_change * planned_change;
		d->gain_var[q] += gain * gain;
		if (q == PLAN_WORK && fabs(gain) > d->greatest_sd) {
			d->greatest_sd = fabs(gain);
			snprintf(d->out->greatest, sizeof d->out->greatest, "%s", what);
		}
	}
	memcpy(d->moved, d->m, sizeof *d->m);
}

static void add_delays(struct doubt *d, enum engine_end end)
{
	char what[80];
	for (int k = 0; k < EVENT_KINDS; k++) {
		struct plan_edge *e = &d->moved->edge[end][k];
		e->delay_s += plan_edge_delay_sd_s(e, d->at);
		snprintf(what, sizeof what, "delay of the %s end's %s", engine_end_name(end),
		         valve_event_name((enum valve_event_kind)k));
		add(d, (int)end, d->planned, what);
	}
}

/* Does this edge of a valve work the other end too? */
static bool works_both(const struct plan_machine *m, enum engine_end end, const struct plan_edge *e)
{
	enum engine_end other = end == END_CAP ? END_ROD : END_CAP;
	bool both = false;
	for (int k = 0; k < EVENT_KINDS && m->used[other]; k++)
		both = both || (m->edge[other][k].valve == e->valve && m->edge[other][k].on == e->on);
	return both;
}

/* An offset shifts only what is planned: where the commands fall now is measured. */
static void add_offsets(struct doubt *d, enum engine_end end)
{
	for (int k = 0; k < EVENT_KINDS; k++) {
		const struct plan_edge *e = &d->m->edge[end][k];
		struct plan_timing t = *d->planned;
		t.command_rad[e->valve][e->on] += e->offset_sd_rad;
		add(d, works_both(d->m, end, e) ? -1 : (int)end, &t, "the controller's angle");
	}
}

static void add_gas(struct doubt *d, enum engine_end end)
{
	d->moved->n[end] += d->m->n_sd[end];
	add(d, (int)end, d->planned, "index of expansion");
	d->moved->seat_m3_s_pa[end] *= 1 + d->m->seat_sd_part[end];
	add(d, (int)end, d->planned, "leak of the inlet");
	for (int p = 0; p < 2; p++) {
		d->moved->c_m3_s_pa[end][p] *= 1 + d->m->c_sd_part[end][p];
		add(d, (int)end, d->planned, p == 0 ? "inlet passage" : "exhaust passage");
	}
}

/* --- against what was measured ---------------------------------------------- */

static bool measured_quantities(const struct plan_machine *m, double out[PLAN_QUANTITIES])
{
	double useful = 0;
	int ends = 0;
	out[PLAN_WORK] = out[PLAN_AIR] = 0;
	for (int end = 0; end < END_COUNT; end++) {
		if (!m->used[end])
			continue;
		if (!m->has_strokes[end])
			return false;
		out[PLAN_WORK] += m->stroke[end].work_j;
		out[PLAN_AIR] += m->stroke[end].air_kg;
		useful += m->stroke[end].useful_fraction;
		ends++;
	}
	out[PLAN_USEFUL] = useful / ends;
	out[PLAN_WORK_PER_AIR] = out[PLAN_WORK] / out[PLAN_AIR];
	return ends > 0 && isfinite(out[PLAN_WORK]);
}

/* What the ride measured less what the model says of it. */
static void disagreement(struct doubt *d, double out[PLAN_QUANTITIES])
{
	const struct plan_conditions ride = {.omega_rad_s = d->m->speed_rad_s.median,
	                                     .supply_pa = plan_ride_supply_pa(d->m)};
	double seen[PLAN_QUANTITIES], model[PLAN_QUANTITIES];
	memset(out, 0, sizeof seen);
	d->out->measured = d->now != NULL && measured_quantities(d->m, seen);
	if (!d->out->measured)
		return;
	run(d->m, &ride, d->now, -1, &d->of_now, model);
	for (int q = 0; q < PLAN_QUANTITIES; q++)
		out[q] = isfinite(seen[q] - model[q]) ? seen[q] - model[q] : 0;
}

static void finish(struct doubt *d)
{
	double off[PLAN_QUANTITIES];
	struct plan_doubt *o = d->out;
	o->has_now = d->now != NULL;
	disagreement(d, off);
	for (int q = 0; q < PLAN_QUANTITIES; q++) {
		struct plan_value *v = &o->value[q];
		double left_out = hypot(DISAGREEMENT * off[q], MODEL_PART * d->base_planned[q]);
		double gain_sd = sqrt(d->gain_var[q] + left_out * left_out);
		double planned_sd =
		    sqrt((o->measured ? d->gain_var[q] : d->planned_var[q]) + left_out * left_out);
		v->now = o->has_now ? d->base_now[q] + off[q] : NAN;
		v->gain = o->has_now ? d->base_planned[q] - d->base_now[q] : NAN;
		v->gain_low = v->gain - Z95 * gain_sd;
		v->gain_high = v->gain + Z95 * gain_sd;
		v->planned = d->base_planned[q] + off[q];
		v->planned_low = v->planned - Z95 * planned_sd;
		v->planned_high = v->planned + Z95 * planned_sd;
	}
	struct plan_value *useful = &o->value[PLAN_USEFUL];
	useful->planned_low = fmax(useful->planned_low, 0);
	useful->planned_high = fmin(useful->planned_high, 1);
}

int plan_doubt_find(const struct plan_machine *m, const struct plan_conditions *at,
                    const struct plan_timing *now, const struct plan_timing *planned, struct plan_doubt *out)
{
	struct doubt d = {.m = m, .at = at, .now = now, .planned = planned, .out = out};
	memset(out, 0, sizeof *out);
	d.moved = malloc(sizeof *d.moved);
	if (d.moved == NULL)
		return -1;
	plan_predict(m, at, planned, -1, &d.of_planned);
	plan_quantities(&d.of_planned, d.base_planned);
	if (now != NULL) {
		plan_predict(m, at, now, -1, &d.of_now);
		plan_quantities(&d.of_now, d.base_now);
	}
	memcpy(d.moved, m, sizeof *m);
	for (int end = 0; end < END_COUNT; end++) {
		if (!m->used[end])
			continue;
		add_delays(&d, (enum engine_end)end);
		add_offsets(&d, (enum engine_end)end);
		add_gas(&d, (enum engine_end)end);
	}
	free(d.moved);
	finish(&d);
	return 0;
}
