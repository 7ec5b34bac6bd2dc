/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/report_diagram.h"

#include "common/unit.h"

#include <math.h>

static const double TURN = 2 * UNIT_PI;

double diagram_phi_rad(size_t bin)
{
	return ((double)(bin % STROKE_BINS) + 0.5) * TURN / STROKE_BINS;
}

static double theta_of(const struct report *r, enum engine_end end, size_t bin)
{
	return mech_dead_centre_rad(&r->mech, end) + diagram_phi_rad(bin);
}

double diagram_volume_ml(const struct report *r, enum engine_end end, size_t bin)
{
	return 1e6 * mech_volume_m3(&r->mech, end, theta_of(r, end, bin));
}

double diagram_torque_nm(const struct report *r, enum engine_end end, double theta_rad)
{
	if (!r->has_strokes[end])
		return NAN;
	double past = fmod(theta_rad - mech_dead_centre_rad(&r->mech, end) + TURN, TURN);
	size_t bin = (size_t)(past / TURN * STROKE_BINS) % STROKE_BINS;
	double gauge = r->diagram[end].measured_pa[bin] - r->engine.ambient_pa;
	return gauge * mech_dvolume_m3(&r->mech, end, theta_rad);
}

static bool pushes(const struct report *r, enum engine_end end, size_t bin)
{
	const struct stroke_diagram *d = &r->diagram[end];
	double gauge = d->measured_pa[bin] - r->engine.ambient_pa;
	double supply = d->supply_pa[bin] - r->engine.ambient_pa;
	return mech_dvolume_m3(&r->mech, end, theta_of(r, end, bin)) > 0 && gauge > 0 &&
	       gauge >= STROKE_USEFUL_SHARE * supply;
}

size_t diagram_useful(const struct report *r, enum engine_end end, struct diagram_arc out[DIAGRAM_ARCS_MAX])
{
	double dead_centre = mech_dead_centre_rad(&r->mech, end), step = TURN / STROKE_BINS;
	size_t n = 0;
	bool open = false;
	for (size_t b = 0; r->has_strokes[end] && b < STROKE_BINS; b++) {
		double from = dead_centre + (double)b * step;
		bool now = pushes(r, end, b);
		if (now && !open && n == DIAGRAM_ARCS_MAX)
			break;
		if (now && !open)
			out[n++].from_rad = from;
		if (now)
			out[n - 1].to_rad = from + step;
		open = now;
	}
	return n;
}
