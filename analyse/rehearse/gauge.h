/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A sensor and its channel of the converter: tube and sensor as two first
 * order lags, gain and zero error, noise, counts by the engine file's own
 * line or table. */
#ifndef TRAMMEL_REHEARSE_GAUGE_H
#define TRAMMEL_REHEARSE_GAUGE_H

#include "analyse/rehearse/prng.h"
#include "analyse/rehearse/settings.h"

struct gauge {
	struct engine_sensor sensor;
	double rate_hz, offset_s;
	double tube_s, lag_s;
	double gain, zero_counts, noise_counts, max_counts;
	double in_tube, value, value_before; /* SI, as engine_sensor_value */
	uint64_t taken;                      /* samples so far */
	struct prng random;
};

/* Channel `channel` of the engine; `order` = how many channels are sampled
 * before it.  A channel that is not sampled has rate_hz 0. */
struct gauge gauge_make(const struct engine *e, const struct settings *s, unsigned channel, unsigned order,
                        struct prng random);

/* Settles at a value. */
void gauge_settle(struct gauge *g, double value);

/* One step: the quantity's mean over it. */
void gauge_step(struct gauge *g, double value, double step_s);

/* Counts read at the part u (0..1) of the last step. */
int64_t gauge_read(struct gauge *g, double u);

/* When the next sample is due. */
double gauge_due_s(const struct gauge *g);

/* Inverse of engine_sensor_value. */
double gauge_counts(const struct engine_sensor *s, double value);

#endif
