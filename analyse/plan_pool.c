/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/plan_pool.h"

#include "analyse/delay.h"
#include "analyse/engine_differences.h"
#include "analyse/trend.h"
#include "common/unit.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define Z95 1.96
#define CHANGED_S 0.006      /* a valve that differs by more between two rides was changed */
#define DELAY_SD_LEAST 5e-5  /* of a ride's mean */
#define NOT_KNOWN_SPREAD 0.5 /* of a covariate's unit (bar, V): how far a ride without that sensor may be */
#define TOLD_PART 0.5        /* of what is assumed of any valve: a slope known better than this is told */
#define LATENCY_LOW_S (-0.003)
#define LATENCY_HIGH_S 0.060 /* a controller that takes longer than this is no controller */
#define CONTROLLER_DEG 1.5   /* rides whose controllers differ by more are not taken together */

enum { CONSTANT, TERMS = 1 + PLAN_COVARIATES };
_Static_assert((int)TERMS == TREND_TERMS, "one matrix for both");

struct lesson { /* what one ride says of one edge */
	bool counts;
	double delay_s, sd_s; /* sd: by scatter, and by what hides the events in this ride */
	struct plan_trend trend;
	double share;
};

struct pool {
	const struct plan_lesson *ride;
	size_t n;
	struct plan_machine *out;
	struct lesson lesson[PLAN_RUNS_MAX];
	double there[PLAN_COVARIATES];
	double shares[PLAN_RUNS_MAX]; /* sum over the edges */
	unsigned edges;
	bool controllers_differ;
};

static const struct plan_edge *edge_of(const struct pool *p, size_t ride, int end, int k)
{
	return &p->ride[ride].machine->edge[end][k];
}

/* --- one edge's delay ----------------------------------------------------------------- */

struct normal { /* equations */
	double a[TERMS][TERMS], b[TERMS];
};

/* A ride's mean: an observation of the delay at its own conditions. */
static void add_mean(const struct pool *p, const struct lesson *l, double between_s, struct normal *n)
{
	double x[TERMS] = {1}, variance = l->sd_s * l->sd_s + between_s * between_s;
	for (int k = 0; k < PLAN_COVARIATES; k++) {
		double off = l->trend.mean[k] - p->there[k];
		static const double unit[PLAN_COVARIATES] = {1e5, 1, 1};
		double lost = plan_per_sd((enum plan_covariate)k) * NOT_KNOWN_SPREAD * unit[k];
		x[1 + k] = isfinite(off) ? off : 0;
		if (isnan(l->trend.mean[k]) && isfinite(p->there[k]))
			variance += lost * lost;
	}
	for (int i = 0; i < TERMS; i++) {
		for (int j = 0; j < TERMS; j++)
			n->a[i][j] += x[i] * x[j] / variance;
		n->b[i] += x[i] * l->delay_s / variance;
	}
}

/* A ride's own slopes.  `instant_s`: events at one end of its range may be found that much
 * differently from those at the other. */
static void add_slopes(const struct lesson *l, double instant_s, struct normal *n)
{
	double inverse[TREND_TERMS][TREND_TERMS] = {{0}};
	int which[PLAN_COVARIATES];
	unsigned told = 0;
	for (int k = 0; k < PLAN_COVARIATES; k++)
		if (l->trend.told[k])
			which[told++] = k;
	for (unsigned i = 0; i < told; i++) {
		double wander = instant_s / (l->trend.high[which[i]] - l->trend.low[which[i]]);
		for (unsigned j = 0; j < told; j++)
			inverse[i][j] = l->trend.cov[which[i]][which[j]];
		inverse[i][i] += 2 * wander * wander;
	}
	if (told == 0 || !trend_invert(told, inverse))
		return;
	for (unsigned i = 0; i < told; i++)
		for (unsigned j = 0; j < told; j++) {
			n->a[1 + which[i]][1 + which[j]] += inverse[i][j];
			n->b[1 + which[i]] += inverse[i][j] * l->trend.per[which[j]];
		}
}

struct answer {
	double c[TERMS], cov[TERMS][TERMS];
};

static bool solve(const struct pool *p, double between_s, double instant_s, struct answer *out)
{
	struct normal n = {.a = {{0}}};
	for (int k = 0; k < PLAN_COVARIATES; k++)
		n.a[1 + k][1 + k] = pow(plan_per_sd((enum plan_covariate)k), -2);
	for (size_t r = 0; r < p->n; r++)
		if (p->lesson[r].counts) {
			add_mean(p, &p->lesson[r], between_s, &n);
			add_slopes(&p->lesson[r], instant_s, &n);
		}
	/* The terms' units lie twelve powers of ten apart: each in its own. */
	double unit[TERMS];
	for (int i = 0; i < TERMS; i++)
		unit[i] = sqrt(n.a[i][i]);
	for (int i = 0; i < TERMS; i++)
		for (int j = 0; j < TERMS; j++)
			n.a[i][j] /= unit[i] * unit[j];
	if (!trend_invert(TERMS, n.a))
		return false;
	for (int i = 0; i < TERMS; i++) {
		out->c[i] = 0;
		for (int j = 0; j < TERMS; j++) {
			out->cov[i][j] = n.a[i][j] / (unit[i] * unit[j]);
			out->c[i] += out->cov[i][j] * n.b[j];
		}
	}
	return true;
}

/* How much the rides' means differ from the fit, in their own variances. */
static double disagreement(const struct pool *p, const struct answer *a, double between_s)
{
	double sum = 0;
	for (size_t r = 0; r < p->n; r++) {
		const struct lesson *l = &p->lesson[r];
		double off = l->delay_s - a->c[CONSTANT];
		for (int k = 0; l->counts && k < PLAN_COVARIATES; k++)
			if (isfinite(l->trend.mean[k] - p->there[k]))
				off -= a->c[1 + k] * (l->trend.mean[k] - p->there[k]);
		if (l->counts)
			sum += off * off / (l->sd_s * l->sd_s + between_s * between_s);
	}
	return sum;
}

/* Paule and Mandel's: so much between the rides that they disagree as chance has it. */
static double find_between(const struct pool *p, unsigned rides, double instant_s, struct answer *a)
{
	double low = 0, high = CHANGED_S;
	if (!solve(p, 0, instant_s, a) || rides < 2 || disagreement(p, a, 0) <= rides - 1)
		return 0;
	for (int i = 0; i < 40; i++) {
		double middle = (low + high) / 2;
		if (!solve(p, middle, instant_s, a))
			return 0;
		*(disagreement(p, a, middle) > rides - 1 ? &low : &high) = middle;
	}
	return high;
}

/* How far a ride's events may lie to one side because they hardly show; what all rides share is
 * added at the end. */
static double hidden_s(const struct plan_edge *e, enum valve_event_kind k)
{
	double all = plan_instant_sd_s(k, e->scatter_s), shared = plan_instant_sd_s(k, 0);
	return sqrt(fmax(all * all - shared * shared, 0));
}

/* The rides that saw this edge, the last of them first among equals: where its delay was
 * quite another, the valve has been changed since. */
static unsigned gather(struct pool *p, int end, int k, size_t *last)
{
	unsigned rides = 0;
	*last = p->n;
	for (size_t r = p->n; r-- > 0;) {
		const struct plan_edge *e = edge_of(p, r, end, k);
		struct lesson *l = &p->lesson[r];
		*l = (struct lesson){.counts = e->source == PLAN_MEASURED};
		if (!l->counts)
			continue;
		plan_learn_trend(p->ride[r].learn, (unsigned)e->valve, e->on, &l->trend);
		l->delay_s = e->delay_s;
		l->sd_s = hypot(fmax(e->scatter_sd_s, DELAY_SD_LEAST), hidden_s(e, (enum valve_event_kind)k));
		if (*last == p->n) {
			*last = r;
			memcpy(p->there, l->trend.mean, sizeof p->there);
		}
		double moved =
		    plan_per_sd(PLAN_SUPPLY) * fabs(l->trend.mean[PLAN_SUPPLY] - p->there[PLAN_SUPPLY]);
		double far = l->delay_s - p->lesson[*last].delay_s;
		if (fabs(far) > CHANGED_S + (isfinite(moved) ? 2 * moved : 0)) {
			l->counts = false;
			report_say(&p->out->remarks,
			           "In the ride %s the %s %s %.1f ms %s than in the last: the valve has been "
			           "changed since, or one of both was misread. The earlier is left out.",
			           p->ride[r].machine->run,
			           engine_passage_name((enum engine_passage)plan_passage(
			               (enum engine_end)end, (enum valve_event_kind)k)),
			           k == EVENT_ADMISSION || k == EVENT_RELEASE ? "opened" : "shut",
			           fabs(far) * 1e3, far > 0 ? "later" : "earlier");
		}
		rides += l->counts;
	}
	return rides;
}

static void widen(double *low, double *high, double a, double b)
{
	*low = isnan(*low) ? a : fmin(*low, isnan(a) ? *low : a);
	*high = isnan(*high) ? b : fmax(*high, isnan(b) ? *high : b);
}

static void count_shares(struct pool *p, double between_s)
{
	double all = 0;
	for (size_t r = 0; r < p->n; r++)
		if (p->lesson[r].counts)
			all += 1 / (pow(p->lesson[r].sd_s, 2) + between_s * between_s);
	for (size_t r = 0; r < p->n; r++)
		if (p->lesson[r].counts)
			p->shares[r] += 1 / (pow(p->lesson[r].sd_s, 2) + between_s * between_s) / all;
	p->edges++;
}

static void pool_delay(struct pool *p, int end, int k)
{
	struct plan_edge *e = &p->out->edge[end][k];
	struct answer a;
	size_t last;
	unsigned rides = gather(p, end, k, &last);
	double instant_s = plan_instant_sd_s((enum valve_event_kind)k, 0);
	if (rides == 0)
		return;
	double between_s = find_between(p, rides, instant_s, &a);
	if (!solve(p, between_s, instant_s, &a))
		return;
	const struct plan_edge *best = edge_of(p, last, end, k);
	e->source = PLAN_MEASURED;
	e->delay_s = a.c[CONSTANT];
	e->scatter_s = best->scatter_s;
	e->scatter_sd_s = sqrt(a.cov[CONSTANT][CONSTANT]);
	e->delay_sd_s = hypot(e->scatter_sd_s, instant_s);
	for (int i = 0; i < PLAN_COVARIATES; i++) {
		double assumed = plan_per_sd((enum plan_covariate)i);
		e->at[i] = p->there[i];
		e->per[i] = a.c[1 + i];
		e->per_sd[i] = sqrt(a.cov[1 + i][1 + i]);
		e->told[i] = e->per_sd[i] < TOLD_PART * assumed;
		for (size_t r = 0; r < p->n; r++)
			if (p->lesson[r].counts)
				widen(&e->low[i], &e->high[i], p->lesson[r].trend.low[i],
				      p->lesson[r].trend.high[i]);
	}
	count_shares(p, between_s);
}

/* --- the controller ------------------------------------------------------------------- */

/* The same series of every ride, one after the other. */
struct joined {
	size_t n, ride_n[PLAN_RUNS_MAX];
	double *x, *y;
	int64_t *turn;
};

static void join(struct joined *j, const struct series *s, size_t ride)
{
	int64_t next = j->n > 0 ? j->turn[j->n - 1] + 1 : 0;
	for (size_t i = 0; i < s->n; i++) {
		j->x[j->n] = s->x[0][i];
		j->y[j->n] = s->y[i];
		j->turn[j->n++] = next + s->turn[i] - s->turn[0];
	}
	j->ride_n[ride] = s->n;
}

/* Do the rides lie on one line? */
static bool agree(const struct joined *j, size_t rides, const struct delay_line *line)
{
	size_t i = 0;
	for (size_t r = 0; r < rides; i += j->ride_n[r++]) {
		double sum = 0;
		for (size_t k = i; k < i + j->ride_n[r]; k++)
			sum += j->y[k] - line->at_zero - line->slope * j->x[k];
		if (j->ride_n[r] > 0 && fabs(sum / (double)j->ride_n[r]) > unit_rad(CONTROLLER_DEG))
			return false;
	}
	return line->slope > LATENCY_LOW_S && line->slope < LATENCY_HIGH_S;
}

static const struct series *series_of(const struct plan_learn *l, const struct plan_edge *e, bool stepping)
{
	return stepping ? &l->count : &l->fired[e->valve][e->on];
}

/* Offset and latency of an edge from all rides together.  A controller that waits for the next
 * tooth is known by its count (see plan_machine.c). */
static void pool_controller(struct pool *p, struct plan_edge *e)
{
	struct joined j = {.n = 0};
	struct delay_line line;
	double pitch = p->out->tooth_pitch_rad;
	size_t room = p->n * SERIES_KEPT;
	j.x = malloc(room * (2 * sizeof *j.x + sizeof *j.turn));
	if (j.x == NULL)
		return;
	j.y = j.x + room;
	j.turn = (int64_t *)(j.y + room);
	for (size_t r = 0; r < p->n; r++)
		join(&j, series_of(p->ride[r].learn, e, pitch > 0), r);
	if (j.n > 0 && delay_line(j.x, j.y, j.turn, j.n, &line) == 0 && line.separable) {
		p->out->speed_range_narrow = false;
		if (agree(&j, p->n, &line)) {
			e->offset_rad = line.at_zero + pitch / 2;
			e->latency_s = line.slope;
			e->offset_sd_rad =
			    fmax((line.at_zero_ci95[1] - line.at_zero_ci95[0]) / 2 / Z95, unit_rad(0.1));
		} else
			p->controllers_differ = true;
	}
	free(j.x);
}

/* --- passages --------------------------------------------------------------------------- */

struct weighed { /* mean weighed by variance; the rides' errors are of a kind, so the sd stays the least */
	double sum, weight, least_sd;
};

static void weigh(struct weighed *w, double x, double sd)
{
	w->least_sd = w->weight > 0 ? fmin(w->least_sd, sd) : sd;
	w->sum += x / (sd * sd);
	w->weight += 1 / (sd * sd);
}

/* A leak comes, or is mended: it stays the last ride's. */
static void pool_gas(struct pool *p, int end)
{
	struct plan_machine *m = p->out;
	struct weighed n = {0}, c[2] = {{0}};
	for (size_t r = 0; r < p->n; r++) {
		const struct plan_machine *q = p->ride[r].machine;
		weigh(&n, q->n[end], q->n_sd[end]);
		for (int i = 0; i < 2; i++)
			weigh(&c[i], log(q->c_m3_s_pa[end][i]), q->c_sd_part[end][i]);
	}
	m->n[end] = n.sum / n.weight;
	m->n_sd[end] = n.least_sd;
	for (int i = 0; i < 2; i++) {
		m->c_m3_s_pa[end][i] = exp(c[i].sum / c[i].weight);
		m->c_sd_part[end][i] = c[i].least_sd;
	}
}

/* --- is it one machine? ------------------------------------------------------------------- */

static int same_machine(struct pool *p, struct fault *fault)
{
	const struct plan_machine *last = p->ride[p->n - 1].machine;
	char text[ENGINE_DIFFERENCES_MAX];
	for (size_t r = 0; r + 1 < p->n; r++) {
		const struct plan_machine *m = p->ride[r].machine;
		engine_differences(&m->engine, &last->engine, DIFFERENT_MACHINE, text);
		if (text[0] != '\0')
			return fault_set(
			    fault, EX_DATAERR,
			    "%s and %s are rides of different machines by their engine files "
			    "(%s); plan them apart, or, where one file was wrong, give the right "
			    "one with --engine",
			    m->run, last->run, text);
		engine_differences(&m->engine, &last->engine, DIFFERENT_READING, text);
		if (text[0] != '\0')
			report_say(&p->out->remarks,
			           "The engine files of %s and %s differ in %s: give one for both with "
			           "--engine, or their angles and pressures do not compare.",
			           m->run, last->run, text);
	}
	return 0;
}

/* --- the whole ---------------------------------------------------------------------------- */

static void note_ride(struct pool *p, size_t r)
{
	struct plan_run *to = &p->out->learned_from[r];
	const struct plan_machine *m = p->ride[r].machine;
	*to = (struct plan_run){.rpm = {unit_rpm(m->speed_rad_s.min), unit_rpm(m->speed_rad_s.max)},
	                        .supply_pa = {m->supply_pa.min, m->supply_pa.max},
	                        .battery_v = {NAN, NAN},
	                        .share = p->edges > 0 ? p->shares[r] / p->edges : 0};
	memcpy(to->name, m->run, sizeof to->name);
	for (int i = 0; i < 2 * ENGINE_VALVES_MAX; i++) {
		struct plan_trend t;
		const struct series *s = &p->ride[r].learn->delay[i / 2][i % 2];
		plan_learn_trend(p->ride[r].learn, (unsigned)i / 2, i % 2 == 1, &t);
		to->events += (unsigned)s->seen;
		widen(&to->battery_v[0], &to->battery_v[1], t.low[PLAN_BATTERY], t.high[PLAN_BATTERY]);
	}
}

static void note_rides(struct pool *p)
{
	struct plan_machine *m = p->out;
	m->run_n = p->n;
	for (size_t r = 0; r < p->n; r++) {
		const struct plan_machine *q = p->ride[r].machine;
		note_ride(p, r);
		widen(&m->speed_rad_s.min, &m->speed_rad_s.max, q->speed_rad_s.min, q->speed_rad_s.max);
		widen(&m->supply_pa.min, &m->supply_pa.max, q->supply_pa.min, q->supply_pa.max);
		widen(&m->battery_v.min, &m->battery_v.max, m->learned_from[r].battery_v[0],
		      m->learned_from[r].battery_v[1]);
	}
}

int plan_pool(const struct plan_lesson *ride, size_t n, struct plan_machine *out, struct fault *fault)
{
	struct pool p = {.ride = ride, .n = n, .out = out};
	*out = *ride[n - 1].machine;
	if (same_machine(&p, fault) != 0)
		return -1;
	for (int i = 0; i < END_COUNT * EVENT_KINDS; i++) {
		struct plan_edge *e = &out->edge[i / EVENT_KINDS][i % EVENT_KINDS];
		if (e->valve < 0)
			continue;
		pool_delay(&p, i / EVENT_KINDS, i % EVENT_KINDS);
		if (n > 1)
			pool_controller(&p, e);
	}
	for (int end = 0; n > 1 && end < END_COUNT; end++)
		pool_gas(&p, end);
	note_rides(&p);
	if (p.controllers_differ)
		report_say(
		    &out->remarks,
		    "The controller's angle was not the same in all rides (index, first tooth or sketch "
		    "changed?): for it only the last ride, %s, counts.",
		    out->run);
	return 0;
}
