/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The plant: tank, regulator, line, two chambers, crank and vehicle, as one
 * set of ordinary differential equations stepped by RK4.  What happens to the
 * valves within a step is handed in as their areas at its start, middle and
 * end. */
#ifndef TRAMMEL_REHEARSE_PLANT_H
#define TRAMMEL_REHEARSE_PLANT_H

#include "analyse/rehearse/gas.h"
#include "analyse/rehearse/settings.h"
#include "common/mech.h"

#include <stdbool.h>

enum plant_state {
	TANK_M, /* kg; then J, for each of the four volumes */
	TANK_U,
	LINE_M,
	LINE_U,
	CHAMBER_M, /* cap; the rod end follows */
	CHAMBER_U,
	ROD_M,
	ROD_U,
	THETA, /* rad */
	OMEGA, /* rad/s */
	WORK,  /* J done on the piston by the cap end; then the rod end */
	WORK_ROD,
	AIR, /* kg through the cap inlet; then the rod inlet */
	AIR_ROD,
	VENT, /* kg to the surroundings, through exhausts and leaks */
	PLANT_STATES
};

/* What the states mean at one instant. */
struct plant_view {
	struct gas tank, line, chamber[END_COUNT];
	double x_m;   /* piston travel from the cap-end dead centre */
	double arm_m; /* d travel / d theta, m/rad */
};

struct plant {
	struct mech mech;
	struct settings s;
	/* settings in SI */
	double tank_m3, line_m3, regulator_c, piston_leak_c, gland_leak_c;
	double c[PORT_COUNT], seat_leak_c[PORT_COUNT];
	double bore_m, wall_k, ambient_pa;
	bool single_acting;            /* the rod end is open to the surroundings */
	double mass_kg, metre_per_rad; /* vehicle; way per crank radian */
	double inertia;                /* kg m2 at the crank, vehicle included */
	double dry;                    /* N m, dry friction that does not depend on pressure */
	double t_s, step_s;
	double y[PLANT_STATES], y_before[PLANT_STATES]; /* now, and one step ago */
	struct plant_view now, before;
	bool at_rest;
};

/* Areas (0 shut .. 1 open) of the four ports at start, middle, end of a step. */
struct plant_areas {
	double at[3][PORT_COUNT];
};

/* From an engine file and settings; starts the states. */
struct plant plant_make(const struct engine *e, const struct settings *s);

/* Longest step, s, at which this plant is integrated stably. */
double plant_step_limit(const struct plant *p);

/* One step of p->step_s. */
void plant_step(struct plant *p, const struct plant_areas *areas);

/* Crank angle, rad, and speed, rad/s, at a time within the last step (cubic
 * through both ends). */
double plant_theta(const struct plant *p, double t_s);
double plant_omega(const struct plant *p, double t_s);
/* Torque of the air in both ends on the crank, N m. */
double plant_gas_torque(const struct plant *p, const struct plant_view *v);
/* Time within the last step at which the crank passes theta_rad. */
double plant_passes(const struct plant *p, double theta_rad);

/* Regulator setting at a time, Pa absolute. */
double plant_regulator_pa(const struct plant *p, double t_s);

#endif
