/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/resistance.h"

#include "analyse/trend.h"
#include "common/unit.h"

#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <string.h>

#define TURN (2 * UNIT_PI)
#define TURNS_LEAST 12
#define COAST_LEAST 5
#define COAST_PART 0.15  /* of the work of a middling turn: less, and nothing pushes */
#define SPEED_SPAN 1.2   /* fastest to slowest that tells how resistance changes with speed */
#define INERTIA_PART 0.3 /* an inertia from the ride may be off by this: a load that changes looks alike */
#define WORK_PART 0.005  /* of the work: what the indicator diagram attains, a gauge's gain aside */

void resistance_start(struct resistance *r, const struct engine *e)
{
	memset(r, 0, sizeof *r);
	r->both_ends = isfinite(e->clearance_m3[END_ROD]);
	r->cap.number = r->rod.number = -1;
	series_start(&r->turn);
}

/* Half the change of speed^2 over a stroke; NAN where the angle is not to be trusted. */
static double change_of(const struct analysis_rows *rows, const struct stroke *s)
{
	struct crank_state from, to;
	crank_at(rows->crank, s->t_start_us, NULL, &from);
	crank_at(rows->crank, s->t_end_us, NULL, &to);
	if (from.flag != CRANK_GOOD || to.flag != CRANK_GOOD)
		return NAN;
	return (to.omega_rad_s * to.omega_rad_s - from.omega_rad_s * from.omega_rad_s) / 2;
}

static bool begins_in(const struct stroke *a, const struct stroke *b)
{
	return b->number >= 0 && a->t_start_us > b->t_start_us && a->t_start_us <= b->t_end_us;
}

static void turn_done(struct resistance *r, double work_j)
{
	const double x[SERIES_X] = {r->cap_x, r->cap.omega_rad_s, NAN};
	if (isfinite(r->cap_x) && r->cap.omega_rad_s > 0)
		series_add(&r->turn, x, work_j, r->cap.number);
}

/* The cap end's turn has the later half of one stroke of the rod end and the earlier half of the next. */
static void take(struct resistance *r, const struct analysis_rows *rows, const struct stroke *s)
{
	bool cap = s->end == END_CAP;
	struct stroke *last = cap ? &r->cap : &r->rod;
	if (s->flag[0] != '\0' || !isfinite(s->work_j)) {
		last->number = -1;
		return;
	}
	if (!cap && begins_in(s, &r->cap) && begins_in(&r->cap, &r->rod))
		turn_done(r, r->cap.work_j + (r->rod.work_j + s->work_j) / 2);
	*last = *s;
	if (!cap)
		return;
	r->cap_x = change_of(rows, s);
	if (!r->both_ends)
		turn_done(r, s->work_j);
}

void resistance_add(struct resistance *r, const struct analysis_rows *rows)
{
	for (size_t i = 0; i < rows->stroke_n; i++)
		take(r, rows, &rows->stroke[i]);
}

/* --- what the turns tell ------------------------------------------------------------ */

struct energy { /* of the turns, with the inertia's part taken off where that is known */
	const struct series *s;
	double y[SERIES_KEPT];
};

static void take_inertia_off(struct energy *e, double inertia)
{
	for (size_t i = 0; i < e->s->n; i++)
		e->y[i] = e->s->y[i] - inertia * e->s->x[0][i];
}

static double middling_work(const struct series *s)
{
	double sorted[SERIES_KEPT];
	memcpy(sorted, s->y, s->n * sizeof *sorted);
	return gsl_stats_median(sorted, 1, s->n);
}

static void take_constant(const struct trend *t, double less_j, double less_sd_j,
                          struct resistance_found *out)
{
	out->nm = (t->c[0] - less_j) / TURN;
	out->cov[0][0] = (t->cov[0][0] + less_sd_j * less_sd_j) / (TURN * TURN);
}

static void take_slope(const struct trend *t, unsigned at, struct resistance_found *out)
{
	out->omega_rad_s = t->mean[at];
	out->omega_low = t->low[at];
	out->omega_high = t->high[at];
	if (!(out->omega_high >= SPEED_SPAN * out->omega_low))
		return;
	out->per_rad_s = t->c[at] / TURN;
	out->cov[1][1] = t->cov[at][at] / (TURN * TURN);
	out->cov[0][1] = out->cov[1][0] = t->cov[0][at] / (TURN * TURN);
}

static bool with_inertia(struct energy *e, double inertia, double inertia_sd, struct resistance_found *out)
{
	const double *x[TREND_TERMS] = {NULL, e->s->x[1]};
	double mean_x = gsl_stats_mean(e->s->x[0], 1, e->s->n);
	struct trend t;
	take_inertia_off(e, inertia);
	if (!trend_fit(e->y, x, 2, e->s->turn, e->s->n, &t))
		return false;
	take_constant(&t, 0, inertia_sd * fabs(mean_x), out);
	take_slope(&t, 1, out);
	out->inertia_kg_m2 = inertia;
	out->inertia_sd = inertia_sd;
	return true;
}

/* The inertia is one of the unknowns. */
static bool without_inertia(const struct energy *e, struct resistance_found *out)
{
	const double *x[TREND_TERMS] = {NULL, e->s->x[0], e->s->x[1]};
	struct trend t;
	if (!trend_fit(e->s->y, x, 3, e->s->turn, e->s->n, &t))
		return false;
	double carried = t.c[1] * t.mean[1];
	double sd = hypot(sqrt(t.cov[1][1]), INERTIA_PART * t.c[1]) * fabs(t.mean[1]);
	take_constant(&t, carried, sd, out);
	take_slope(&t, 2, out);
	if (t.c[1] > 1.96 * sqrt(t.cov[1][1])) {
		out->inertia_kg_m2 = t.c[1];
		out->inertia_sd = hypot(sqrt(t.cov[1][1]), INERTIA_PART * t.c[1]);
	}
	return true;
}

/* Turns without push: what they lose, the crank and all that it drags along takes. */
static void find_coast(const struct energy *e, struct resistance_found *out)
{
	const struct series *s = e->s;
	double little = COAST_PART * middling_work(s), sum = 0, squares = 0, omega = 0, lost = 0;
	unsigned n = 0;
	for (size_t i = 0; i < s->n; i++) {
		if (!(s->y[i] < little) || !(s->x[0][i] < 0))
			continue;
		double nm = (s->y[i] - out->inertia_kg_m2 * s->x[0][i]) / TURN;
		sum += nm;
		squares += nm * nm;
		omega += s->x[1][i];
		lost -= s->x[0][i] / TURN;
		n++;
	}
	if (n < COAST_LEAST || !isfinite(out->inertia_kg_m2))
		return;
	double mean = sum / n, scatter = sqrt(fmax(squares / n - mean * mean, 0) / (n - 1));
	out->coast_turns = n;
	out->coast_nm = mean;
	out->coast_sd_nm = hypot(scatter, out->inertia_sd * lost / n);
	out->coast_omega_rad_s = omega / n;
}

void resistance_find(const struct resistance *r, double inertia_kg_m2, double inertia_sd,
                     struct resistance_found *out)
{
	struct energy e = {.s = &r->turn};
	size_t n = r->turn.n;
	*out = (struct resistance_found){.inertia_kg_m2 = NAN, .inertia_sd = NAN};
	if (n < TURNS_LEAST)
		return;
	bool told = isfinite(inertia_kg_m2) ? with_inertia(&e, inertia_kg_m2, inertia_sd, out)
	                                    : without_inertia(&e, out);
	if (!told)
		return;
	out->turns = (unsigned)n;
	double work_sd = WORK_PART * middling_work(&r->turn) / TURN;
	out->cov[0][0] += work_sd * work_sd;
	out->load_varies = out->per_rad_s + 1.96 * sqrt(out->cov[1][1]) < 0;
	find_coast(&e, out);
}

double resistance_nm(const struct resistance_found *f, double omega_rad_s, double *sd)
{
	double off = f->load_varies ? 0 : omega_rad_s - f->omega_rad_s;
	*sd = sqrt(fmax(f->cov[0][0] + 2 * off * f->cov[0][1] + off * off * f->cov[1][1], 0));
	return f->nm + off * f->per_rad_s;
}
