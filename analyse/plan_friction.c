/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Friction, as a mean pressure over the strokes and as a torque at the crank. */
#include "analyse/plan_parts.h"

#include "common/unit.h"

#include <math.h>

#define TURN (2 * UNIT_PI)
#define Z95 1.96
#define INERTIA_PART 0.1 /* of what masses and sprockets give: rider, luggage, wheels that turn */

static double swept_m3(const struct plan_machine *m)
{
	double swept = 0;
	for (int end = 0; end < END_COUNT; end++)
		if (m->used[end])
			swept += mech_swept_m3(&m->mech, (enum engine_end)end);
	return swept;
}

double plan_friction_nm(const struct plan_machine *m)
{
	return m->friction_pa * swept_m3(m) / TURN;
}

double plan_friction_sd_nm(const struct plan_machine *m)
{
	return m->friction_sd_pa * swept_m3(m) / TURN;
}

/* Of the vehicle at the crank, and of crank and flywheel as far as they are given; NAN = neither. */
static double inertia_kg_m2(const struct engine *e, const struct plan_request *q)
{
	double metre_per_rad = e->crank_sprocket / e->wheel_sprocket * e->wheel_diameter_m / 2;
	double vehicle = e->mass_kg * metre_per_rad * metre_per_rad;
	if (!isfinite(vehicle))
		return q->inertia_kg_m2;
	return vehicle + (isfinite(q->inertia_kg_m2) ? q->inertia_kg_m2 : 0);
}

static void from_ride(struct plan_machine *m, const struct plan_request *q, double omega_rad_s)
{
	double sd, nm = resistance_nm(&m->resistance, omega_rad_s, &sd), per_nm = TURN / swept_m3(m);
	if (isfinite(q->load_nm)) {
		m->friction_from = PLAN_FRICTION_MEASURED;
		m->friction_pa = fmax(nm - q->load_nm, 0) * per_nm;
		m->friction_sd_pa = sd * per_nm;
		if (nm + Z95 * sd < q->load_nm)
			report_say(&m->remarks,
			           "The load given, %.1f N m, is more than all that the ride worked against, "
			           "%.1f N m: one of them is wrong (the load's torque is to be that at the "
			           "crank).",
			           q->load_nm, nm);
	} else if ((nm + Z95 * sd) * per_nm < m->friction_pa) {
		m->friction_from = PLAN_FRICTION_CAPPED;
		m->friction_pa = fmax(nm + Z95 * sd, 0) * per_nm;
	}
}

void plan_friction_settle(struct plan_machine *m, const struct resistance *r, const struct plan_request *q)
{
	double inertia = inertia_kg_m2(&m->engine, q);
	double omega = isfinite(q->speed_rad_s) ? q->speed_rad_s : m->speed_rad_s.median;
	m->friction_from = PLAN_FRICTION_ASSUMED;
	m->friction_pa = PLAN_FRICTION_PA;
	m->friction_sd_pa = NAN;
	if (r != NULL)
		resistance_find(r, inertia, INERTIA_PART * inertia, &m->resistance);
	if (isfinite(q->friction_pa)) {
		m->friction_from = PLAN_FRICTION_BY_HAND;
		m->friction_pa = q->friction_pa;
	} else if (m->resistance.turns > 0)
		from_ride(m, q, omega);
}
