/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The plan: the next timing of a machine, what it would gain, and what it
 * cannot promise.
 *
 *   machine -> fit -> pool -> friction -> search -> doubt -> tables by supply, trade-off, start, road */
#ifndef TRAMMEL_PLAN_H
#define TRAMMEL_PLAN_H

#include "analyse/drive_wheel.h"
#include "analyse/plan_doubt.h"
#include "analyse/plan_fit.h"
#include "analyse/plan_pool.h"

#include <stdio.h>

#define PLAN_WHAT_IFS 8
#define PLAN_ROWS_MAX 16
#define PLAN_GEARS 6
#define PLAN_ROADS 4

struct plan_what_if { /* "cap cut-off = 70 deg" */
	enum engine_end end;
	enum valve_event_kind event;
	double angle_rad; /* crank angle at which the valve is to be half open or shut */
};

struct plan_request { /* NAN: as in the ride, or the engine file's limits */
	struct plan_aim aim;
	double speed_rad_s, supply_pa, battery_v;
	double friction_pa;   /* by hand; NAN = from the ride where it tells, else assumed */
	double load_nm;       /* at the crank in the ride, beside friction; NAN = not known */
	double inertia_kg_m2; /* of crank and flywheel; NAN = not known */
	double tank_pa;
	double grade;
	size_t what_if_n;
	struct plan_what_if what_if[PLAN_WHAT_IFS];
};

/* What to load into the controller for one edge of one valve. */
struct plan_setting {
	double setting_rad;    /* 0..2 pi: where the valve is to move, the controller's offset taken off */
	double lead_s;         /* switched earlier by this time */
	double command_rad;    /* true angle of the command at the plan's speed, 0..2 pi */
	double controller_rad; /* the controller's own angle then */
	double was_setting_rad, was_lead_s; /* NAN = not known */
};

struct plan_row { /* one supply pressure */
	double supply_pa;
	bool holds;
	double
	    ideal_part[END_COUNT]; /* closed form of full expansion; NAN; <= 0: the clearance over-expands */
	double cut_off_part[END_COUNT]; /* of the stroke, simulated */
	double cut_off_rad[END_COUNT];  /* past the dead centre */
	struct plan_timing timing;
	struct plan_prediction p;
	double fastest_rad_s; /* the shortest pulse of an inlet, at these angles; INFINITY = no limit */
};

struct plan_gear {
	unsigned wheel_teeth, crank_teeth;
	double speed_m_s, force_n; /* at the wheel, at the plan's speed and net torque */
	double resistance_n[PLAN_ROADS];
	bool pulls[PLAN_ROADS];         /* force is more than resistance */
	bool starts_best[PLAN_ROADS];   /* moves from rest at the best crank position */
	bool starts_worst[PLAN_ROADS];  /* and at the worst */
	double starts_part[PLAN_ROADS]; /* of all crank positions */
};

struct plan_start {                      /* a setting of its own for starting */
	double cut_off_rad[END_COUNT];   /* past the dead centre */
	double dead_rad;                 /* of the 360 deg in which no inlet is open */
	double torque_nm[CYCLE_DEGREES]; /* at rest, before friction, by crank degree; 0 in the dead arc */
	double most_nm;
};

struct plan {
	const struct plan_machine *machine; /* borrowed */
	struct plan_request request;
	struct plan_conditions at; /* after limits */
	bool has_now;
	struct plan_solution now, best;
	struct plan_doubt doubt;
	bool has_setting[ENGINE_VALVES_MAX][2];
	struct plan_setting setting[ENGINE_VALVES_MAX][2]; /* [off, on] */
	size_t row_n;
	struct plan_row row[PLAN_ROWS_MAX];
	struct plan_curve curve;
	struct plan_start start;
	double ideal_full_part[END_COUNT]; /* closed form of full expansion, part of the stroke */
	double fastest_rad_s;
	double
	    paying_supply_pa; /* from here on friction is paid for, where the plan's supply does not; NAN */
	double air_kg_low, air_kg_high;         /* a turn: without and with heat from the walls */
	double tank_turns_low, tank_turns_high; /* NAN: no tank */
	double way_per_turn_m;                  /* NAN: no drive */
	bool has_drive;
	size_t gear_n;
	struct plan_gear gear[PLAN_GEARS];
	bool has_what_if;
	struct plan_solution what_if;
	struct plan_doubt what_if_doubt;
	struct report_lines refused, warnings;
};

/* What friction to reckon with, into the machine: by hand, else what the ride worked against less the
 * load where that is known, else assumed but no more than the ride worked against.  `r` is
 * NULL for a machine that has not run. */
void plan_friction_settle(struct plan_machine *m, const struct resistance *r, const struct plan_request *q);

/* Makes the plan: timing, settings, change, what-if, refusals and warnings.  `m` is fitted
 * already (plan_fit) and outlives it.  About 150 KiB: allocate it.  0, or -1 with fault when
 * there is nothing to plan (no valves, supply at or below ambient, speed not known). */
int plan_make(const struct plan_machine *m, const struct plan_request *request, struct plan *out,
              struct fault *fault);

/* Fills the tables of a plan that is made: rows by supply, trade-off, start, air, road.
 * The renderers want them, except plan_ini. */
void plan_tables(struct plan *p);

/* Commands for another speed and supply from the rows: controller's own angle, rad, at
 * which to switch.  Between rows the nearest lower supply rules. */
double plan_controller_rad(const struct plan *p, size_t row, int valve, bool on, double omega_rad_s);

/* Reads "cap cut-off = 70 deg". 0, or -1 with why. */
int plan_what_if_parse(const char *text, struct plan_what_if *out, char *why, size_t why_size);

/* Renderers: 0, or -1 when writing failed. */
int plan_text(const struct plan *p, FILE *out);
int plan_json(const struct plan *p, FILE *out); /* schema trammel.plan/1 */
int plan_html(const struct plan *p, FILE *out);
/* The engine file with the new settings and leads in its [valve N] sections. */
int plan_ini(const struct plan *p, FILE *out);
/* Integer tables for a controller, C99. */
int plan_header(const struct plan *p, FILE *out);
/* plan_cutoff.csv, plan_lead.csv, plan_tradeoff.csv, plan_drive.csv in DIR, which is made when missing. */
int plan_csv(const struct plan *p, const char *dir, struct fault *fault);

#endif
