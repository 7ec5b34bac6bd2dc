/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The steady cycle of one end at constant speed and supply, from the angles
 * at which its valves really move: what the indicator diagram, the work and
 * the air would be.
 *
 * Mass and energy balance of the chamber,
 *
 *   dm/dt = q_in - q_out
 *   dU/dt = cp T_up q_in - cp T q_out - p dV/dt + Q
 *
 * q after ISO 6358 (air.h), straight in the pressure ratio above 0.995.  With
 * both valves shut Q = (gamma - n)/(gamma - 1) p dV/dt, which makes p V^n
 * constant: the measured index n stands for the heat of the walls.  While a
 * valve is open the air is taken as adiabatic.
 *
 * Turned until the turn repeats itself (once to four times), with a
 * two-stage Rosenbrock method of order two (Verwer, Spee, Blom, Hundsdorfer,
 * SIAM J. Sci. Comput. 20, 1999) whose steps shorten by themselves: the
 * balances close to rounding whatever the step, and a wide valve near
 * equal pressures costs nothing.  About 0.1 to 0.2 ms a call; no state, no heap.
 *
 * To ask what one cause costs, run the case as measured and once more with
 * that one angle put where it was meant to be. */
#ifndef TRAMMEL_CYCLE_H
#define TRAMMEL_CYCLE_H

#include "common/mech.h"

#include <stdbool.h>

#define CYCLE_DEGREES 360

/* One passage.  Angles are crank angles past the end's own dead centre
 * (volume least), rad, any number of turns: where the area passes half.  Area
 * rises and falls evenly over the ramps.  opens == shuts, or c = 0: stays shut. */
struct cycle_valve {
	double c_m3_s_pa; /* sonic conductance, m3/(s Pa) */
	double b;         /* critical pressure ratio */
	double opens_rad, shuts_rad;
	double delay_open_s,
	    delay_shut_s;                /* added to the angles at the case's speed; 0 when they are actual */
	double ramp_open_s, ramp_shut_s; /* none of the area to all of it */
};

/* Volumes of an end by whole degrees, for those who run many cases of it. */
struct cycle_table {
	double v_m3[CYCLE_DEGREES + 1], dv_m3[CYCLE_DEGREES + 1]; /* dv: a radian */
};
void cycle_table_fill(struct cycle_table *t, const struct mech *m, enum engine_end end);

struct cycle_case {
	const struct mech *mech; /* borrowed */
	enum engine_end end;
	const struct cycle_table *table; /* of this mech and end, borrowed; NULL = reckoned anew */
	/* Air in the clearance to begin with, Pa and K: the nearer to where it ends, the
	 * fewer turns are needed.  0: ambient. */
	double start_pa, start_k;
	double omega_rad_s; /* > 0 */
	double supply_pa;   /* absolute, at the inlet valve */
	double ambient_pa, air_k;
	double n;            /* index with both valves shut; AIR_GAMMA = no heat from the walls */
	double leak_m3_s_pa; /* from the chamber to the surroundings; 0 = tight */
	double seat_m3_s_pa; /* of the inlet while it is shut, from the supply; 0 = tight */
	struct cycle_valve inlet, exhaust;
};

/* One turn from dead centre to dead centre. */
struct cycle_result {
	double work_j;          /* closed loop of p dV */
	double air_kg;          /* through the inlet, less what went back */
	double vent_kg;         /* through exhaust and leak */
	double heat_j;          /* from the walls */
	double enthalpy_j;      /* brought by the air in, less taken by the air out */
	double useful_rad;      /* of the working stroke: gauge pressure >= 10 % of the supply's */
	double torque_mean_nm;  /* work / 2 pi */
	double torque_least_nm; /* over the turn, against ambient on the other side */
	double torque_most_nm;
	double peak_pa;       /* absolute */
	double peak_force_n;  /* (peak - ambient) x area */
	double cut_off_pa;    /* at the half-shut instant of the inlet, absolute */
	double release_pa;    /* at the half-open instant of the exhaust, absolute */
	double end_pa, end_k; /* air in the clearance when the last turn ends: a start for a like case */
	double gap_pa;        /* how far the last turn is from repeating itself */
	double mass_change_kg, energy_change_j; /* over the last turn: what gap_pa means for the balances */
	unsigned turns;
	bool periodic; /* gap within 3e-4 of the supply pressure, and the mass repeats too */
	double pressure_pa[CYCLE_DEGREES + 1]; /* absolute, at 0..360 deg past the dead centre */
};

/* Runs the case.  No faults: a case without sense (speed, volume or pressure
 * not above zero) gives NAN throughout and periodic = false. */
void cycle_run(const struct cycle_case *c, struct cycle_result *out);

/* Pressure of the last turn at phi_rad past the dead centre, Pa; straight between degrees. */
double cycle_pressure_at(const struct cycle_result *r, double phi_rad);

/* Area of a valve, 0 shut .. 1 open, at phi_rad. */
double cycle_area(const struct cycle_valve *v, double omega_rad_s, double phi_rad);

#endif
