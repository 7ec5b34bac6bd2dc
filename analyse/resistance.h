/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the crank worked against, friction and load together, from the energy of each turn:
 *
 *   work of both ends = 2 pi resistance(speed) + inertia x change of speed^2 / 2
 *
 * A ride at an even speed tells the resistance alone; one that gathers speed or coasts tells the
 * inertia too.  Friction and load cannot be told apart by this: whoever knows the load takes it
 * off. */
#ifndef TRAMMEL_RESISTANCE_H
#define TRAMMEL_RESISTANCE_H

#include "analyse/analysis.h"
#include "analyse/series.h"

struct resistance {             /* gathers; 40 KiB */
	bool both_ends;         /* the engine has a rod end too, whose work belongs to the turn */
	struct stroke cap, rod; /* the last of each; number < 0 = none */
	double cap_x;           /* change of speed^2 / 2 over `cap` */
	struct series turn;     /* work, J, over {change of speed^2 / 2, speed} */
};

void resistance_start(struct resistance *r, const struct engine *e);

/* Takes the rows of a leg, as they come. */
void resistance_add(struct resistance *r, const struct analysis_rows *rows);

struct resistance_found {
	unsigned turns; /* 0 = not known */
	double omega_rad_s, omega_low, omega_high;
	double nm;        /* at omega_rad_s */
	double per_rad_s; /* its change with speed; 0 where the speeds are too alike to say */
	bool load_varies; /* it falls with speed, as no friction does: a load that changes slows the crank */
	double cov[2][2]; /* of nm and per_rad_s; 1.96 sd is half a 95 % interval */
	double inertia_kg_m2, inertia_sd; /* NAN = not known */
	unsigned coast_turns;             /* without push; 0 = the ride did not coast */
	double coast_nm, coast_sd_nm, coast_omega_rad_s;
};

/* `inertia_kg_m2` as far as it is known from elsewhere, give or take `inertia_sd`; NAN = let
 * the ride tell. */
void resistance_find(const struct resistance *r, double inertia_kg_m2, double inertia_sd,
                     struct resistance_found *out);

/* N m at a speed, and its standard deviation; where the load varies, that of the ride at any speed. */
double resistance_nm(const struct resistance_found *f, double omega_rad_s, double *sd);

#endif
