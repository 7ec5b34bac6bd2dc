/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/engine_sheet.h"
#include "common/engine.h"
#include "common/mech.h"
#include "common/unit.h"

#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>
#include <unistd.h>

#define ROWS(t) (sizeof(t) / sizeof *(t))
#define SAMPLE "sample-logs/number7.ini"

/* Line numbers matter below: keep them beside the text. */
static const char good[] = "[engine]\n"                          /* 1 */
                           "name = Test\n"                       /* 2 */
                           "mechanism = oscillating cylinder\n"  /* 3 */
                           "pivot distance = 420 mm\n"           /* 4 */
                           "crank radius = 62.5 mm\n"            /* 5 */
                           "bore = 63 mm\n"                      /* 6 */
                           "rod = 20 mm\n"                       /* 7 */
                           "clearance cap = 18 ml ; with hose\n" /* 8 */
                           "clearance rod = 21 ml\n"             /* 9 */
                           "ambient = 1.013 bar\n"               /* 10 */
                           "[teeth]\n"                           /* 11 */
                           "count = 36\n"                        /* 12 */
                           "edges = both\n"                      /* 13 */
                           "index angle = 14.5 deg\n"            /* 14 */
                           "[valve 0]\n"                         /* 15 */
                           "role = cap inlet, rod exhaust\n"     /* 16 */
                           "opens = 0 deg\n"                     /* 17 */
                           "shuts = 96 deg\n"                    /* 18 */
                           "[valve 3]\n"                         /* 19 */
                           "role = cap exhaust\n"                /* 20 */
                           "[sensor 0]\n"                        /* 21 */
                           "role = supply\n"                     /* 22 */
                           "low = 102 counts, 0 bar gauge\n"     /* 23 */
                           "high = 921 counts, 10 bar gauge\n"   /* 24 */
                           "[limits]\n"                          /* 25 */
                           "supply = 6 bar gauge\n"              /* 26 */
                           "[drive]\n"                           /* 27 */
                           "mass = 160 kg\n"                     /* 28 */
                           "[tank]\n"                            /* 29 */
                           "volume = 50 l\n";                    /* 30 */

/* `good` with the first `from` replaced; the caller frees it. */
static char *edited(const char *from, const char *to)
{
	const char *at = strstr(good, from);
	ck_assert_msg(at != NULL, "'%s' is not in the text", from);
	char *text = malloc(sizeof good + strlen(to));
	ck_assert_ptr_nonnull(text);
	sprintf(text, "%.*s%s%s", (int)(at - good), good, to, at + strlen(from));
	return text;
}

static struct engine parsed(const char *text)
{
	struct engine e;
	struct fault f = {0};
	ck_assert_msg(engine_parse("e.ini", text, strlen(text), &e, &f) == 0, "%s", f.text);
	return e;
}

START_TEST(the_sample_engine_reads_as_written)
{
	struct engine e;
	struct fault f = {0};
	ck_assert_msg(engine_read(SAMPLE, &e, &f) == 0, "%s", f.text);
	ck_assert_str_eq(e.name, "Number 7 trolley");
	ck_assert_int_eq(e.mechanism, MECHANISM_OSCILLATING);
	ck_assert_double_eq_tol(e.pivot_distance_m, .42, 1e-15);
	ck_assert_double_eq_tol(e.crank_radius_m, .0625, 1e-15);
	ck_assert_double_eq_tol(e.bore_m, .063, 1e-15);
	ck_assert_double_eq_tol(e.rod_m, .02, 1e-15);
	ck_assert_double_eq_tol(e.clearance_m3[END_CAP], 18e-6, 1e-18);
	ck_assert_double_eq_tol(e.clearance_m3[END_ROD], 21e-6, 1e-18);
	ck_assert_double_eq_tol(e.ambient_pa, 101300, 1e-9);
	ck_assert_double_eq_tol(e.air_k, 291.15, 1e-12);
	ck_assert_uint_eq(e.tooth_count, 36);
	ck_assert_int_eq(e.edges, EDGES_BOTH);
	ck_assert_double_eq(e.crank_ratio, 1);
	ck_assert_double_eq_tol(unit_deg(e.index_rad), 14.5, 1e-12);
	ck_assert_double_eq_tol(unit_deg(e.valve[3].opens_rad), 352, 1e-12);
	ck_assert_double_eq_tol(e.limit_supply_pa, 701300, 1e-9);
	ck_assert_double_eq_tol(unit_rpm(e.limit_speed_rad_s), 240, 1e-12);
	ck_assert_double_eq(e.limit_rod_force_n, 1800);
	ck_assert_double_eq(e.crank_sprocket, 15);
	ck_assert_double_eq(e.wheel_sprocket, 30);
	ck_assert_double_eq_tol(e.wheel_diameter_m, .4, 1e-15);
	ck_assert_double_eq(e.mass_kg, 160);
	ck_assert_double_eq_tol(e.tank_m3, .05, 1e-15);
	engine_free(&e);
}
END_TEST

START_TEST(passages_and_sensors_are_found)
{
	struct engine e;
	ck_assert_int_eq(engine_read(SAMPLE, &e, NULL), 0);
	ck_assert_int_eq(engine_valve_for(&e, PASSAGE_CAP_INLET), 0);
	ck_assert_int_eq(engine_valve_for(&e, PASSAGE_CAP_EXHAUST), 1);
	ck_assert_int_eq(engine_valve_for(&e, PASSAGE_ROD_INLET), 2);
	ck_assert_int_eq(engine_valve_for(&e, PASSAGE_ROD_EXHAUST), 3);
	ck_assert_int_eq(engine_sensor_channel(&e, SENSOR_SUPPLY), 0);
	ck_assert_int_eq(engine_sensor_channel(&e, SENSOR_TANK), 3);
	ck_assert_int_eq(engine_sensor_channel(&e, SENSOR_BATTERY), -1);
	ck_assert_double_eq_tol(engine_sensor_value(&e.sensor[0], 102), 101300, 1e-6);
	ck_assert_double_eq_tol(engine_sensor_value(&e.sensor[0], 921), 1101300, 1e-6);
	/* Beyond the points the line goes on: 819 counts are 10 bar. */
	ck_assert_double_eq_tol(engine_sensor_value(&e.sensor[0], 1023), 101300 + 1e6 * 921 / 819, 1e-6);
	ck_assert_double_eq_tol(engine_sensor_value(&e.sensor[0], 0), 101300 - 1e6 * 102 / 819, 1e-6);
	ck_assert_double_nan(engine_sensor_value(&e.sensor[9], 500));
	engine_free(&e);
}
END_TEST

START_TEST(names_are_trade_words)
{
	ck_assert_str_eq(engine_end_name(END_CAP), "cap");
	ck_assert_str_eq(engine_end_name(END_ROD), "rod");
	ck_assert_str_eq(engine_sensor_role_name(SENSOR_THROTTLE), "throttle");
	ck_assert_str_eq(engine_sensor_role_name(SENSOR_ROLE_END), "unknown");
	ck_assert_str_eq(engine_passage_name(PASSAGE_ROD_EXHAUST), "rod exhaust");
	ck_assert_str_eq(engine_passage_name((enum engine_passage)3), "unknown");
}
END_TEST

START_TEST(one_valve_may_open_two_passages)
{
	struct engine e = parsed(good);
	ck_assert_int_eq(engine_valve_for(&e, PASSAGE_CAP_INLET), 0);
	ck_assert_int_eq(engine_valve_for(&e, PASSAGE_ROD_EXHAUST), 0);
	ck_assert_int_eq(engine_valve_for(&e, PASSAGE_ROD_INLET), -1);
	ck_assert(!e.valve[0].rest_open);
	ck_assert_double_nan(e.valve[3].opens_rad);
	engine_free(&e);
}
END_TEST

static int parse_with(const char *extra, struct engine *e, struct fault *fault)
{
	char text[4096];
	snprintf(text, sizeof text,
	         "[engine]\nname = x\nmechanism = oscillating cylinder\npivot distance = 420 mm\n"
	         "crank radius = 62.5 mm\nbore = 63 mm\nrod = 20 mm\nclearance cap = 18 ml\n"
	         "clearance rod = 21 ml\n%s",
	         extra);
	return engine_parse("x.ini", text, strlen(text), e, fault);
}

/* Each of these texts is refused with a word of its own. */
static void refuses(const char *const (*wrong)[2], size_t n)
{
	for (size_t i = 0; i < n; i++) {
		struct engine e;
		struct fault fault = {0};
		ck_assert_int_eq(parse_with(wrong[i][0], &e, &fault), -1);
		ck_assert_int_eq(fault.exit_code, EX_CONFIG);
		ck_assert_msg(strstr(fault.text, wrong[i][1]) != NULL, "%s", fault.text);
	}
}

/* One coil, a spring, five ports: on it fills the cap end, off the rod end. */
START_TEST(a_spring_returned_valve_opens_others_at_rest)
{
	struct engine e;
	struct fault fault = {0};
	ck_assert_int_eq(parse_with("[valve 0]\nrole = cap inlet, rod exhaust\n"
	                            "rest role = rod inlet, cap exhaust\nopens = 0 deg\nshuts = 180 deg\n",
	                            &e, &fault),
	                 0);
	static const enum engine_passage all[] = {PASSAGE_CAP_INLET, PASSAGE_ROD_EXHAUST, PASSAGE_ROD_INLET,
	                                          PASSAGE_CAP_EXHAUST};
	for (int i = 0; i < 4; i++) {
		ck_assert_int_eq(engine_valve_for(&e, all[i]), 0);
		ck_assert_int_eq(engine_energised_opens(&e.valve[0], all[i]), i < 2);
	}
	engine_free(&e);
	static const char *const wrong[][2] = {
	    {"[valve 0]\nrole = cap inlet\nrest role = cap inlet\n", "coil on"},
	    {"[valve 0]\nrole = cap inlet\nrest = open\nrest role = cap exhaust\n", "rest = open"},
	    {"[valve 0]\nrole = cap inlet\nrest role = rod inlet, rod exhaust\n", "same end"},
	    {"[valve 0]\nrole = cap inlet\nrest role = top\n", "no passage"},
	    {"[valve 0]\nrole = cap inlet\nrest role = cap exhaust\n[valve 1]\nrole = cap exhaust\n",
	     "already opens"}};
	refuses(wrong, sizeof wrong / sizeof *wrong);
}
END_TEST

#define TWO_VALVES "[valve 0]\nrole = cap inlet\n[valve 2]\nrole = cap exhaust\n"
#define COIL "role = coil current\nlow = 0 counts, 0 A\nhigh = 1023 counts, 2500 mA\n"

START_TEST(a_sensor_may_show_a_coils_current)
{
	struct engine e;
	struct fault fault = {0};
	ck_assert_int_eq(parse_with(TWO_VALVES "[sensor 4]\n" COIL "valve = 2\n[sensor 5]\n" COIL
	                                       "valve = 0\n",
	                            &e, &fault),
	                 0);
	ck_assert_int_eq(engine_coil_channel(&e, 2), 4);
	ck_assert_int_eq(engine_coil_channel(&e, 0), 5);
	ck_assert_int_eq(engine_coil_channel(&e, 1), -1);
	ck_assert_double_eq_tol(engine_sensor_value(&e.sensor[4], 1023), 2.5, 1e-12);
	ck_assert_str_eq(engine_sensor_role_name(e.sensor[4].role), "coil current");
	engine_free(&e);
	static const char *const wrong[][2] = {
	    {TWO_VALVES "[sensor 4]\n" COIL, "valve"},
	    {TWO_VALVES "[sensor 4]\n" COIL "valve = 1\n", "no [valve 1]"},
	    {TWO_VALVES "[sensor 4]\n" COIL "valve = 8\n", "no such valve"},
	    {TWO_VALVES "[sensor 4]\n" COIL "valve = 0.5\n", "no such valve"},
	    {TWO_VALVES "[sensor 4]\n" COIL "valve = 2\n[sensor 5]\n" COIL "valve = 2\n", "already measures"},
	    {TWO_VALVES "[sensor 4]\nrole = battery\nlow = 0 counts, 0 V\nhigh = 9 counts, 9 V\nvalve = 0\n",
	     "coil current"},
	    {TWO_VALVES
	     "[sensor 4]\nrole = coil current\nlow = 0 counts, 0 V\nhigh = 9 counts, 9 V\nvalve = 0\n",
	     "1.5 A"}};
	refuses(wrong, sizeof wrong / sizeof *wrong);
}
END_TEST

START_TEST(the_second_channel_may_be_told)
{
	struct engine e;
	struct fault fault = {0};
	static const char *const way[] = {"", "second channel = behind\n", "second channel = ahead\n"};
	static const int want[] = {0, 1, -1};
	for (int i = 0; i < 3; i++) {
		char text[120];
		snprintf(text, sizeof text, "[teeth]\ncount = 36\nedges = both\n%s", way[i]);
		ck_assert_int_eq(parse_with(text, &e, &fault), 0);
		ck_assert_int_eq(e.second_channel, want[i]);
		engine_free(&e);
	}
	ck_assert_int_eq(parse_with("[teeth]\ncount = 36\nedges = both\nsecond channel = left\n", &e, &fault),
	                 -1);
}
END_TEST

START_TEST(the_chain_may_be_let_wind_up)
{
	struct engine e;
	struct fault fault = {0};
	static const char *const asked[] = {"", "chain wind-up = none\n", "chain wind-up = fitted\n"};
	for (int i = 0; i < 3; i++) {
		char text[120];
		snprintf(text, sizeof text, "[teeth]\ncount = 36\nedges = both\n%s", asked[i]);
		ck_assert_int_eq(parse_with(text, &e, &fault), 0);
		ck_assert(e.wind_up == (i == 2));
		engine_free(&e);
	}
	ck_assert_int_eq(parse_with("[teeth]\ncount = 36\nedges = both\nchain wind-up = 3\n", &e, &fault),
	                 -1);
}
END_TEST

START_TEST(what_is_not_given_is_not_known)
{
	struct engine e =
	    parsed("[engine]\nname=A\nmechanism=crosshead\nrod length=300 mm\ncrank radius=50 mm\n"
	           "bore=50 mm\nclearance cap=10 ml\n");
	ck_assert_double_eq(e.offset_m, 0);
	ck_assert_double_eq(e.ambient_pa, 101325);
	ck_assert_double_eq(e.air_k, 288.15);
	ck_assert_double_nan(e.pivot_distance_m);
	ck_assert_double_nan(e.rod_m);
	ck_assert_double_nan(e.clearance_m3[END_ROD]);
	ck_assert_double_nan(e.limit_supply_pa);
	ck_assert_double_nan(e.limit_speed_rad_s);
	ck_assert_double_nan(e.limit_rod_force_n);
	ck_assert_double_nan(e.index_rad);
	ck_assert_double_nan(e.tank_m3);
	ck_assert_double_nan(e.mass_kg);
	ck_assert_uint_eq(e.tooth_count, 0);
	engine_free(&e);
}
END_TEST

/* Edits that must still read. */
static const char *const fine[][2] = {
    {"clearance rod = 21 ml\n", ""},
    {"role = cap inlet, rod exhaust", "role = rod  exhaust ,cap   inlet"},
    {"shuts = 96 deg", "shuts = 96 deg\nrest = open"},
    {"index angle = 14.5 deg\n", ""},
    {"index angle = 14.5 deg", "index angle = 360 deg"},
    {"count = 36", "  count = 36"},
    {"[teeth]", "  [teeth] ; wheel"},
    {"low = 102 counts", "low = -5.5e0 counts"},
    {"role = supply",
     "role = battery\nlow = 0 counts, 0 V\nhigh = 1023 counts, 16 V\n[sensor 1]\nrole = supply"},
    {"role = supply",
     "role = throttle\nhigh = 5 counts, 1\nlow = 1000 counts, 0 %\n[sensor 15]\nrole = supply"},
    {"[engine]", "\xef\xbb\xbf[engine]"},
    {"[engine]", "# a comment\r\n\r\n[engine]\r"},
    {"name = Test", "name = Z\xc3\xbcrich No 7"},
    {"bore = 63 mm", "bore = +6.3e1 mm"},
    {"bore = 63 mm", "bore : 63 mm"},
    {"pivot distance", "pivot   distance"},
    {"role = supply",
     "role = supply ; a comment longer than a line may be without its comment: "
     "................................................................................................"
     "................................................................................................"},
};

START_TEST(harmless_variations_are_read)
{
	char *text = edited(fine[_i][0], fine[_i][1]);
	/* Without a rod-end clearance the machine is single acting. */
	if (_i == 0)
		memcpy(strstr(text, ", rod exhaust"), "             ", 13);
	struct engine e = parsed(text);
	ck_assert_uint_eq(e.source_len, strlen(text));
	ck_assert_str_eq(e.source, text);
	engine_free(&e);
	free(text);
}
END_TEST

START_TEST(rest_and_falling_sensors_are_kept)
{
	char *text = edited("shuts = 96 deg", "shuts = 96 deg\nrest = open");
	struct engine e = parsed(text);
	ck_assert(e.valve[0].rest_open);
	engine_free(&e);
	free(text);
	text = edited("low = 102 counts", "low = 1000 counts"); /* a sensor that falls */
	e = parsed(text);
	ck_assert_double_lt(e.sensor[0].counts[0], e.sensor[0].counts[1]);
	ck_assert_double_eq_tol(engine_sensor_value(&e.sensor[0], 1000), 101300, 1e-6);
	ck_assert_double_eq_tol(engine_sensor_value(&e.sensor[0], 921), 1101300, 1e-6);
	engine_free(&e);
	free(text);
}
END_TEST

struct mistake {
	const char *from, *to;
	int line;
	const char *word;
};

static const struct mistake mistakes[] = {
    /* sections and keys */
    {"[tank]", "[tonk]", 29, "no such section"},
    {"[tank]", "[tank", 29, "']'"},
    {"[tank]", "[tank] volume", 29, "line of its own"},
    {"[valve 3]", "[valve 8]", 19, "[valve 7]"},
    {"[valve 3]", "[valve]", 19, "no such section"},
    {"[valve 3]", "[valve -1]", 19, "no such section"},
    {"[valve 3]", "[valve 0]", 19, "line 15"},
    {"[sensor 0]", "[sensor 16]", 21, "[sensor 15]"},
    {"[limits]", "[teeth]", 25, "line 11"},
    {"[engine]\n", "", 1, "before the first section"},
    {"[engine]", "[tank]\nvolume = 1 l\n[engine 0]", 3, "no such section"},
    {"bore = 63 mm", "boar = 63 mm", 6, "'boar' is no key of [engine]"},
    {"bore = 63 mm", "bore = 63 mm\nbore = 63 mm", 7, "line 6"},
    {"bore = 63 mm", "bore 63 mm", 6, "neither"},
    {"bore = 63 mm", "bore =", 6, "no value"},
    {"bore = 63 mm", "bore = ; later", 6, "no value"},
    {"bore = 63 mm", "bore = 63 mm\n  and a half", 7, "one line"},
    {"bore = 63 mm\n", "", 1, "lacks 'bore'"},
    {"name = Test\n", "", 1, "lacks 'name'"},
    {"mechanism = oscillating cylinder\n", "", 1, "lacks 'mechanism'"},
    {"crank radius = 62.5 mm\n", "", 1, "lacks 'crank radius'"},
    {"clearance cap = 18 ml ; with hose\n", "", 1, "lacks 'clearance cap'"},
    {"count = 36\n", "", 11, "lacks 'count'"},
    {"edges = both\n", "", 11, "lacks 'edges'"},
    {"role = supply\n", "", 21, "lacks 'role'"},
    {"role = cap exhaust\n", "", 19, "lacks 'role'"},
    {"low = 102 counts, 0 bar gauge\n", "", 21, "lacks 'low'"},
    {"high = 921 counts, 10 bar gauge\n", "", 21, "lacks 'high'"},
    {"volume = 50 l\n", "", 29, "lacks 'volume'"},
    /* values */
    {"name = Test",
     "name = 123456789 123456789 123456789 123456789 123456789 123456789 123456789 123456789 x", 2,
     "shorten"},
    {"bore = 63 mm", "bore = 63", 6, "unit is missing"},
    {"bore = 63 mm", "bore = 63 ml", 6, "'ml' does not fit"},
    {"bore = 63 mm", "bore = 63,5 mm", 6, "decimal comma"},
    {"bore = 63 mm", "bore = 63 m", 6, "check sign and unit"},
    {"bore = 63 mm", "bore = 0 mm", 6, "check sign and unit"},
    {"bore = 63 mm", "bore = nan mm", 6, "number"},
    {"clearance cap = 18 ml", "clearance cap = -18 ml", 8, "check sign"},
    {"clearance rod = 21 ml", "clearance rod = 0 ml", 9, "check sign"},
    {"ambient = 1.013 bar", "ambient = 1.013 bar gauge", 10, "absolute"},
    {"ambient = 1.013 bar", "ambient = 10.13 bar", 10, "1200 mbar"},
    {"mechanism = oscillating cylinder", "mechanism = wobble", 3, "crosshead"},
    {"count = 36", "count = 36.5", 12, "whole number"},
    {"count = 36", "count = 0", 12, "whole number"},
    {"count = 36", "count = 36 teeth", 12, "bare number"},
    {"edges = both", "edges = left", 13, "rising"},
    {"index angle = 14.5 deg", "index angle = -5 deg", 14, "0 deg to 360 deg"},
    {"index angle = 14.5 deg", "crank ratio = 0", 14, "crank ratio"},
    {"opens = 0 deg", "opens = 361 deg", 17, "360 deg"},
    {"shuts = 96 deg", "shuts = 96", 18, "unit is missing"},
    {"shuts = 96 deg", "shuts = 0 deg", 18, "never open"},
    {"shuts = 96 deg", "shuts = 360 deg", 18, "never open"},
    {"shuts = 96 deg\n", "", 17, "both or neither"},
    {"opens = 0 deg\n", "", 17, "both or neither"},
    {"shuts = 96 deg", "shuts = 96 deg\nrest = ajar", 19, "'shut' or 'open'"},
    {"role = cap inlet, rod exhaust", "role = cap", 16, "no passage"},
    {"role = cap inlet, rod exhaust", "role = cap inlet,", 16, "no passage"},
    {"role = cap inlet, rod exhaust", "role = cap inlet, cap inlet", 16, "there twice"},
    {"role = cap inlet, rod exhaust", "role = rod inlet, rod exhaust", 16, "same end at once"},
    {"role = cap exhaust", "role = cap inlet", 20, "[valve 0]"},
    {"role = supply", "role = suply", 22, "battery"},
    {"role = supply", "role = none", 22, "no role"},
    {"role = supply", "role = supply\ntable = points", 23, "either"},
    {"low = 102 counts, 0 bar gauge", "low = 102 counts", 23, "after the counts"},
    {"low = 102 counts, 0 bar gauge", "low = 102, 0 bar gauge", 23, "102 counts"},
    {"low = 102 counts, 0 bar gauge", "low = 102 counts, 0 bar", 23, "gauge or absolute"},
    {"low = 102 counts, 0 bar gauge", "low = 102 counts, 0 V", 23, "'V' does not fit"},
    {"low = 102 counts", "low = 921 counts", 24, "must differ"},
    {"low = 102 counts, 0 bar gauge\nhigh = 921 counts, 10 bar gauge", "table = points", 23, "two points"},
    {"low = 102 counts, 0 bar gauge\nhigh = 921 counts, 10 bar gauge",
     "table = points\n  1 counts, 0 bar gauge\n  9 counts, 1 bar gauge\n  9 counts, 2 bar gauge", 26,
     "do not rise"},
    {"low = 102 counts, 0 bar gauge\nhigh = 921 counts, 10 bar gauge",
     "table = points\n  1 counts, 0 bar gauge\n  9 counts, 1 bar", 25, "gauge or absolute"},
    {"[limits]",
     "[sensor 7]\nrole = supply\nlow = 1 counts, 0 bar gauge\nhigh = 2 counts, 1 bar gauge\n[limits]", 26,
     "[sensor 0]"},
    {"supply = 6 bar gauge", "supply = 6 bar", 26, "6 bar gauge"},
    {"supply = 6 bar gauge", "supply = 0 bar gauge", 26, "not above ambient"},
    {"supply = 6 bar gauge", "speed = 240", 26, "unit is missing"},
    {"supply = 6 bar gauge", "speed = -240 rpm", 26, "check sign"},
    {"supply = 6 bar gauge", "rod force = 1800 kg", 26, "1800 N"},
    {"mass = 160 kg", "crank sprocket = 15 teeth", 28, "bare number"},
    /* geometry */
    {"crank radius = 62.5 mm", "crank radius = 420 mm", 5, "smaller than the pivot distance"},
    {"rod = 20 mm", "rod = 63 mm", 7, "thinner"},
    {"pivot distance = 420 mm\n", "", 3, "pivot distance = 420 mm"},
    {"pivot distance = 420 mm", "rod length = 420 mm", 3, "needs 'pivot distance'"},
    {"pivot distance = 420 mm", "pivot distance = 420 mm\nrod length = 1 m", 5, "belongs to a crosshead"},
    {"pivot distance = 420 mm", "pivot distance = 420 mm\noffset = 1 mm", 5, "belongs to a crosshead"},
    {"mechanism = oscillating cylinder", "mechanism = crosshead", 3, "needs 'rod length'"},
    {"mechanism = oscillating cylinder", "mechanism = crosshead\nrod length = 300 mm", 5,
     "belongs to an oscillating"},
    {"mechanism = oscillating cylinder\npivot distance = 420 mm",
     "mechanism = crosshead\nrod length = 62.5 mm", 5, "cannot turn"},
    {"mechanism = oscillating cylinder\npivot distance = 420 mm",
     "mechanism = crosshead\nrod length = 300 mm\noffset = -237.5 mm", 5, "offset"},
    {"clearance rod = 21 ml\n", "", 1, "rod-end valve"},
    {"rod = 20 mm\n", "", 1, "lacks 'rod'"},
    /* not a text file */
    {"bore", "b\x01ore", 6, "control character"},
    {"bore", "b\xffore", 6, "UTF-8"},
    {"bore = 63 mm",
     "bore = 63 mm                                                                                           "
     "          "
     "                                                                                                       "
     "wide",
     6, "the most"},
};

START_TEST(mistakes_are_named_with_their_line)
{
	const struct mistake *m = &mistakes[_i];
	char *text = edited(m->from, m->to), where[32];
	struct engine e;
	struct fault f = {0};
	ck_assert_msg(engine_parse("e.ini", text, strlen(text), &e, &f) == -1, "'%s' was accepted", m->to);
	free(text);
	snprintf(where, sizeof where, "e.ini:%d: ", m->line);
	ck_assert_msg(strncmp(f.text, where, strlen(where)) == 0, "for '%s' not line %d: %s", m->to, m->line,
	              f.text);
	ck_assert_msg(strstr(f.text, m->word) != NULL, "'%s' does not say '%s'", f.text, m->word);
	ck_assert_int_eq(f.exit_code, EX_CONFIG);
	ck_assert_ptr_null(e.source);
}
END_TEST

START_TEST(text_that_is_no_engine_file)
{
	struct engine e;
	struct fault f = {0};
	ck_assert_int_eq(engine_parse("e.ini", "", 0, &e, &f), -1);
	ck_assert_ptr_nonnull(strstr(f.text, "empty"));
	ck_assert_int_eq(engine_parse("e.ini", "[tank]\nvolume = 1 l\n", 20, &e, &f), -1);
	ck_assert_ptr_nonnull(strstr(f.text, "[engine] is missing"));
	ck_assert_int_eq(engine_parse("e.ini", "[engine]\nname = a\0b\n", 20, &e, &f), -1);
	ck_assert_ptr_nonnull(strstr(f.text, "e.ini:2: byte 17"));
	char *large = calloc(1, 65537);
	memset(large, '\n', 65537);
	ck_assert_int_eq(engine_parse("e.ini", large, 65537, &e, &f), -1);
	ck_assert_ptr_nonnull(strstr(f.text, "65536"));
	free(large);
}
END_TEST

START_TEST(files_that_cannot_be_read)
{
	struct engine e;
	struct fault f = {0};
	ck_assert_int_eq(engine_read("no-such-folder/e.ini", &e, &f), -1);
	ck_assert_int_eq(f.exit_code, EX_NOINPUT);
	ck_assert_ptr_nonnull(strstr(f.text, "no-such-folder/e.ini"));
	ck_assert_int_eq(engine_read("/dev/zero", &e, &f), -1); /* endless */
	ck_assert_ptr_nonnull(strstr(f.text, "larger"));
	ck_assert_int_eq(engine_read("tests", &e, &f), -1); /* a folder */
	ck_assert_int_ne(f.exit_code, 0);
	engine_free(&e);
}
END_TEST

/* A folder of its own for engine file and table. */
struct folder {
	char path[64], ini[96], csv[96];
};

static void write_file(const char *path, const char *text)
{
	FILE *f = fopen(path, "w");
	ck_assert_ptr_nonnull(f);
	ck_assert_int_ge(fputs(text, f), 0);
	ck_assert_int_eq(fclose(f), 0);
}

static struct folder make_folder(const char *table, const char *role)
{
	struct folder d = {.path = "/tmp/trammel-engine-XXXXXX"};
	char with_table[160];
	ck_assert_ptr_nonnull(mkdtemp(d.path));
	snprintf(d.ini, sizeof d.ini, "%s/e.ini", d.path);
	snprintf(d.csv, sizeof d.csv, "%s/s.csv", d.path);
	snprintf(with_table, sizeof with_table, "role = %s\ntable = s.csv ; measured", role);
	char *text = edited("role = supply\nlow = 102 counts, 0 bar gauge\nhigh = 921 counts, 10 bar gauge",
	                    with_table);
	write_file(d.ini, text);
	free(text);
	if (table != NULL)
		write_file(d.csv, table);
	return d;
}

static void remove_folder(const struct folder *d)
{
	unlink(d->csv);
	unlink(d->ini);
	rmdir(d->path);
}

START_TEST(a_table_is_read_and_folded_in)
{
	struct folder d = make_folder(
	    "counts,bar_gauge\r\n# gauge tester, 17 degC\n\n100,0\n\"500\",4.9\n900,10\n", "supply");
	struct engine e, again;
	struct fault f = {0};
	ck_assert_msg(engine_read(d.ini, &e, &f) == 0, "%s", f.text);
	remove_folder(&d);
	ck_assert_uint_eq(e.sensor[0].points, 3);
	ck_assert_double_eq_tol(engine_sensor_value(&e.sensor[0], 500), 4.9e5 + 101300, 1e-6);
	ck_assert_double_eq_tol(engine_sensor_value(&e.sensor[0], 700), 7.45e5 + 101300, 1e-6);
	ck_assert_double_eq_tol(engine_sensor_value(&e.sensor[0], 60), -.49e5 + 101300, 1e-6);
	ck_assert_ptr_nonnull(strstr(e.source, "table = points\n  100 counts, 0 bar gauge\n"));
	/* What is kept needs no other file, and says the same. */
	ck_assert_msg(engine_parse("nowhere/x.ini", e.source, e.source_len, &again, &f) == 0, "%s", f.text);
	ck_assert_int_eq(memcmp(e.sensor, again.sensor, sizeof e.sensor), 0);
	ck_assert_str_eq(e.source, again.source);
	ck_assert_double_eq(again.limit_supply_pa, e.limit_supply_pa);
	engine_free(&e);
	engine_free(&again);
}
END_TEST

START_TEST(tables_of_other_units)
{
	struct folder d = make_folder("\xef\xbb\xbf"
	                              "counts,V\n0,0\n1023,16.5\n",
	                              "battery");
	struct engine e;
	struct fault f = {0};
	ck_assert_msg(engine_read(d.ini, &e, &f) == 0, "%s", f.text);
	ck_assert_double_eq_tol(engine_sensor_value(&e.sensor[0], 1023), 16.5, 1e-12);
	engine_free(&e);
	write_file(d.csv, "counts,psi_absolute\n0,14.69594877551\n1000,114.69594877551\n");
	ck_assert_int_eq(engine_read(d.ini, &e, &f), -1); /* a battery has no pressure */
	ck_assert_ptr_nonnull(strstr(f.text, "psi absolute"));
	remove_folder(&d);
}
END_TEST

static const struct mistake bad_tables[] = {
    {"", NULL, 1, "two points"},
    {"counts,bar_gauge\n100,0\n", NULL, 1, "this one has 1"},
    {"100,0\n200,1\n", NULL, 1, "header"},
    {"counts\n1\n", NULL, 1, "header"},
    {"counts;bar_gauge\n1;2\n", NULL, 1, "header"},
    {"counts,bar\n1,2\n3,4\n", NULL, 2, "gauge or absolute"},
    {"counts,furlong\n1,2\n3,4\n", NULL, 2, "furlong"},
    {"counts,bar_gauge\n1,2\n3,4,5\n", NULL, 3, "3 columns"},
    {"counts,bar_gauge\n1,2\n\n3\n", NULL, 4, "1 columns"},
    {"counts,bar_gauge\n1,2\nx,3\n", NULL, 3, "number"},
    {"counts,bar_gauge\n1,2\n3,x\n", NULL, 3, "number"},
    {"counts,bar_gauge\n1,2\n3,\n", NULL, 3, "number"},
    {"counts,bar_gauge\n1,2\n5,3\n4,4\n", NULL, 4, "do not rise"},
    {"counts,bar_gauge\n1,2\n1,3\n", NULL, 3, "must differ"},
    {"counts,bar_gauge\n1,2\n\"3,4\n", NULL, 3, "quotes"},
    {"counts,bar_gauge\n1,2\n3,100.0000000000000000000000000000e2\n", NULL, 3, "more than 31"},
    {"counts,bar_gauge\v\n1,2\n3,4\n", NULL, 1, "control character"},
};

START_TEST(bad_tables_are_named_with_their_line)
{
	const struct mistake *m = &bad_tables[_i];
	struct folder d = make_folder(m->from, "supply");
	struct engine e;
	struct fault f = {0};
	char where[128];
	ck_assert_int_eq(engine_read(d.ini, &e, &f), -1);
	remove_folder(&d);
	snprintf(where, sizeof where, "%s:%d: ", d.csv, m->line);
	ck_assert_msg(strncmp(f.text, where, strlen(where)) == 0, "for '%s' not line %d: %s", m->from,
	              m->line, f.text);
	ck_assert_msg(strstr(f.text, m->word) != NULL, "'%s' does not say '%s'", f.text, m->word);
}
END_TEST

START_TEST(a_table_may_be_missing_or_too_long)
{
	struct folder d = make_folder(NULL, "supply");
	struct engine e;
	struct fault f = {0};
	ck_assert_int_eq(engine_read(d.ini, &e, &f), -1);
	ck_assert_int_eq(f.exit_code, EX_NOINPUT);
	ck_assert_ptr_nonnull(strstr(f.text, d.csv));
	ck_assert_ptr_nonnull(strstr(f.text, "e.ini:23: "));
	char rows[1200] = "counts,bar_gauge\n";
	for (int i = 0; i < ENGINE_TABLE_MAX + 1; i++)
		sprintf(rows + strlen(rows), "%d,%d\n", i, i);
	write_file(d.csv, rows);
	ck_assert_int_eq(engine_read(d.ini, &e, &f), -1);
	ck_assert_ptr_nonnull(strstr(f.text, "s.csv:66: a table has at most 64 points"));
	*strstr(rows, "64,64\n") = '\0';
	write_file(d.csv, rows);
	ck_assert_msg(engine_read(d.ini, &e, &f) == 0, "%s", f.text);
	ck_assert_uint_eq(e.sensor[0].points, ENGINE_TABLE_MAX);
	engine_free(&e);
	remove_folder(&d);
}
END_TEST

/* The sequence of Numerical Recipes' quick generator: reproducible damage. */
static unsigned next_random(unsigned *state)
{
	*state = *state * 1664525u + 1013904223u;
	return *state >> 8;
}

START_TEST(damaged_text_never_breaks_the_reader)
{
	unsigned seed = 2385;
	int accepted = 0;
	for (int i = 0; i < 4000; i++) {
		char text[sizeof good];
		memcpy(text, good, sizeof good);
		size_t len = sizeof good - 1;
		for (unsigned k = next_random(&seed) % 4; k < 4; k++)
			text[next_random(&seed) % len] = (char)(next_random(&seed) % 128);
		if (i % 3 == 0)
			len = next_random(&seed) % len;
		struct engine e;
		struct fault f = {0};
		if (engine_parse("e.ini", text, len, &e, &f) == 0) {
			accepted++;
			struct mech m = mech_of(&e);
			ck_assert_double_gt(m.stroke_m, 0);
			engine_free(&e);
		} else {
			ck_assert_msg(strncmp(f.text, "e.ini:", 6) == 0 || f.exit_code == EX_NOINPUT, "%s",
			              f.text);
		}
	}
	ck_assert_int_gt(accepted, 0); /* a changed letter in the name, for one */
}
END_TEST

/* The sheet of an engine file; the caller frees it. */
static char *sheet_of(const struct engine *e)
{
	char *text;
	size_t len;
	FILE *f = open_memstream(&text, &len);
	ck_assert_ptr_nonnull(f);
	engine_sheet_print(f, "e.ini", e);
	ck_assert_int_eq(fclose(f), 0);
	return text;
}

static void sheet_says(const char *sheet, const char *words)
{
	ck_assert_msg(strstr(sheet, words) != NULL, "no '%s' in:\n%s", words, sheet);
}

START_TEST(the_sheet_says_what_the_sample_means)
{
	struct engine e;
	ck_assert_int_eq(engine_read(SAMPLE, &e, NULL), 0);
	char *sheet = sheet_of(&e);
	sheet_says(sheet, "125.0 mm");
	/* 63 mm bore, 20 mm rod: areas and thrust of a standard cylinder at 6 bar. */
	sheet_says(sheet, "3117.2 mm2");
	sheet_says(sheet, "2803.1 mm2");
	sheet_says(sheet, "1870 N        1682 N");
	sheet_says(sheet, "10.000 deg of crank");
	sheet_says(sheet, "that limit is reached at 5.77 bar gauge");
	sheet_says(sheet, "never a safety device");
	ck_assert_ptr_null(strstr(sheet, "nan"));
	engine_free(&e);
	free(sheet);
}
END_TEST

START_TEST(the_sheet_of_a_single_acting_engine)
{
	struct engine e = parsed(
	    "[engine]\nname=A\nmechanism=crosshead\nrod length=300 mm\ncrank radius=50 mm\noffset = 20 mm\n"
	    "bore=50 mm\nclearance cap=200 ml\n");
	char *sheet = sheet_of(&e);
	sheet_says(sheet, "not used");
	sheet_says(sheet, "none given: count and firing can be judged");
	sheet_says(sheet, "none: clearance"); /* so much clearance that no cut-off expands to ambient */
	ck_assert_ptr_null(strstr(sheet, "nan"));
	engine_free(&e);
	free(sheet);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("engine");
	TCase *t = tcase_create("engine");
	tcase_add_test(t, the_sample_engine_reads_as_written);
	tcase_add_test(t, passages_and_sensors_are_found);
	tcase_add_test(t, names_are_trade_words);
	tcase_add_test(t, one_valve_may_open_two_passages);
	tcase_add_test(t, a_spring_returned_valve_opens_others_at_rest);
	tcase_add_test(t, a_sensor_may_show_a_coils_current);
	tcase_add_test(t, the_second_channel_may_be_told);
	tcase_add_test(t, the_chain_may_be_let_wind_up);
	tcase_add_test(t, what_is_not_given_is_not_known);
	tcase_add_loop_test(t, harmless_variations_are_read, 0, ROWS(fine));
	tcase_add_test(t, rest_and_falling_sensors_are_kept);
	tcase_add_loop_test(t, mistakes_are_named_with_their_line, 0, ROWS(mistakes));
	tcase_add_test(t, text_that_is_no_engine_file);
	tcase_add_test(t, files_that_cannot_be_read);
	tcase_add_test(t, a_table_is_read_and_folded_in);
	tcase_add_test(t, tables_of_other_units);
	tcase_add_loop_test(t, bad_tables_are_named_with_their_line, 0, ROWS(bad_tables));
	tcase_add_test(t, a_table_may_be_missing_or_too_long);
	tcase_add_test(t, damaged_text_never_breaks_the_reader);
	tcase_add_test(t, the_sheet_says_what_the_sample_means);
	tcase_add_test(t, the_sheet_of_a_single_acting_engine);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
