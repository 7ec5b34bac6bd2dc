/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A timing, and what the machine would do with it: every valve's commands at
 * a speed and a supply pressure, run through the cycle of both ends with the
 * measured delays. */
#ifndef TRAMMEL_PLAN_MODEL_H
#define TRAMMEL_PLAN_MODEL_H

#include "analyse/cycle.h"
#include "analyse/plan_machine.h"

/* True crank angle at which each coil is switched, rad: [valve][off, on].  NAN
 * where the valve works no passage of an end in use. */
struct plan_timing {
	double command_rad[ENGINE_VALVES_MAX][2];
};

struct plan_prediction {
	double phi_rad[END_COUNT][EVENT_KINDS]; /* of the events, past their end's dead centre */
	struct cycle_result cycle[END_COUNT];
	double first_release_pa[END_COUNT]; /* when the exhaust begins to open, absolute */
	double work_j, air_kg;              /* both ends, a turn */
	double torque_nm;                   /* mean, before friction */
	double net_torque_nm, power_w;      /* friction taken off */
	double economy_j_kg;                /* work net of friction over air */
	double useful_fraction;             /* mean over the ends */
	double rod_force_n;                 /* greatest, of both ends together or of one alone */
};

/* Why a timing cannot be: each counts from 0 = all right. */
struct plan_breach {
	double early_admission_rad; /* 90 % of admissions are to come at or after dead centre */
	double overlap_rad;         /* inlet and exhaust of an end open together */
	double short_pulse_s;       /* coils switched for less than their valves need */
	int short_valve;            /* the one that lacks most, while its coil is on or off */
	bool short_on;
	double force_part;       /* of the rod force limit, above it */
	double over_supply_part; /* compression above the supply pressure, of it */
};

/* Settings that put each event at this angle past its end's dead centre.  Where
 * one coil's edge makes two events, the cap end's rules. */
void plan_timing_place(const struct plan_machine *m, const struct plan_conditions *at,
                       double phi_rad[END_COUNT][EVENT_KINDS], struct plan_timing *out);

/* The events a timing makes, past their dead centres; needs no cycle. */
void plan_timing_events(const struct plan_machine *m, const struct plan_conditions *at,
                        const struct plan_timing *t, double phi_rad[END_COUNT][EVENT_KINDS]);

/* Runs the ends in use; with `only` >= 0 just that end, the other kept from
 * what `p` already holds.  `p` zero, or a prediction of a like timing, which
 * saves turns. */
void plan_predict(const struct plan_machine *m, const struct plan_conditions *at, const struct plan_timing *t,
                  int only, struct plan_prediction *p);

/* Torque of both ends over the turn, against ambient, before friction. */
void plan_torque_range(const struct plan_machine *m, const struct plan_prediction *p, double *least_nm,
                       double *most_nm);

/* The case of one end whose events fall at `phi_rad`. */
struct cycle_case plan_cycle_case(const struct plan_machine *m, const struct plan_conditions *at,
                                  enum engine_end end, const double phi_rad[EVENT_KINDS]);

struct plan_breach plan_breach_of(const struct plan_machine *m, const struct plan_conditions *at,
                                  const struct plan_timing *t, const struct plan_prediction *p);

/* Least admission angle (half open, past dead centre) by the 90 % rule. */
double plan_least_admission_rad(const struct plan_machine *m, enum engine_end end,
                                const struct plan_conditions *at);

/* Shortest time from half open to half shut that an inlet can do, s: the coil
 * must stay on until the valve is open. */
double plan_shortest_admission_s(const struct plan_machine *m, enum engine_end end,
                                 const struct plan_conditions *at);

#endif
