/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/stroke_rig.h"

#include "common/unit.h"

#include <math.h>
#include <stdlib.h>

static const double TURN = 2 * UNIT_PI;
static const double RIPPLE = 0.05;
#define POINT_US 4000.0

const struct engine stroke_rig_engine = {
    .mechanism = MECHANISM_OSCILLATING,
    .pivot_distance_m = 0.42,
    .crank_radius_m = 0.0625,
    .bore_m = 0.063,
    .rod_m = 0.02,
    .clearance_m3 = {18e-6, 21e-6},
    .ambient_pa = 101300,
    .air_k = 291.15,
    .tooth_count = 36,
    .crank_ratio = 1,
    .edges = EDGES_BOTH,
    .valve = {[0] = {.present = true, .passages = PASSAGE_CAP_INLET, .opens_rad = 0, .shuts_rad = 1.6},
              [1] = {.present = true, .passages = PASSAGE_CAP_EXHAUST, .opens_rad = 2.9, .shuts_rad = 6.1},
              [2] = {.present = true, .passages = PASSAGE_ROD_INLET, .opens_rad = 3.14, .shuts_rad = 4.8},
              [3] = {.present = true, .passages = PASSAGE_ROD_EXHAUST, .opens_rad = 6.0, .shuts_rad = 2.9}},
    .sensor = {[0] = {.role = SENSOR_SUPPLY, .points = 2, .counts = {0, 1023}, .value = {1e5, 11e5}},
               [1] = {.role = SENSOR_CAP, .points = 2, .counts = {0, 1023}, .value = {1e5, 11e5}},
               [2] = {.role = SENSOR_ROD, .points = 2, .counts = {0, 1023}, .value = {1e5, 11e5}}},
};

static double theta_at(double start_rad, double omega, double t_us)
{
	double even = omega * t_us * 1e-6;
	return start_rad + even + RIPPLE / 2 * sin(2 * even);
}

static void lay_points(struct stroke_rig *r, double start_rad, double omega, double end_us)
{
	r->crank.n = (size_t)(end_us / POINT_US) + 1;
	r->point = calloc(r->crank.n, sizeof *r->point);
	for (size_t i = 0; i < r->crank.n; i++) {
		double t = (double)(int64_t)((double)i * POINT_US);
		r->point[i] =
		    (struct crank_point){.t_us = (int64_t)t,
		                         .theta_rad = theta_at(start_rad, omega, t),
		                         .omega_rad_s = omega * (1 + RIPPLE * cos(2 * omega * t * 1e-6))};
	}
	r->crank.point = r->point;
	r->crank.wheel = &r->wheel;
	r->crank.mean_speed_rad_s = omega;
}

static double past(double theta_rad, double dead_centre_rad)
{
	double phi = fmod(theta_rad - dead_centre_rad, TURN);
	return phi < 0 ? phi + TURN : phi;
}

static void sample(struct stroke_rig *r, int channel, double start_rad, double omega, double end_us,
                   double step_us, stroke_rig_diagram diagram, const void *ctx)
{
	struct ride_series *s = &r->leg.sensor[channel];
	s->n = (size_t)(end_us / step_us) + 1;
	s->t_us = calloc(s->n, sizeof *s->t_us);
	s->value = calloc(s->n, sizeof *s->value);
	for (size_t i = 0; i < s->n; i++) {
		s->t_us[i] = (int64_t)((double)i * step_us);
		double theta = theta_at(start_rad, omega, (double)s->t_us[i]);
		double p = STROKE_RIG_SUPPLY_PA;
		if (channel > 0) {
			enum engine_end end = channel == 1 ? END_CAP : END_ROD;
			p = diagram(past(theta, mech_dead_centre_rad(&r->mech, end)), ctx);
		}
		s->value[i] = (float)p;
	}
}

struct stroke_rig *stroke_rig_run(const struct engine *e, double rpm, double turns, double start_rad,
                                  double sample_us, stroke_rig_diagram diagram, const void *ctx)
{
	struct stroke_rig *r = calloc(1, sizeof *r);
	double omega = rpm * TURN / 60, end_us = turns * 60e6 / rpm;
	r->engine = *e;
	r->mech = mech_of(e);
	lay_points(r, start_rad, omega, end_us);
	for (int channel = 0; channel < 3; channel++)
		sample(r, channel, start_rad, omega, end_us, sample_us, diagram, ctx);
	r->leg.to_us = (int64_t)end_us;
	r->leg.core_to_us = r->leg.to_us + 1;
	return r;
}

void stroke_rig_free(struct stroke_rig *r)
{
	for (int channel = 0; channel < 3; channel++) {
		free(r->leg.sensor[channel].t_us);
		free(r->leg.sensor[channel].value);
	}
	free(r->point);
	free(r);
}

double stroke_rig_work_j(const struct mech *m, enum engine_end end, stroke_rig_diagram diagram,
                         const void *ctx)
{
	enum { STEPS = 400000 };
	double work = 0, dead_centre = mech_dead_centre_rad(m, end);
	for (int k = 0; k < STEPS; k++) {
		double a = TURN * k / STEPS, b = TURN * (k + 1) / STEPS, middle = (a + b) / 2;
		double dv = mech_volume_m3(m, end, dead_centre + b) - mech_volume_m3(m, end, dead_centre + a);
		work += diagram(middle, ctx) * dv;
	}
	return work;
}
