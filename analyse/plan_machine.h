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
#define PLAN_Z_FORCE                                                                                         \
	3.0 /* for the limit of the rod force: of the hundreds of strokes of a ride, none is to pass it */
#define PLAN_RAMP_S 0.005 /* where none was measured; judgement */

#define PLAN_RUNS_MAX 12

/* How every remark that a plan writes into an engine file begins. */
#define PLAN_MARK "; plan: "

/* One event of one end, and what moves it.  A controller that is told to
 * switch at the setting S with the lead L (a time) commands at the true angle
 *   S + offset + (latency - L) x speed,
 * and the passage is half open or shut `delay` later. */
enum plan_source { /* where a delay comes from */
	           PLAN_ASSUMED,
	           PLAN_MEASURED,
	           PLAN_KEPT_LEAD, /* the lead that was loaded: what an earlier ride knew */
	           PLAN_BORROWED,  /* from the machine's other valves */
	           PLAN_BY_HAND
};

struct plan_edge {
	int valve;                  /* -1: no valve of the engine file works this passage */
	bool on;                    /* the coil is energised at this event */
	enum plan_source source;    /* of the delay */
	double delay_s, delay_sd_s; /* of the mean */
	double scatter_sd_s;        /* the part of delay_sd_s that more events would lessen */
	double scatter_s;           /* of one event */
	/* Change of the delay with supply, battery and speed: s a unit, about where delay_s holds.
	 * What the rides did not tell is 0, give or take what valves do. */
	double per[PLAN_COVARIATES], per_sd[PLAN_COVARIATES];
	double at[PLAN_COVARIATES]; /* NAN = not known there; then it is taken not to matter */
	double low[PLAN_COVARIATES], high[PLAN_COVARIATES]; /* of the events; NAN */
	bool told[PLAN_COVARIATES]; /* the rides tell more than is assumed of any valve */
	double offset_rad, offset_sd_rad;
	double latency_s;
	double setting_rad, lead_s; /* what was loaded in the ride; setting NAN = not known */
	double actual_rad;          /* past the end's dead centre, at the ride's mean speed; NAN */
};

struct plan_conditions {
	double omega_rad_s, supply_pa; /* absolute, at the inlet valves */
	double battery_v;              /* NAN = as ridden */
	double top_rad_s; /* the force limit is to hold up to here as well; 0 or below omega: only at omega */
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
	double seat_m3_s_pa[END_COUNT], seat_sd_part[END_COUNT]; /* of an inlet that leaks while shut */
	double friction_pa;
	enum plan_friction {
		PLAN_FRICTION_ASSUMED,
		PLAN_FRICTION_BY_HAND,
		PLAN_FRICTION_MEASURED,
		PLAN_FRICTION_CAPPED /* assumed, but no more than friction and load together */
	} friction_from;
	double friction_sd_pa;              /* NAN: not measured */
	struct resistance_found resistance; /* friction and load of the ride */
	bool from_ride, speed_range_narrow;
	bool planned_before; /* the engine file's settings and leads come from a plan */
	struct report_range speed_rad_s, supply_pa; /* ridden; NAN by hand */
	struct report_range battery_v;              /* likewise; NAN without such a sensor */
	double inlet_supply_pa[END_COUNT];          /* mean over the working strokes; NAN */
	bool has_strokes[END_COUNT];
	struct stroke_summary stroke[END_COUNT]; /* as measured */
	double measured_pa[END_COUNT][STROKE_BINS];
	size_t run_n; /* rides it was learned from, the last is the machine as it is now */
	struct plan_run {
		char name[256];
		double rpm[2], supply_pa[2], battery_v[2]; /* least and most */
		unsigned events;
		double share; /* of what is known of the delays, 0 .. 1 */
	} learned_from[PLAN_RUNS_MAX];
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
	double conductance_m3_s_pa, leak_m3_s_pa;
	double n; /* index of expansion */
};
void plan_machine_by_hand(const struct engine *e, const struct plan_by_hand *h, struct plan_machine *out);

/* Supply pressure at the inlets in the ride: mean over the admissions, else the
 * ride's median; NAN when no sensor told it. */
double plan_ride_supply_pa(const struct plan_machine *m);

/* Delay of an edge under these conditions, s, and how well it is known. */
double plan_edge_delay_s(const struct plan_edge *e, const struct plan_conditions *at);
double plan_edge_delay_sd_s(const struct plan_edge *e, const struct plan_conditions *at);

/* Standard deviation of one event about where it is meant to be, rad. */
double plan_edge_scatter_rad(const struct plan_machine *m, const struct plan_edge *e,
                             const struct plan_conditions *at);

/* Whole lead of an edge, s: what to load so that the event falls on its setting. */
double plan_edge_lead_s(const struct plan_edge *e, const struct plan_conditions *at);

/* An angle past the dead centre, put into the turn where one looks for this event. */
double plan_natural_rad(enum valve_event_kind k, double phi_rad);

/* Systematic error of this kind of event's instant, however many there are, s: what the event
 * finder attains on simulated rides; and where single events scatter by more than valves do, as much again:
 * what hides them hides them to one side. */
double plan_instant_sd_s(enum valve_event_kind k, double scatter_s);

/* What is assumed of how any valve's delay changes, as a standard deviation: s/Pa, s/V, s per rad/s. */
double plan_per_sd(enum plan_covariate k);

/* Passage bit of an event. */
unsigned plan_passage(enum engine_end end, enum valve_event_kind k);

#endif
