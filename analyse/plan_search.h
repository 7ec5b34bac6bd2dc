/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The best timing for a goal at one speed and supply: pattern search (Hooke &
 * Jeeves, J. ACM 8, 1961) over the angles at which the coils are switched, from
 * the closed form's cut-off, every trial run through the cycle with the
 * measured valves. */
#ifndef TRAMMEL_PLAN_SEARCH_H
#define TRAMMEL_PLAN_SEARCH_H

#include "analyse/plan_ideal.h"
#include "analyse/plan_model.h"

enum plan_goal {
	PLAN_FULL_EXPANSION, /* the exhaust opens on air that has come down to ambient */
	PLAN_ECONOMY,        /* most work per kg of air, net of friction */
	PLAN_TORQUE,         /* most mean torque */
	PLAN_CHOSEN_TORQUE,  /* this net torque for the least air */
	PLAN_GOALS
};
/* "full-expansion", "economy", "torque", "torque=". */
const char *plan_goal_name(enum plan_goal g);

struct plan_aim {
	enum plan_goal goal;
	double net_torque_nm; /* PLAN_CHOSEN_TORQUE */
};

struct plan_solution {
	struct plan_timing timing;
	struct plan_prediction prediction;
	struct plan_breach breach;
	double score;
	double top_force_n; /* greatest rod force at the top speed of the conditions */
	bool holds;         /* no breach worth the name */
	unsigned trials;
};

/* The closed form of an end under these conditions. */
struct plan_ideal plan_ideal_of(const struct plan_machine *m, const struct plan_conditions *at,
                                enum engine_end end);

/* Fills *out.  `start` NULL: from the closed forms. */
void plan_search(const struct plan_machine *m, const struct plan_conditions *at, const struct plan_aim *aim,
                 const struct plan_timing *start, struct plan_solution *out);

/* A timing as it stands, judged like a solution. */
void plan_judge(const struct plan_machine *m, const struct plan_conditions *at, const struct plan_aim *aim,
                const struct plan_timing *timing, struct plan_solution *out);

/* Torque against economy, from the most economical to the strongest; no point of
 * it is worse than another in both. */
#define PLAN_CURVE_POINTS 12
struct plan_curve {
	size_t n, knee; /* knee: farthest from the straight line between the ends */
	struct plan_point {
		double net_torque_nm, economy_j_kg, air_kg, useful_fraction;
		double cut_off_rad[END_COUNT];  /* past the dead centre; NAN = end not used */
		double cut_off_part[END_COUNT]; /* of the stroke */
	} point[PLAN_CURVE_POINTS];
};
void plan_curve_find(const struct plan_machine *m, const struct plan_conditions *at, struct plan_curve *out);

#endif
