/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/plan_rig.h"

#include "common/unit.h"

#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static const char valves[] = "role = cap inlet\nopens = 0 deg\nshuts = 96 deg\n"
                             "[valve 1]\nrole = cap exhaust\nopens = 172 deg\nshuts = 352 deg\n"
                             "[valve 2]\nrole = rod inlet\nopens = 180 deg\nshuts = 276 deg\n"
                             "[valve 3]\nrole = rod exhaust\nopens = 352 deg\nshuts = 172 deg\n";

static struct engine parse(const char *engine_lines, const char *sections)
{
	char text[4000];
	struct engine e;
	struct fault f = {0};
	bool own = strstr(engine_lines, "clearance") != NULL;
	snprintf(
	    text, sizeof text,
	    "[engine]\nname = Number 7 trolley\nmechanism = oscillating cylinder\npivot distance = 420 mm\n"
	    "crank radius = 62.5 mm\nbore = 63 mm\nrod = 20 mm\n%s%sambient = 1.013 bar\n"
	    "air temperature = 18 degC\n"
	    "[teeth]\ncount = 36\nedges = both\nindex angle = 14.5 deg\n%s"
	    "[sensor 0]\nrole = supply\nlow = 102 counts, 0 bar gauge\nhigh = 921 counts, 10 bar gauge\n"
	    "[limits]\nsupply = 6 bar gauge\nspeed = 240 rpm\nrod force = 1800 N\n"
	    "[drive]\ncrank sprocket = 15\nwheel sprocket = 30\nwheel diameter = 400 mm\nmass = 160 kg\n"
	    "[tank]\nvolume = 50 l\n",
	    own ? "" : "clearance cap = 18 ml\nclearance rod = 21 ml\n", engine_lines, sections);
	int bad = engine_parse("rig.ini", text, strlen(text), &e, &f);
	ck_assert_msg(bad == 0, "%s", f.text);
	return e;
}

struct engine plan_rig_engine(const char *engine_lines, const char *valve_lines)
{
	char sections[2000];
	snprintf(sections, sizeof sections, "[valve 0]\n%s%s", valve_lines, valves);
	return parse(engine_lines, sections);
}

struct engine plan_rig_engine_of(const char *valve_sections)
{
	return parse("", valve_sections);
}

struct plan_request plan_rig_request(int goal, double rpm, double supply_bar)
{
	return (struct plan_request){.aim = {.goal = (enum plan_goal)goal},
	                             .speed_rad_s = rpm * UNIT_PI / 30,
	                             .supply_pa = 1.013e5 + supply_bar * 1e5,
	                             .battery_v = NAN,
	                             .friction_pa = PLAN_FRICTION_PA,
	                             .load_nm = NAN,
	                             .inertia_kg_m2 = NAN,
	                             .tank_pa = 11e5,
	                             .grade = NAN};
}

struct plan_rig plan_rig_of(const struct engine *e, double on_ms, double off_ms, struct plan_request q)
{
	struct plan_rig r = {
	    .engine = *e, .machine = malloc(sizeof *r.machine), .plan = malloc(sizeof *r.plan)};
	struct plan_by_hand h = {.delay_sd_s = 0.001, .conductance_m3_s_pa = PLAN_CONDUCTANCE, .n = PLAN_N};
	for (int v = 0; v < ENGINE_VALVES_MAX; v++) {
		h.delay_on_s[v] = on_ms * 1e-3;
		h.delay_off_s[v] = off_ms * 1e-3;
	}
	ck_assert(r.machine != NULL && r.plan != NULL);
	plan_machine_by_hand(e, &h, r.machine);
	r.status = plan_make(r.machine, &q, r.plan, &r.fault);
	return r;
}

struct plan_rig plan_rig_new(const char *engine_lines, double on_ms, double off_ms, struct plan_request q)
{
	struct engine e = plan_rig_engine(engine_lines, "");
	return plan_rig_of(&e, on_ms, off_ms, q);
}

void plan_rig_free(struct plan_rig *r)
{
	free(r->machine);
	free(r->plan);
	engine_free(&r->engine);
}

bool plan_rig_says(const struct report_lines *l, const char *words)
{
	for (size_t i = 0; i < l->n; i++)
		if (strstr(l->line[i], words) != NULL)
			return true;
	return false;
}
