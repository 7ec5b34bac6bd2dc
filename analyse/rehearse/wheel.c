/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/rehearse/wheel.h"

#include "common/unit.h"

#include <math.h>

static unsigned tooth_of(const struct wheel *w, long edge)
{
	long tooth = edge >= 0 ? edge / 2 : -((1 - edge) / 2), n = (long)w->teeth;
	return (unsigned)(((tooth % n) + n) % n);
}

double wheel_edge_deg(const struct wheel *w, long edge)
{
	bool odd = (edge & 1) != 0;
	long tooth = (edge - odd) / 2;
	double base = w->first_deg + (double)tooth * w->pitch_deg + (odd ? w->duty * w->pitch_deg : 0);
	return base + w->error_deg[tooth_of(w, edge)];
}

static double seen_deg(struct wheel *w, long edge, double t_s)
{
	/* Three standard deviations, and never past the neighbouring edge. */
	double limit = 0.2 * w->pitch_deg * fmin(w->duty, 1 - w->duty);
	double shift = w->jitter_deg * fmin(fmax(prng_normal(&w->random), -3), 3);
	if (w->drift_deg > 0) {
		double light = w->drift_deg / 2 * sin(2 * UNIT_PI * t_s / w->drift_period_s);
		shift += (edge & 1) != 0 ? light : -light;
	}
	return wheel_edge_deg(w, edge) + fmin(fmax(shift, -limit), limit);
}

/* Random pitch error and eccentricity; both as errors of whole teeth. */
static void cut_teeth(struct wheel *w, const struct settings *s)
{
	double phase = 2 * UNIT_PI * prng_uniform(&w->random), sum = 0;
	for (unsigned k = 0; k < w->teeth; k++) {
		w->error_deg[k] = s->pitch_error * fmin(fmax(prng_normal(&w->random), -3), 3) +
		                  s->eccentricity * sin(2 * UNIT_PI * k / w->teeth + phase);
		sum += w->error_deg[k];
	}
	for (unsigned k = 0; k < w->teeth; k++)
		w->error_deg[k] -= sum / w->teeth;
}

void wheel_make(struct wheel *w, unsigned teeth, double pitch_deg, double first_deg, const struct settings *s,
                struct prng random)
{
	*w = (struct wheel){
	    .teeth = teeth,
	    .pitch_deg = pitch_deg,
	    .first_deg = first_deg,
	    .duty = s->duty,
	    .jitter_deg = s->edge_jitter,
	    .drift_deg = s->threshold_drift,
	    .drift_period_s = s->threshold_period,
	    .random = random,
	};
	cut_teeth(w, s);
}

bool wheel_place(struct wheel *w, double theta_deg)
{
	w->edge_below = 2 * (long)floor((theta_deg - w->first_deg) / w->pitch_deg) - 2;
	while (wheel_edge_deg(w, w->edge_below + 1) <= theta_deg)
		w->edge_below++;
	w->below_deg = wheel_edge_deg(w, w->edge_below);
	w->above_deg = wheel_edge_deg(w, w->edge_below + 1);
	return (w->edge_below & 1) == 0;
}

static void describe(const struct wheel *w, long edge, bool forward, double theta_deg, struct wheel_edge *e)
{
	e->tooth = tooth_of(w, edge);
	e->into = ((edge & 1) == 0) == forward;
	e->theta_deg = theta_deg;
}

bool wheel_next(struct wheel *w, double theta_deg, double t_s, struct wheel_edge *edge)
{
	if (theta_deg >= w->above_deg) {
		describe(w, w->edge_below + 1, true, w->above_deg, edge);
		w->edge_below++;
		w->below_deg = w->above_deg;
		w->above_deg = seen_deg(w, w->edge_below + 1, t_s);
		return true;
	}
	if (theta_deg < w->below_deg) {
		describe(w, w->edge_below, false, w->below_deg, edge);
		w->edge_below--;
		w->above_deg = w->below_deg;
		w->below_deg = seen_deg(w, w->edge_below, t_s);
		return true;
	}
	return false;
}
