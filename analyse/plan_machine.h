/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a plan knows of a machine: its engine file, how late each valve is at
 * each of its edges, how its controller errs, and how its air flows. */
#ifndef TRAMMEL_PLAN_MACHINE_H
#define TRAMMEL_PLAN_MACHINE_H

#include "analyse/cycle.h"
#include "analyse/plan_learn.h"
#include "analyse/report.h"

#define PLAN_CRITICAL_RATIO 0.3     /* of the passages, ISO 6358: between .2 and .5 for valves */
#define PLAN_N 1.3                  /* index of expansion where none was measured ... */
#define PLAN_N_SD 0.1               /* ... and how well that is known */
#define PLAN_FRICTION_PA 0.3e5      /* mean pressure lost to friction; judgement */
#define PLAN_CONDUCTANCE 3e-8       /* m3/(s Pa), where none was measured or given; judgement */
#define PLAN_Z90 1.2815515655446004 /* one-sided 90 % quantile of the normal distribution */
#define PLAN_RAMP_S 0.005           /* where none was measured; judgement */

/* How every remark that a plan writes into an engine file begins. */
#define PLAN_MARK "; plan: "

/* One event of one end, and what moves it.  A controller that is told to
 * switch at the setting S with the lead L (a time) commands at the true angle
 *   S + offset + (latency - L) x speed,
 * and the passage is half open or shut `delay` later. */
struct plan_edge {
	int valve;                        /* -1: no valve of the engine file works this passage */
	bool on;                          /* the coil is energised at this event */
	bool measured;                    /* the delay is measured, not assumed */
	double delay_s, delay_sd_s;       /* of the mean */
	double scatter_s;                 /* of one event */
	double delay_per_pa, delay_at_pa; /* change with supply pressure; slope 0 where not learned */
	double offset_rad, offset_sd_rad;
	double latency_s;
	double setting_rad, lead_s; /* what was loaded in the ride; setting NAN = not known */
	double actual_rad;          /* past the end's dead centre, at the ride's mean speed; NAN */
};

struct plan_machine {
	char run[256];        /* name of the ride, "" by hand */
	int64_t start_utc_us; /* 0 = not known */
	struct engine engine; /* shallow copy */
	struct mech mech;
	struct cycle_table table[END_COUNT];
	bool used[END_COUNT]; /* both passages of the end have a valve */
	struct plan_edge edge[END_COUNT][EVENT_KINDS];
	double n[END_COUNT], n_sd[END_COUNT];
	double c_m3_s_pa[END_COUNT][2]; /* [inlet, exhaust] */
	double c_sd_part[END_COUNT][2]; /* relative */
	double ramp_s[END_COUNT][2][2]; /* [inlet, exhaust][open, shut] */
	double leak_m3_s_pa[END_COUNT];
	double friction_pa;
	bool from_ride, speed_range_narrow;
	bool planned_before; /* the engine file's settings and leads come from a plan */
	struct report_range speed_rad_s, supply_pa; /* of the ride; NAN by hand */
	double inlet_supply_pa[END_COUNT];          /* mean over the working strokes; NAN */
	bool has_strokes[END_COUNT];
	struct stroke_summary stroke[END_COUNT]; /* as measured */
	double measured_pa[END_COUNT][STROKE_BINS];
	double tooth_pitch_rad; /* 0: the controller fires between teeth; else it waits for the next tooth */
	struct report_lines remarks; /* what is assumed, and what cannot be known */
};

/* From an analysed ride. `learn` may be NULL.  Big (0.1 MiB): allocate it. */
void plan_machine_from_report(const struct report *r, const struct plan_learn *learn,
                              struct plan_machine *out);

/* By hand, for a machine that has not run: every valve this late, each edge
 * alike but for on and off, s; conductance of all passages, m3/(s Pa). */
struct plan_by_hand {
	double delay_on_s[ENGINE_VALVES_MAX], delay_off_s[ENGINE_VALVES_MAX];
	double delay_sd_s;
	double conductance_m3_s_pa;
};
void plan_machine_by_hand(const struct engine *e, const struct plan_by_hand *h, struct plan_machine *out);

/* Supply pressure at the inlets in the ride: mean over the admissions, else the
 * ride's median; NAN when no sensor told it. */
double plan_ride_supply_pa(const struct plan_machine *m);

/* Delay of an edge at a supply pressure, s. */
double plan_edge_delay_s(const struct plan_edge *e, double supply_pa);

/* Standard deviation of one event about where it is meant to be, rad. */
double plan_edge_scatter_rad(const struct plan_machine *m, const struct plan_edge *e, double omega_rad_s);

/* Whole lead of an edge, s: what to load so that the event falls on its setting. */
double plan_edge_lead_s(const struct plan_edge *e, double supply_pa);

/* An angle past the dead centre, put into the turn where one looks for this event. */
double plan_natural_rad(enum valve_event_kind k, double phi_rad);

/* Passage bit of an event. */
unsigned plan_passage(enum engine_end end, enum valve_event_kind k);

#endif
