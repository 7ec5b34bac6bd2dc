/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/rehearse/gauge.h"

#include <math.h>

struct gauge gauge_make(const struct engine *e, const struct settings *s, unsigned channel, unsigned order,
                        struct prng random)
{
	struct gauge g = {.sensor = e->sensor[channel], .random = random};
	if (g.sensor.role == SENSOR_NONE || g.sensor.points < 2)
		return g;
	double range = fabs(g.sensor.counts[g.sensor.points - 1] - g.sensor.counts[0]) / 100;
	g.rate_hz = s->rate[channel];
	g.offset_s = order * s->stagger * 1e-6;
	g.tube_s = s->tube[channel] * 1e-3;
	g.lag_s = s->lag[channel] * 1e-3;
	g.gain = 1 + s->gain[channel] / 100;
	g.zero_counts = s->zero[channel] * range;
	g.noise_counts = s->noise[channel] * range;
	g.max_counts = ldexp(1, (int)s->adc_bits) - 1;
	return g;
}

void gauge_settle(struct gauge *g, double value)
{
	g->in_tube = g->value = g->value_before = value;
}

/* Exact to second order for a step shorter than the lag; follows at once when
 * there is none. */
static double lagged(double state, double input, double lag_s, double step_s)
{
	return state + (input - state) * fmin(step_s / (lag_s + step_s / 2), 1);
}

void gauge_step(struct gauge *g, double value, double step_s)
{
	g->value_before = g->value;
	g->in_tube = lagged(g->in_tube, value, g->tube_s, step_s);
	g->value = lagged(g->value, g->in_tube, g->lag_s, step_s);
}

double gauge_counts(const struct engine_sensor *s, double value)
{
	bool rising = s->value[s->points - 1] > s->value[0];
	size_t i = 1;
	while (i + 1 < s->points && (rising ? value > s->value[i] : value < s->value[i]))
		i++;
	double slope = (s->counts[i] - s->counts[i - 1]) / (s->value[i] - s->value[i - 1]);
	return s->counts[i - 1] + slope * (value - s->value[i - 1]);
}

int64_t gauge_read(struct gauge *g, double u)
{
	double value = g->value_before + u * (g->value - g->value_before);
	double low = g->sensor.counts[0], counts = gauge_counts(&g->sensor, value);
	counts = low + (counts - low) * g->gain + g->zero_counts;
	if (g->noise_counts > 0)
		counts += g->noise_counts * prng_normal(&g->random);
	g->taken++;
	return (int64_t)floor(fmin(fmax(counts + 0.5, 0), g->max_counts));
}

double gauge_due_s(const struct gauge *g)
{
	return (double)g->taken / g->rate_hz + g->offset_s;
}
