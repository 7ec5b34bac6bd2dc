/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/plan_fit.h"

#include "common/unit.h"

#include <math.h>
#include <string.h>

#define PRESSURE_SD 0.02 /* of the supply: how far model and mean diagram may differ */
#define FITTED_C_SD 0.08
#define FITTED_N_SD 0.05
#define SEAT_SD 1.0 /* of the logarithm of a leak, before the diagram is looked at */
#define FITTED_SEAT_SD 0.25

enum { LOG_INLET, LOG_EXHAUST, INDEX, LOG_SEAT, PARTS };

struct fit {
	const struct plan_machine *m;
	enum engine_end end;
	struct plan_conditions at;
	double phi[EVENT_KINDS];
	double prior_sd[PARTS];
	double best[PARTS], cost;
};

static double diagram_cost(const struct fit *f, const struct cycle_result *r)
{
	double sum = 0, n = 0;
	for (int b = 0; b < STROKE_BINS; b++) {
		double measured = f->m->measured_pa[f->end][b];
		double model = (r->pressure_pa[b] + r->pressure_pa[b + 1]) / 2;
		if (!isfinite(measured))
			continue;
		double off = (model - measured) / (PRESSURE_SD * f->at.supply_pa);
		sum += off * off / (1 + off * off / 9); /* blurred edges of fast events count less */
		n++;
	}
	/* Neighbouring degrees tell the same thing: about a dozen independent values. */
	return n > 0 ? 12 * sum / n : 0;
}

/* x: how far each part is moved, in the log for passages and leak. */
static double cost(const struct fit *f, const double x[PARTS])
{
	struct cycle_case c = plan_cycle_case(f->m, &f->at, f->end, f->phi);
	struct cycle_result r;
	double sum = 0;
	c.inlet.c_m3_s_pa *= exp(x[LOG_INLET]);
	c.exhaust.c_m3_s_pa *= exp(x[LOG_EXHAUST]);
	c.n += x[INDEX];
	c.seat_m3_s_pa *= exp(x[LOG_SEAT]);
	if (c.n < 1 || c.n > 1.45)
		return INFINITY;
	cycle_run(&c, &r);
	for (int i = 0; i < PARTS; i++)
		sum += x[i] * x[i] / (f->prior_sd[i] * f->prior_sd[i]);
	return sum + diagram_cost(f, &r);
}

static bool improve(struct fit *f, const double step[PARTS])
{
	bool better = false;
	for (int i = 0; i < PARTS; i++) {
		if (step[i] == 0)
			continue;
		for (int way = -1; way <= 1; way += 2) {
			double x[PARTS];
			memcpy(x, f->best, sizeof x);
			x[i] += way * step[i];
			double got = cost(f, x);
			if (got >= f->cost)
				continue;
			f->best[i] = x[i];
			f->cost = got;
			better = true;
		}
	}
	return better;
}

static void fit_end(struct plan_machine *m, enum engine_end end)
{
	struct fit f = {.m = m,
	                .end = end,
	                .prior_sd = {m->c_sd_part[end][0], m->c_sd_part[end][1], m->n_sd[end], SEAT_SD}};
	double supply = m->inlet_supply_pa[end];
	f.at = (struct plan_conditions){.omega_rad_s = m->speed_rad_s.median,
	                                .supply_pa = isnan(supply) ? m->supply_pa.median : supply};
	for (int k = 0; k < EVENT_KINDS; k++)
		f.phi[k] = m->edge[end][k].actual_rad;
	const double none[PARTS] = {0};
	f.cost = cost(&f, none);
	if (!isfinite(f.cost))
		return;
	for (double step = 0.2; step > 0.01; step /= 2) {
		const double steps[PARTS] = {step, step, step / 4, m->seat_m3_s_pa[end] > 0 ? step : 0};
		for (int round = 0; round < 6 && improve(&f, steps); round++)
			continue;
	}
	m->c_m3_s_pa[end][0] *= exp(f.best[LOG_INLET]);
	m->c_m3_s_pa[end][1] *= exp(f.best[LOG_EXHAUST]);
	m->n[end] += f.best[INDEX];
	m->seat_m3_s_pa[end] *= exp(f.best[LOG_SEAT]);
	m->seat_sd_part[end] = fmin(m->seat_sd_part[end], FITTED_SEAT_SD);
	m->c_sd_part[end][0] = fmin(m->c_sd_part[end][0], FITTED_C_SD);
	m->c_sd_part[end][1] = fmin(m->c_sd_part[end][1], FITTED_C_SD);
	m->n_sd[end] = fmin(m->n_sd[end], FITTED_N_SD);
}

void plan_fit(struct plan_machine *m)
{
	if (!m->from_ride || !(m->speed_rad_s.median > 0))
		return;
	if (m->speed_rad_s.max > PLAN_FIT_SPAN * m->speed_rad_s.min) {
		report_say(&m->remarks,
		           "The ride's speed varied too much for its mean diagram to teach the passages: "
		           "they are as the valve events gave them.");
		return;
	}
	for (int end = 0; end < END_COUNT; end++)
		if (m->used[end] && m->has_strokes[end])
			fit_end(m, (enum engine_end)end);
}
