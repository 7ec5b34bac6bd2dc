/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/plan_learn.h"
#include "analyse/plan_machine.h"

#include "analyse/delay.h"
#include "analyse/trend.h"
#include "common/unit.h"

#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <string.h>

#define HOLE_US 100e3     /* sensor samples further apart say nothing in between */
#define EVENTS_LEAST 40   /* fewer do not tell */
#define LATTICE_SHARE 0.7 /* of the firings on one place of the pitch; the index may set another */

/* Covariates that differ less say nothing of the delay: the noise of a gauge comes near. */
static const double span_least[PLAN_COVARIATES] = {0.3e5, 0.2, 1};

void plan_learn_start(struct plan_learn *learn, const struct engine *e)
{
	memset(learn, 0, sizeof *learn);
	learn->engine = *e;
	learn->channel[PLAN_SUPPLY] = engine_sensor_channel(e, SENSOR_SUPPLY);
	learn->channel[PLAN_BATTERY] = engine_sensor_channel(e, SENSOR_BATTERY);
	learn->channel[PLAN_SPEED] = -1;
	series_start(&learn->count);
	for (int i = 0; i < 2 * ENGINE_VALVES_MAX; i++) {
		series_start(&learn->delay[i / 2][i % 2]);
		series_start(&learn->fired[i / 2][i % 2]);
	}
	resistance_start(&learn->resistance, e);
}

static void add_lattice(struct plan_learn *learn, double controller_rad)
{
	struct plan_lattice *l = &learn->lattice;
	double teeth = learn->engine.tooth_count * learn->engine.crank_ratio;
	l->n++;
	for (int i = 0; i < 2; i++) {
		double pitches = controller_rad / (2 * UNIT_PI) * teeth * (i + 1);
		unsigned phase = (unsigned)((pitches - floor(pitches)) * PLAN_PHASES);
		l->phase[i][phase % PLAN_PHASES]++;
	}
}

static bool energises(const struct engine *e, const struct valve_event *v)
{
	bool opens = v->event == EVENT_ADMISSION || v->event == EVENT_RELEASE;
	return opens == engine_energised_opens(&e->valve[v->valve],
	                                       plan_passage(v->end, (enum valve_event_kind)v->event));
}

/* What the delay may depend on, at the command; false when a sensor that is there did not tell. */
static bool covariates(const struct plan_learn *learn, const struct leg *leg, const struct valve_event *v,
                       double x[PLAN_COVARIATES])
{
	bool told = true;
	for (int k = 0; k < PLAN_COVARIATES; k++) {
		int channel = learn->channel[k];
		x[k] = channel < 0 ? NAN : ride_series_at(&leg->sensor[channel], v->command_t_us, HOLE_US);
		told = told && (channel < 0 || isfinite(x[k]));
	}
	x[PLAN_SPEED] = v->omega_rad_s;
	return told && isfinite(v->omega_rad_s);
}

static void take(struct plan_learn *learn, const struct leg *leg, const struct valve_event *v)
{
	double x[PLAN_COVARIATES], over_speed[SERIES_X] = {v->omega_rad_s, NAN, NAN};
	const struct engine_valve *valve = &learn->engine.valve[v->valve];
	bool on = energises(&learn->engine, v);
	if (v->flagged || !isfinite(v->omega_rad_s))
		return;
	double lead = on ? valve->lead_open_s : valve->lead_shut_s;
	series_add(&learn->count, over_speed, v->count_error_rad, v->revolution);
	series_add(&learn->fired[v->valve][on], over_speed,
	           v->count_error_rad + v->firing_error_rad + lead * v->omega_rad_s, v->revolution);
	double controller = v->intended_rad + v->firing_error_rad;
	if (!isnan(controller))
		add_lattice(learn, controller);
	if ((v->cls == EVENT_CLASS_A || v->cls == EVENT_CLASS_B) && covariates(learn, leg, v, x))
		series_add(&learn->delay[v->valve][on], x, v->delay_s, v->revolution);
}

static int take_rows(void *ctx, const struct analysis_rows *rows, struct fault *fault)
{
	(void)fault;
	struct plan_learn *learn = ctx;
	for (size_t i = 0; i < rows->event_n; i++)
		take(learn, rows->leg, &rows->event[i]);
	resistance_add(&learn->resistance, rows);
	return 0;
}

struct analysis_sink plan_learn_sink(struct plan_learn *learn)
{
	return (struct analysis_sink){.ctx = learn, .rows = take_rows};
}

/* Range of a covariate over the events: 2 % to 98 %. */
static void range_of(const double *x, size_t n, double *mean, double *low, double *high)
{
	double sorted[SERIES_KEPT];
	memcpy(sorted, x, n * sizeof *x);
	gsl_sort(sorted, 1, n);
	*mean = gsl_stats_mean(sorted, 1, n);
	*low = gsl_stats_quantile_from_sorted_data(sorted, 1, n, 0.02);
	*high = gsl_stats_quantile_from_sorted_data(sorted, 1, n, 0.98);
}

void plan_learn_trend(const struct plan_learn *learn, unsigned valve, bool on, struct plan_trend *out)
{
	const struct series *s = &learn->delay[valve][on];
	const double *x[TREND_TERMS] = {NULL};
	int which[TREND_TERMS] = {0};
	unsigned terms = 1;
	struct trend t;
	*out = (struct plan_trend){.n = s->n};
	for (int k = 0; k < PLAN_COVARIATES; k++) {
		out->mean[k] = out->low[k] = out->high[k] = NAN;
		if (s->n == 0 || !isfinite(s->x[k][0]))
			continue;
		range_of(s->x[k], s->n, &out->mean[k], &out->low[k], &out->high[k]);
		if (out->high[k] - out->low[k] < span_least[k])
			continue;
		which[terms] = k;
		x[terms++] = s->x[k];
	}
	if (s->n < EVENTS_LEAST || terms == 1 || !trend_fit(s->y, x, terms, s->turn, s->n, &t))
		return;
	for (unsigned i = 1; i < terms; i++) {
		out->told[which[i]] = true;
		out->per[which[i]] = t.c[i];
		for (unsigned j = 1; j < terms; j++)
			out->cov[which[i]][which[j]] = t.cov[i][j];
	}
}

bool plan_learn_count(const struct plan_learn *learn, double *offset_rad, double *latency_s)
{
	const struct series *s = &learn->count;
	struct delay_line line;
	if (s->n < EVENTS_LEAST || delay_line(s->x[0], s->y, s->turn, s->n, &line) != 0)
		return false;
	*offset_rad = line.separable ? line.at_zero : line.at_mean;
	*latency_s = line.separable ? line.slope : 0;
	return true;
}

/* Share of the firings that fall on the likeliest place and its neighbours. */
static double on_one_place(const unsigned phase[PLAN_PHASES], unsigned n)
{
	unsigned most = 0;
	for (int i = 0; i < PLAN_PHASES; i++) {
		unsigned here = phase[i] + phase[(i + 1) % PLAN_PHASES] + phase[(i + 2) % PLAN_PHASES];
		most = here > most ? here : most;
	}
	return (double)most / n;
}

double plan_learn_pitch_rad(const struct plan_learn *learn)
{
	const struct plan_lattice *l = &learn->lattice;
	double teeth = learn->engine.tooth_count * learn->engine.crank_ratio;
	if (l->n < EVENTS_LEAST || teeth == 0)
		return 0;
	double tooth = on_one_place(l->phase[0], l->n), edge = on_one_place(l->phase[1], l->n);
	if (fmax(tooth, edge) < LATTICE_SHARE)
		return 0;
	/* Places a tooth apart are places an edge apart as well; few commands may all but fit. */
	return 2 * UNIT_PI / (teeth * (edge > tooth + 0.02 ? 2 : 1));
}
