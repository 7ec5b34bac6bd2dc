/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/plan_learn.h"

#include "analyse/delay.h"
#include "common/unit.h"

#include <math.h>
#include <string.h>

#define HOLE_US 100e3      /* supply samples further apart say nothing in between */
#define EVENTS_LEAST 40    /* fewer do not tell */
#define LATTICE_SHARE 0.7  /* of the firings on one place of the pitch; the index may set another */
#define SUPPLY_SPAN_PA 1e5 /* pressures that differ less say nothing of the delay */

void plan_learn_start(struct plan_learn *learn, const struct engine *e)
{
	memset(learn, 0, sizeof *learn);
	learn->engine = *e;
	learn->supply_channel = engine_sensor_channel(e, SENSOR_SUPPLY);
	learn->count.stride = 1;
	for (int i = 0; i < 2 * ENGINE_VALVES_MAX; i++)
		learn->delay[i / 2][i % 2].stride = 1;
}

static void thin(struct plan_series *s)
{
	for (size_t i = 0; i < PLAN_SERIES_KEPT / 2; i++) {
		s->x[i] = s->x[2 * i];
		s->y[i] = s->y[2 * i];
		s->turn[i] = s->turn[2 * i];
	}
	s->n = PLAN_SERIES_KEPT / 2;
	s->stride *= 2;
}

static void add(struct plan_series *s, double x, double y, int64_t turn)
{
	if (!isfinite(x) || !isfinite(y) || s->seen++ % s->stride != 0)
		return;
	if (s->n == PLAN_SERIES_KEPT)
		thin(s);
	s->x[s->n] = x;
	s->y[s->n] = y;
	s->turn[s->n++] = turn;
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
	return opens != e->valve[v->valve].rest_open;
}

static void take(struct plan_learn *learn, const struct leg *leg, const struct valve_event *v)
{
	if (v->flagged)
		return;
	add(&learn->count, v->omega_rad_s, v->count_error_rad, v->revolution);
	double controller = v->intended_rad + v->firing_error_rad;
	if (!isnan(controller))
		add_lattice(learn, controller);
	if ((v->cls != EVENT_CLASS_A && v->cls != EVENT_CLASS_B) || learn->supply_channel < 0)
		return;
	double supply = ride_series_at(&leg->sensor[learn->supply_channel], v->command_t_us, HOLE_US);
	add(&learn->delay[v->valve][energises(&learn->engine, v)], supply, v->delay_s, v->revolution);
}

static int take_rows(void *ctx, const struct analysis_rows *rows, struct fault *fault)
{
	(void)fault;
	for (size_t i = 0; i < rows->event_n; i++)
		take(ctx, rows->leg, &rows->event[i]);
	return 0;
}

struct analysis_sink plan_learn_sink(struct plan_learn *learn)
{
	return (struct analysis_sink){.ctx = learn, .rows = take_rows};
}

bool plan_learn_slope(const struct plan_learn *learn, unsigned valve, bool on, double *per_pa, double *at_pa)
{
	const struct plan_series *s = &learn->delay[valve][on];
	struct delay_line line;
	if (s->n < EVENTS_LEAST || delay_slope(s->x, s->y, s->turn, s->n, &line) != 0)
		return false;
	if (line.speed_high - line.speed_low < SUPPLY_SPAN_PA ||
	    !(line.slope_ci95[0] * line.slope_ci95[1] > 0))
		return false;
	*per_pa = line.slope;
	*at_pa = line.mean_speed;
	return true;
}

bool plan_learn_count(const struct plan_learn *learn, double *offset_rad, double *latency_s)
{
	const struct plan_series *s = &learn->count;
	struct delay_line line;
	if (s->n < EVENTS_LEAST || delay_line(s->x, s->y, s->turn, s->n, &line) != 0)
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
