/* SPDX-License-Identifier: GPL-3.0-or-later */
/* For tests: the circle closed on machines drawn at random.  A machine is
 * rehearsed with the wrong settings it was drawn with, its ride is analysed
 * and planned, the plan is loaded, and so twice over.  Beside it, the best
 * timing that a search with the simulator itself can find. */
#ifndef TRAMMEL_CLOSED_LOOP_H
#define TRAMMEL_CLOSED_LOOP_H

#include "analyse/plan_search.h"
#include "tests/closed_loop_record.h"

#define LOOP_ROUNDS 2
#define LOOP_TEXT 4000

struct loop_machine {
	char text[LOOP_TEXT]; /* engine file as found */
	struct settings settings;
	struct plan_aim aim;
	double rpm, rpm_to, supply_bar; /* gauge */
	double delay_ms;                /* mean of its valves */
	double force_limit_n, speed_limit_rpm;
};

struct loop_best { /* one turn at the plan's speed */
	double work_j, air_kg, useful_fraction, merit;
	double phi_deg[EVENT_KINDS];
	unsigned trials;
};

struct loop_result {
	struct loop_ride ride[LOOP_ROUNDS + 1]; /* as found, after each plan */
	double peak_force_n[LOOP_ROUNDS + 1];   /* the reports' */
	double gain_j, gain_low_j, gain_high_j; /* predicted by the first plan */
	bool gain_within, limit_passed;
	struct loop_best best;
	double merit; /* of the goal, after the last round */
	size_t refused;
};

/* Machine number i; the same every time. */
void loop_draw(unsigned i, struct loop_machine *m);

/* The engine of a text; free with engine_free. */
struct engine loop_engine(const char *text);

/* The best timing by trying angles, one after the other, in the simulator. */
void loop_find_best(const struct loop_machine *m, struct loop_best *out);

/* How good a turn is for the goal. */
double loop_merit(const struct loop_machine *m, double work_j, double air_kg);

/* The rides and plans; `best` left empty. */
void loop_rounds(const struct loop_machine *m, struct loop_result *out);

/* The same, and the best. */
void loop_run(const struct loop_machine *m, struct loop_result *out);

#endif
