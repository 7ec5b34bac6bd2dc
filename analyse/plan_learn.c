/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/plan_learn.h"

#include "common/unit.h"

#include <math.h>

#define HOLE_US 100e3        /* supply samples further apart say nothing in between */
#define LATTICE_EVENTS 40    /* fewer do not tell */
#define LATTICE_STRENGTH 0.8 /* resultant length above which angles sit on teeth */
#define SLOPE_EVENTS 40
#define SLOPE_SPAN_BAR 0.3 /* standard deviation of the pressures */

void plan_learn_start(struct plan_learn *learn, const struct engine *e)
{
	*learn = (struct plan_learn){.engine = *e, .supply_channel = engine_sensor_channel(e, SENSOR_SUPPLY)};
}

static void add_slope(struct plan_slope *s, double x, double y)
{
	s->n++;
	s->x += x, s->y += y;
	s->xx += x * x, s->xy += x * y, s->yy += y * y;
}

static void add_lattice(struct plan_learn *learn, double controller_rad)
{
	struct plan_lattice *l = &learn->lattice;
	double teeth = learn->engine.tooth_count * learn->engine.crank_ratio;
	l->n++;
	for (int i = 0; i < 2; i++) {
		l->sine[i] += sin((i + 1) * teeth * controller_rad);
		l->cosine[i] += cos((i + 1) * teeth * controller_rad);
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
	double controller = v->intended_rad + v->firing_error_rad;
	if (!isnan(controller))
		add_lattice(learn, controller);
	if (v->cls != EVENT_CLASS_A && v->cls != EVENT_CLASS_B)
		return;
	double supply = learn->supply_channel < 0
	                    ? NAN
	                    : ride_series_at(&leg->sensor[learn->supply_channel], v->command_t_us, HOLE_US);
	if (!isnan(supply))
		add_slope(&learn->slope[v->valve][energises(&learn->engine, v)], supply / 1e5,
		          v->delay_s * 1e3);
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
	const struct plan_slope *s = &learn->slope[valve][on];
	if (s->n < SLOPE_EVENTS)
		return false;
	double mx = s->x / s->n, my = s->y / s->n;
	double xx = s->xx - s->n * mx * mx, xy = s->xy - s->n * mx * my, yy = s->yy - s->n * my * my;
	if (xx < s->n * SLOPE_SPAN_BAR * SLOPE_SPAN_BAR)
		return false;
	double slope = xy / xx, sd = sqrt(fmax(yy - slope * xy, 0) / (s->n - 2) / xx);
	if (fabs(slope) < 3 * sd)
		return false;
	*per_pa = slope * 1e-3 / 1e5;
	*at_pa = mx * 1e5;
	return true;
}

double plan_learn_pitch_rad(const struct plan_learn *learn)
{
	const struct plan_lattice *l = &learn->lattice;
	double teeth = learn->engine.tooth_count * learn->engine.crank_ratio;
	if (l->n < LATTICE_EVENTS || teeth == 0)
		return 0;
	for (int i = 0; i < 2; i++)
		if (hypot(l->sine[i], l->cosine[i]) / l->n > LATTICE_STRENGTH)
			return 2 * UNIT_PI / ((i + 1) * teeth);
	return 0;
}
