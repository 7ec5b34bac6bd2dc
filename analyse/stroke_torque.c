/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/stroke_torque.h"

#include <math.h>

#define SPAN_SAMPLES 64 /* at most: beyond, the span is shorter */
static const double HOLE_US = 1e5;

struct sample {
	double theta_rad, nm, noise_nm2, zero_nm2; /* variances */
};

/* Places in the series and the crank, moving on with rising times. */
struct cursor {
	size_t crank, sample[END_COUNT];
};

/* NAN before the first sample, after the last and in a hole. */
static double pressure_at(const struct ride_series *s, double t_us, size_t *at)
{
	while (*at + 1 < s->n && (double)s->t_us[*at + 1] <= t_us)
		++*at;
	if (*at + 1 >= s->n || (double)s->t_us[*at] > t_us)
		return NAN;
	double t0 = (double)s->t_us[*at], t1 = (double)s->t_us[*at + 1];
	double a = (double)s->value[*at], b = (double)s->value[*at + 1];
	return t1 - t0 > HOLE_US ? NAN : a + (b - a) * (t_us - t0) / (t1 - t0);
}

static struct sample sample_at(const struct stroke_torque_source *s, double t_us, struct cursor *c)
{
	struct sample x = {.theta_rad = crank_angle_at(s->crank, t_us, &c->crank)};
	double arm_m = mech_arm_m(s->mech, x.theta_rad);
	for (int end = 0; end < END_COUNT; end++) {
		if (s->chamber[end] == NULL)
			continue;
		double p = pressure_at(s->chamber[end], t_us + s->lag_us[end], &c->sample[end]);
		double dv = mech_dvolume_by_arm_m3(s->mech, (enum engine_end)end, arm_m);
		x.nm += (p - s->ambient_pa) * dv;
		x.noise_nm2 += pow(s->noise_pa[end] * dv, 2);
		x.zero_nm2 += pow(s->zero_sd_pa[end] * dv, 2);
	}
	return x;
}

/* The last samples, as far back as the span reaches. */
struct span {
	struct sample ring[SPAN_SAMPLES];
	size_t first, n;
	double sum_nm;
};

static void span_add(struct span *s, struct sample x)
{
	while (s->n > 0 && (s->n == SPAN_SAMPLES || x.theta_rad - s->ring[s->first % SPAN_SAMPLES].theta_rad >
	                                                STROKE_TORQUE_SPAN_RAD)) {
		s->sum_nm -= s->ring[s->first++ % SPAN_SAMPLES].nm;
		s->n--;
	}
	s->ring[(s->first + s->n++) % SPAN_SAMPLES] = x;
	s->sum_nm += x.nm;
}

/* The last sample before a time, 0 when there is none. */
static size_t before(const struct ride_series *s, double t_us)
{
	size_t at = ride_lower_bound(s->t_us, s->n, (int64_t)t_us);
	return at > 0 ? at - 1 : 0;
}

struct stroke_torque stroke_torque_over(const struct stroke_torque_source *s, double from_us, double to_us)
{
	struct stroke_torque out = {NAN, NAN};
	enum engine_end by = s->chamber[END_CAP] != NULL ? END_CAP : END_ROD;
	const struct ride_series *series = s->chamber[by];
	struct span span = {.n = 0};
	struct cursor cursor = {.crank = 0};
	for (int end = 0; end < END_COUNT; end++)
		if (s->chamber[end] != NULL)
			cursor.sample[end] = before(s->chamber[end], from_us + s->lag_us[end]);
	for (size_t i = cursor.sample[by] + 1; i < series->n; i++) {
		double t_us = (double)series->t_us[i] - s->lag_us[by];
		if (t_us > to_us)
			break;
		struct sample x = sample_at(s, t_us, &cursor);
		if (isnan(x.nm))
			return (struct stroke_torque){NAN, NAN};
		span_add(&span, x);
		double mean = span.sum_nm / (double)span.n;
		if (!(mean <= out.most_nm))
			out = (struct stroke_torque){mean, sqrt(x.noise_nm2 / (double)span.n + x.zero_nm2)};
	}
	return out;
}
