/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/crank_score.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#define TWO_PI 6.283185307179586477
#define ASK_US 1370.0

struct sample {
	double error_deg, sd_deg;
};

static int compare_size(const void *a, const void *b)
{
	double x = fabs(*(const double *)a), y = fabs(*(const double *)b);
	return (x > y) - (x < y);
}

static void take(struct crank_score *c, const struct sample *s, size_t n, double teeth)
{
	double mean = 0;
	for (size_t i = 0; i < n; i++)
		mean += s[i].error_deg / (double)n;
	c->offset_deg = mean;
	for (size_t i = 0; i < n; i++) {
		double e = s[i].error_deg - mean;
		if (c->n == c->cap) {
			c->cap = 2 * c->cap + 65536;
			c->error_deg = realloc(c->error_deg, c->cap * sizeof *c->error_deg);
		}
		c->error_deg[c->n++] = e;
		c->sum2 += e * e;
		c->within += fabs(s[i].error_deg) < 2 * s[i].sd_deg;
		c->slips += fabs(s[i].error_deg) > 180 / teeth;
	}
}

static void compare(struct crank_score *c, const struct crank_ride *r, const struct crank *crank)
{
	const struct leg *leg = r->leg;
	size_t cap = (size_t)((double)(leg->to_us - leg->from_us) / ASK_US) + 2, n = 0, hint = 0;
	struct sample *s = malloc(cap * sizeof *s);
	for (double t = (double)leg->from_us; t < (double)leg->to_us && n < cap; t += ASK_US) {
		struct crank_state at;
		crank_at(crank, t, &hint, &at);
		double truth = r->theta(r->ctx, t);
		if (at.flag == CRANK_OUTSIDE || isnan(truth))
			continue;
		c->asked++;
		if (at.flag != CRANK_GOOD) {
			c->flagged++;
			continue;
		}
		double off = at.theta_rad - truth - r->index_off_rad;
		s[n++] = (struct sample){remainder(off, TWO_PI) * 360 / TWO_PI, at.sd_rad * 360 / TWO_PI};
	}
	take(c, s, n, r->engine->tooth_count);
	free(s);
}

bool crank_score_ride(struct crank_score *c, const struct crank_ride *r, struct crank_totals *totals)
{
	struct wheel wheel;
	struct fault fault;
	struct crank_learner *l = crank_learner_new(r->engine);
	const struct crank *crank;
	bool ok = crank_learn(l, r->leg, &fault) == 0 && crank_learned(l, &wheel, &fault) == 0;
	c->rides++;
	if (ok) {
		struct crank_solver *s = crank_solver_new(r->engine, &wheel);
		ok = crank_solve(s, r->leg, &crank, &fault) == 0;
		if (ok)
			compare(c, r, crank);
		*totals = *crank_solver_totals(s);
		c->refused += !wheel.low_orders_known;
		crank_solver_free(s);
	}
	if (!ok)
		fprintf(stderr, "ride %u: %s\n", c->rides, fault.text);
	c->failed += !ok;
	crank_learner_free(l);
	return ok;
}

static double rig_theta(const void *ctx, double t_us)
{
	return wheel_rig_theta(ctx, t_us);
}

void crank_score_add(struct crank_score *c, const struct wheel_setup *setup)
{
	struct wheel_rig *r = wheel_rig_new(setup);
	struct crank_ride ride = {&r->engine, &r->leg, rig_theta, r, 0};
	struct crank_totals t;
	if (crank_score_ride(c, &ride, &t)) {
		c->missed_off += (double)t.teeth_missed - (double)r->missed;
		c->extra_off += (double)t.teeth_extra - (double)r->extra;
	}
	wheel_rig_free(r);
}

void crank_score_finish(struct crank_score *c)
{
	qsort(c->error_deg, c->n, sizeof *c->error_deg, compare_size);
	c->rms_deg = sqrt(c->sum2 / (double)c->n);
	c->p999_deg = c->n > 0 ? fabs(c->error_deg[(size_t)(0.999 * (double)(c->n - 1))]) : NAN;
	c->max_deg = c->n > 0 ? fabs(c->error_deg[c->n - 1]) : NAN;
	c->within_2sd = (double)c->within / (double)c->n;
	c->flagged_part = (double)c->flagged / (double)c->asked;
	c->missed_off /= c->rides;
	c->extra_off /= c->rides;
	free(c->error_deg);
	c->error_deg = NULL;
}
