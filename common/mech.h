/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The mechanism: from crank angle to piston, volumes and torque arm.
 *
 * theta_rad: 0 = cap-end dead centre (cap-end volume least), rising in the
 * forward direction, any number of turns.
 *
 * Oscillating cylinder (inverted slider-crank): d = trunnion to shaft, r =
 * crank; s = sqrt(d^2 + r^2 - 2 d r cos theta), travel s - (d - r), arm d r
 * sin theta / s.  Dead centres exactly pi apart.
 * Crosshead with offset e, rod L: x = r cos a + sqrt(L^2 - (r sin a - e)^2),
 * theta = a - asin(e / (L + r)); travel from the cap-end dead centre. */
#ifndef TRAMMEL_MECH_H
#define TRAMMEL_MECH_H

#include "common/engine.h"

struct mech {
	enum engine_mechanism kind;
	double r_m, d_m, rod_length_m, offset_m;
	double a0_rad; /* crosshead: a = theta + a0 */
	double stroke_m;
	double rod_dead_centre_rad; /* theta of the rod-end dead centre, in (0, 2 pi) */
	double area_m2[END_COUNT];
	double clearance_m3[END_COUNT];
};

/* From a checked engine file.  Where a single-acting engine gives no `rod` or
 * `clearance rod`, area, clearance and volume of the rod end are NAN. */
struct mech mech_of(const struct engine *e);

/* Piston travel from the cap-end dead centre, m, 0..stroke. */
double mech_travel_m(const struct mech *m, double theta_rad);

/* d(travel)/d(theta), m/rad: the torque arm, > 0 while the cap end grows. */
double mech_arm_m(const struct mech *m, double theta_rad);

/* Volume of an end, clearance included, m3; and its derivative, m3/rad. */
double mech_volume_m3(const struct mech *m, enum engine_end end, double theta_rad);
double mech_dvolume_m3(const struct mech *m, enum engine_end end, double theta_rad);
/* The derivative where the torque arm is known: for both ends at one angle. */
double mech_dvolume_by_arm_m3(const struct mech *m, enum engine_end end, double arm_m);

/* Swept volume of an end, m3. */
double mech_swept_m3(const struct mech *m, enum engine_end end);

/* Dead centre at which this end's volume is least, rad in [0, 2 pi). */
double mech_dead_centre_rad(const struct mech *m, enum engine_end end);

/* Crank angle past the end's own dead centre (0..pi-ish) at which the given
 * fraction 0..1 of its working stroke is done. */
double mech_angle_at_fraction_rad(const struct mech *m, enum engine_end end, double fraction);

#endif
