/* SPDX-License-Identifier: GPL-3.0-or-later */
/* For tests: plans by hand of the demo engine and of changed ones. */
#ifndef TRAMMEL_PLAN_RIG_H
#define TRAMMEL_PLAN_RIG_H

#include "analyse/plan.h"

struct plan_rig {
	struct engine engine;
	struct plan_machine *machine;
	struct plan *plan;
	struct fault fault;
	int status; /* of plan_make */
};

/* The demo engine; `engine_lines` replace keys of [engine], `valve_lines` are added to [valve 0]. */
struct engine plan_rig_engine(const char *engine_lines, const char *valve_lines);

/* The demo engine with these [valve N] sections. */
struct engine plan_rig_engine_of(const char *valve_sections);

/* Supply in bar gauge; NAN = left open. */
struct plan_request plan_rig_request(int goal, double rpm, double supply_bar);

/* All valves this late, ms. */
struct plan_rig plan_rig_new(const char *engine_lines, double on_ms, double off_ms, struct plan_request q);
/* The same; takes the engine over. */
struct plan_rig plan_rig_of(const struct engine *e, double on_ms, double off_ms, struct plan_request q);
void plan_rig_free(struct plan_rig *r);

/* Does a line contain these words? */
bool plan_rig_says(const struct report_lines *l, const char *words);

#endif
