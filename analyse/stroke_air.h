/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Air taken in by one stroke, from the energy balance of the admission. */
#ifndef TRAMMEL_STROKE_AIR_H
#define TRAMMEL_STROKE_AIR_H

#include "analyse/stroke_events.h"
#include "analyse/stroke_nodes.h"

/* Energy that came in over a row of nodes as the enthalpy of air at supply_k:
 * m cp T_s = cv/R change(p V) + integral p dV, no heat to the walls.  kg. */
double stroke_air_admitted_kg(const struct indicator_node *node, size_t n, double supply_k);

struct stroke_air_case {
	const struct stroke_nodes *nodes; /* must reach back to one opening ramp before admission */
	const struct stroke_angles *angles;
	struct stroke_event_angle last_compression; /* of the turn before, past this turn's dead centre */
	double turn_back_rad;                       /* of the piston */
	double omega_rad_s;
	double ramp_s[2][2];          /* [inlet, exhaust][opening, shutting], none of the area to all of it */
	double inlet_m3_s_pa;         /* sonic conductances; NAN = not known: */
	double exhaust_m3_s_pa;       /* nothing is reckoned to go through */
	double supply_pa, ambient_pa; /* absolute; supply NAN = not known */
	double air_k;                 /* of the supply and of the walls */
	double bore_m;
	double wall_m2, wall_per_m; /* what the air touches: wall_m2 + wall_per_m x volume */
};

/* What is not in a stroke's doubt, 95 %, of its air: gain of the gauges, temperature of the supply,
 * clearance; judgement. */
#define STROKE_AIR_GAUGE_PART 0.03

struct stroke_air {
	double kg; /* NAN when not known */
	/* Half of its 95 % interval: walls, what left by the exhaust, leaks too small to show.  Of an unknown
	 * one: what may have gone straight through at most. */
	double doubt_kg;
};

/* The balance runs from one opening ramp before the inlet is half open, be that before the dead centre, to
 * one shutting ramp after it is half shut, and adds
 *
 *   what the walls took of the heat: WALL W/(m2 K) x area x (T - T_w), T = p V / (m R) as the air comes in;
 *   what left by the exhaust while both stood open: its conductance, the pressure and temperature of the
 *   chamber, its area by its ramps.
 *
 * Unknown when admission or cut-off is, when the inlet never shut, and when nobody told it to and the chamber
 * stands full on its way back: then air goes straight through. */
struct stroke_air stroke_air(const struct stroke_air_case *c);

#endif
