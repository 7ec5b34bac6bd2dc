/* SPDX-License-Identifier: GPL-3.0-or-later */
/* From rest, and on the road: starting torque by crank position, sprockets. */
#include "analyse/plan_parts.h"

#include "common/unit.h"

#include <math.h>

#define TURN (2 * UNIT_PI)
#define START_RPM 15.0
#define DRAG_AREA_M2 0.6 /* a seated rider; judgement */

/* --- start ----------------------------------------------------------------- */

/* Torque of an end at rest with its inlet open, N m; NAN when it is shut. */
static double end_torque_nm(const struct plan *p, enum engine_end end, double theta_rad)
{
	const struct plan_machine *m = p->machine;
	double phi = fmod(theta_rad - mech_dead_centre_rad(&m->mech, end) + TURN, TURN);
	if (!m->used[end] || phi > p->start.cut_off_rad[end])
		return NAN;
	return (p->at.supply_pa - m->engine.ambient_pa) * mech_dvolume_m3(&m->mech, end, theta_rad);
}

void plan_start_find(struct plan *p)
{
	struct plan_conditions slow = {.omega_rad_s = START_RPM * UNIT_PI / 30,
	                               .supply_pa = p->at.supply_pa,
	                               .battery_v = p->at.battery_v};
	const struct plan_aim strong = {.goal = PLAN_TORQUE};
	struct plan_solution s;
	plan_search(p->machine, &slow, &strong, NULL, &s);
	for (int end = 0; end < END_COUNT; end++)
		p->start.cut_off_rad[end] =
		    p->machine->used[end] ? s.prediction.phi_rad[end][EVENT_CUT_OFF] : NAN;
	for (int degree = 0; degree < CYCLE_DEGREES; degree++) {
		double theta = unit_rad(degree + 0.5), torque = 0;
		bool open = false;
		for (int end = 0; end < END_COUNT; end++) {
			double t = end_torque_nm(p, (enum engine_end)end, theta);
			if (isnan(t))
				continue;
			open = true;
			torque += t;
		}
		p->start.torque_nm[degree] = torque;
		p->start.most_nm = fmax(p->start.most_nm, torque);
		p->start.dead_rad += open ? 0 : unit_rad(1);
	}
}

/* --- sprockets ---------------------------------------------------------------- */

static struct drive_gear gear_of(const struct plan *p, const struct plan_gear *g)
{
	return (struct drive_gear){.crank_teeth = g->crank_teeth,
	                           .wheel_teeth = g->wheel_teeth,
	                           .wheel_diameter_m = p->machine->engine.wheel_diameter_m,
	                           .efficiency = DRIVE_WHEEL_EFFICIENCY};
}

static void try_road(const struct plan *p, struct plan_gear *g, int road)
{
	const struct engine *e = &p->machine->engine;
	struct drive_gear gear = gear_of(p, g);
	struct drive_wheel_load load = {.mass_kg = e->mass_kg,
	                                .rolling = drive_roads[road].rolling,
	                                .grade = isfinite(p->request.grade) ? p->request.grade : 0,
	                                .drag_area_m2 = DRAG_AREA_M2};
	double friction = plan_friction_nm(p->machine);
	double at_rest = drive_wheel_resistance_n(&load, 0) / drive_wheel_force_n(&gear, 1) + friction;
	double least = INFINITY;
	for (int i = 0; i < CYCLE_DEGREES; i++)
		least = fmin(least, p->start.torque_nm[i]);
	g->resistance_n[road] = drive_wheel_resistance_n(&load, g->speed_m_s);
	g->pulls[road] = g->force_n > g->resistance_n[road];
	g->starts_best[road] = p->start.most_nm > at_rest;
	g->starts_worst[road] = least > at_rest;
	g->starts_part[road] = drive_wheel_starting_part(p->start.torque_nm, CYCLE_DEGREES, at_rest);
}

static void add_gear(struct plan *p, unsigned crank_teeth, unsigned wheel_teeth)
{
	for (size_t i = 0; i < p->gear_n; i++)
		if (p->gear[i].wheel_teeth == wheel_teeth)
			return;
	if (p->gear_n == PLAN_GEARS || wheel_teeth == 0)
		return;
	struct plan_gear *g = &p->gear[p->gear_n++];
	g->crank_teeth = crank_teeth;
	g->wheel_teeth = wheel_teeth;
	struct drive_gear gear = gear_of(p, g);
	g->speed_m_s = drive_wheel_speed_m_s(&gear, p->at.omega_rad_s);
	g->force_n = drive_wheel_force_n(&gear, p->best.prediction.net_torque_nm);
	for (int road = 0; road < PLAN_ROADS; road++)
		try_road(p, g, road);
}

void plan_road_find(struct plan *p)
{
	static const double ratios[] = {1, 1.5, 2, 3, 4};
	const struct engine *e = &p->machine->engine;
	p->way_per_turn_m = e->crank_sprocket / e->wheel_sprocket * UNIT_PI * e->wheel_diameter_m;
	p->has_drive = isfinite(p->way_per_turn_m) && isfinite(e->mass_kg);
	if (!p->has_drive)
		return;
	unsigned crank = (unsigned)lround(e->crank_sprocket);
	add_gear(p, crank, (unsigned)lround(e->wheel_sprocket));
	for (size_t i = 0; i < sizeof ratios / sizeof *ratios; i++)
		add_gear(p, crank, (unsigned)lround(ratios[i] * e->crank_sprocket));
}
