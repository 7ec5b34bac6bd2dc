/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a plan writes: engine file, header, JSON, CSV, page. */
#include "analyse/rehearse/timing.h"
#include "common/unit.h"
#include "tests/log_rig.h"
#include "tests/plan_rig.h"

#include <check.h>
#include <jansson.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static struct plan_rig plan(void)
{
	struct plan_rig r = plan_rig_new("", 22, 28, plan_rig_request(PLAN_ECONOMY, 90, 4));
	ck_assert_int_eq(r.status, 0);
	return r;
}

static char *written(const struct plan *p, int (*render)(const struct plan *, FILE *), size_t *len)
{
	char *text = NULL;
	FILE *out = open_memstream(&text, len);
	ck_assert_ptr_nonnull(out);
	ck_assert_int_eq(render(p, out), 0);
	fclose(out);
	return text;
}

static void put_file(const char *path, const char *text)
{
	FILE *f = fopen(path, "w");
	ck_assert_ptr_nonnull(f);
	ck_assert_int_ge(fputs(text, f), 0);
	ck_assert_int_eq(fclose(f), 0);
}

/* --- engine file ------------------------------------------------------------------- */

START_TEST(engine_file_carries_the_timing)
{
	struct plan_rig r = plan();
	size_t len;
	char *text = written(r.plan, plan_ini, &len);
	struct engine e;
	struct fault f = {0};
	int bad = engine_parse("next.ini", text, len, &e, &f);
	ck_assert_msg(bad == 0, "%s", f.text);
	for (int v = 0; v < 4; v++) {
		const struct plan_setting *on = &r.plan->setting[v][1], *off = &r.plan->setting[v][0];
		ck_assert_double_eq_tol(
		    unit_deg(remainder(e.valve[v].opens_rad - on->setting_rad, 2 * UNIT_PI)), 0, 0.0501);
		ck_assert_double_eq_tol(
		    unit_deg(remainder(e.valve[v].shuts_rad - off->setting_rad, 2 * UNIT_PI)), 0, 0.0501);
		ck_assert_double_eq_tol(e.valve[v].lead_open_s, 0.022, 1e-4);
		ck_assert_double_eq_tol(e.valve[v].lead_shut_s, 0.028, 1e-4);
	}
	ck_assert_double_eq(e.bore_m, r.engine.bore_m);
	ck_assert_double_eq(e.limit_rod_force_n, r.engine.limit_rod_force_n);
	engine_free(&e);
	free(text);
	plan_rig_free(&r);
}
END_TEST

/* Planning the planned file again replaces lines, it does not pile them up. */
START_TEST(engine_file_does_not_grow)
{
	struct plan_rig first = plan();
	size_t len, again_len;
	char *text = written(first.plan, plan_ini, &len);
	struct engine e;
	struct fault f = {0};
	ck_assert_int_eq(engine_parse("next.ini", text, len, &e, &f), 0);
	struct plan_rig second = plan_rig_of(&e, 22, 28, plan_rig_request(PLAN_ECONOMY, 90, 4));
	char *again = written(second.plan, plan_ini, &again_len);
	ck_assert_str_eq(text, again);
	free(text);
	free(again);
	plan_rig_free(&first);
	plan_rig_free(&second);
}
END_TEST

START_TEST(rehearsal_understands_the_engine_file)
{
	struct plan_rig r = plan();
	char *directory = log_rig_directory(), path[400];
	size_t len;
	char *text = written(r.plan, plan_ini, &len);
	struct settings s = settings_default();
	struct fault f = {0};
	snprintf(path, sizeof path, "%s/next.ini", directory);
	put_file(path, text);
	int bad = timing_read(path, &s, &f);
	ck_assert_msg(bad == 0, "%s", f.text);
	for (int v = 0; v < 4; v++) {
		ck_assert_double_eq_tol(s.lead_open[v], 22, 0.05);
		ck_assert_double_eq_tol(s.lead_shut[v], 28, 0.05);
		ck_assert_double_eq_tol(
		    remainder(s.opens[v] - unit_deg(r.plan->setting[v][1].setting_rad), 360), 0, 0.0501);
	}
	free(text);
	log_rig_remove(directory);
	plan_rig_free(&r);
}
END_TEST

/* --- header ------------------------------------------------------------------------ */

static const char user[] = "#include \"timing.h\"\n"
                           "uint16_t look(uint8_t v, uint8_t p, uint8_t s);\n"
                           "uint16_t look(uint8_t v, uint8_t p, uint8_t s)\n"
                           "{\n"
                           "\treturn (uint16_t)(trammel_on_ddeg[v][p][s] + trammel_off_ddeg[v][p][s] +\n"
                           "\t                  trammel_valve_number[v] + trammel_supply_mbar_gauge[p] +\n"
                           "\t                  trammel_speed_rpm[s]);\n"
                           "}\n";

static int compiles(const char *compiler, const char *directory)
{
	char command[900];
	snprintf(command, sizeof command,
	         "cd '%s' && %s -std=c99 -Wall -Wextra -Werror -pedantic -c user.c -o user.o", directory,
	         compiler);
	return system(command);
}

static void header_compiles_without_a_warning(const struct plan_rig *r)
{
	char *directory = log_rig_directory(), path[400];
	size_t len;
	char *text = written(r->plan, plan_header, &len);
	snprintf(path, sizeof path, "%s/timing.h", directory);
	put_file(path, text);
	snprintf(path, sizeof path, "%s/user.c", directory);
	put_file(path, user);
	ck_assert_int_eq(compiles("gcc", directory), 0);
	if (system("command -v avr-gcc > /dev/null") == 0)
		ck_assert_int_eq(compiles("avr-gcc -mmcu=atmega328p -Os", directory), 0);
	else
		puts("avr-gcc is not installed: the header was tried with gcc only");
	free(text);
	log_rig_remove(directory);
}

static void header_says_what_the_plan_says(const struct plan_rig *r)
{
	const struct plan *p = r->plan;
	size_t len;
	char *text = written(p, plan_header, &len);
	ck_assert_ptr_nonnull(strstr(text, "Number 7 trolley"));
	ck_assert_ptr_nonnull(strstr(text, "#define TRAMMEL_VALVES 4\n"));
	/* First number of the first table: valve 0, lowest supply, speed 0: the setting itself. */
	const char *at = strstr(text, "trammel_on_ddeg");
	at = strchr(strstr(at, "valve 0"), '{') + 1;
	double want = unit_deg(plan_controller_rad(p, 0, 0, true, 0)) * 10;
	ck_assert_double_eq_tol(strtod(at, NULL), want, 0.5);
	/* At speed it is the setting less lead x speed. */
	double slow = plan_controller_rad(p, 2, 1, true, 0), fast = plan_controller_rad(p, 2, 1, true, 10);
	ck_assert_double_eq_tol(remainder(slow - fast - 10 * 0.022, 2 * UNIT_PI), 0, 1e-9);
	free(text);
}

/* The example controller's own look-up over this header, on the host: what the AVR keeps in flash is
 * plain memory here. */
static const char flash[] = "#include <stdint.h>\n#define PROGMEM\n"
                            "#define pgm_read_byte(p) (*(const uint8_t *)(p))\n"
                            "#define pgm_read_word(p) (*(const uint16_t *)(p))\n";
static const char looker[] =
    "#include \"timing.h\"\n#include <stdio.h>\n"
    "int main(void)\n{\n\tunsigned mbar, rpm, valve, on;\n"
    "\twhile (scanf(\"%u %u %u %u\", &mbar, &rpm, &valve, &on) == 4) {\n"
    "\t\ttiming_supply((uint16_t)mbar);\n\t\ttiming_speed((uint16_t)(1073741824.0 * rpm / 60e6));\n"
    "\t\tprintf(\"%u\\n\", timing_angle((uint8_t)valve, on != 0));\n\t}\n\treturn 0;\n}\n";

static void write_questions(const struct plan_rig *r, const char *path)
{
	FILE *f = fopen(path, "w");
	ck_assert_ptr_nonnull(f);
	for (size_t row = 0; row < r->plan->row_n; row++)
		for (unsigned rpm = 15; rpm <= 235; rpm += 11)
			for (unsigned v = 0; v < 8; v++) {
				double mbar = (r->plan->row[row].supply_pa - r->engine.ambient_pa) / 100;
				fprintf(f, "%.0f %u %u %u\n", mbar + 20, rpm, v / 2, v % 2);
			}
	fclose(f);
}

/* Half a tooth of the demo's wheel would be 5 deg; the tables are finer. */
static void controller_looks_up_what_the_plan_says(const struct plan_rig *r)
{
	char *directory = log_rig_directory(), path[400], command[1200], avr[300];
	size_t len;
	char *text = written(r->plan, plan_header, &len);
	snprintf(avr, sizeof avr, "%s/avr", directory);
	ck_assert_int_eq(mkdir(avr, 0700), 0);
	snprintf(path, sizeof path, "%s/avr/pgmspace.h", directory);
	put_file(path, flash);
	snprintf(path, sizeof path, "%s/plan_timing.h", directory);
	put_file(path, text);
	snprintf(path, sizeof path, "%s/looker.c", directory);
	put_file(path, looker);
	snprintf(path, sizeof path, "%s/questions", directory);
	write_questions(r, path);
	snprintf(command, sizeof command,
	         "gcc -std=c99 -I '%s' -I firmware/controller -DTIMING_HEADER='\"%s/plan_timing.h\"' -o "
	         "'%s/looker' "
	         "'%s/looker.c' firmware/controller/timing.c && '%s/looker' < '%s/questions'",
	         directory, directory, directory, directory, directory, directory);
	FILE *answers = popen(command, "r");
	ck_assert_ptr_nonnull(answers);
	unsigned n = 0, turn_part;
	for (size_t row = 0; row < r->plan->row_n; row++)
		for (unsigned rpm = 15; rpm <= 235; rpm += 11)
			for (unsigned v = 0; v < 8; v++, n++) {
				ck_assert_int_eq(fscanf(answers, "%u", &turn_part), 1);
				double omega = rpm * UNIT_PI / 30;
				double want =
				    plan_controller_rad(r->plan, row, (int)(v / 2), v % 2 != 0, omega);
				double apart = remainder(turn_part * 2 * UNIT_PI / 65536 - want, 2 * UNIT_PI);
				ck_assert_double_eq_tol(unit_deg(apart), 0, 1);
			}
	ck_assert_int_eq(pclose(answers), 0);
	ck_assert_uint_ge(n, 500);
	free(text);
	log_rig_remove(strdup(avr));
	log_rig_remove(directory);
}

/* A name with the end of a comment in it stays inside the comment. */
static void header_keeps_its_comment_shut(const struct plan_rig *r)
{
	char *directory = log_rig_directory(), path[400];
	size_t len;
	strcpy(r->machine->engine.name, "odd */ int x; /\\ ?"
	                                "?/ name");
	char *text = written(r->plan, plan_header, &len);
	snprintf(path, sizeof path, "%s/timing.h", directory);
	put_file(path, text);
	snprintf(path, sizeof path, "%s/user.c", directory);
	put_file(path, user);
	ck_assert_int_eq(compiles("gcc", directory), 0);
	ck_assert_ptr_null(strstr(text, "int x;\n"));
	free(text);
	log_rig_remove(directory);
}

/* --- JSON, CSV, page ------------------------------------------------------------------ */

static void json_holds_the_plan(const struct plan_rig *r)
{
	size_t len;
	char *text = written(r->plan, plan_json, &len);
	json_error_t error;
	json_t *root = json_loads(text, 0, &error);
	ck_assert_msg(root != NULL, "%s", error.text);
	ck_assert_str_eq(json_string_value(json_object_get(root, "schema")), "trammel.plan/1");
	ck_assert(json_is_null(json_object_get(root, "run")));
	ck_assert(json_is_null(json_object_get(root, "now")));
	ck_assert_uint_eq(json_array_size(json_object_get(root, "settings")), 8);
	ck_assert_uint_eq(json_array_size(json_object_get(root, "by_supply")), r->plan->row_n);
	const json_t *planned = json_object_get(root, "planned");
	ck_assert_double_eq_tol(json_number_value(json_object_get(planned, "work_J")),
	                        r->plan->best.prediction.work_j, 1e-3);
	const json_t *knee = json_array_get(json_object_get(root, "tradeoff"), r->plan->curve.knee);
	ck_assert(json_is_true(json_object_get(knee, "knee")));
	json_decref(root);
	size_t again_len;
	char *again = written(r->plan, plan_json, &again_len);
	ck_assert_str_eq(text, again);
	free(again);
	free(text);
}

static size_t lines_of(const char *directory, const char *name, char first[600])
{
	char path[400], line[600];
	size_t n = 0;
	snprintf(path, sizeof path, "%s/%s", directory, name);
	FILE *f = fopen(path, "r");
	ck_assert_msg(f != NULL, "%s", path);
	while (fgets(line, sizeof line, f) != NULL) {
		if (n == 1)
			strcpy(first, line);
		n++;
	}
	fclose(f);
	return n;
}

static void csv_tables_have_their_rows(const struct plan_rig *r)
{
	char *directory = log_rig_directory(), first[600] = "";
	struct fault f = {0};
	ck_assert_int_eq(plan_csv(r->plan, directory, &f), 0);
	ck_assert_uint_eq(lines_of(directory, "plan_cutoff.csv", first), 1 + r->plan->row_n);
	ck_assert_double_eq_tol(strtod(first, NULL), 1.0, 1e-9);
	ck_assert_uint_eq(lines_of(directory, "plan_lead.csv", first), 1 + 8 * 12);
	ck_assert_uint_eq(lines_of(directory, "plan_tradeoff.csv", first), 1 + r->plan->curve.n);
	ck_assert_double_eq_tol(strtod(first, NULL), r->plan->curve.point[0].net_torque_nm, 1e-3);
	ck_assert_uint_eq(lines_of(directory, "plan_drive.csv", first), 1 + r->plan->gear_n * PLAN_ROADS);
	ck_assert_int_eq(plan_csv(r->plan, "/nowhere/at/all", &f), -1);
	ck_assert_str_ne(f.text, "");
	log_rig_remove(directory);
}

static void page_is_whole_and_escaped(const struct plan_rig *r)
{
	size_t len;
	strcpy(r->machine->engine.name, "<b>odd & name");
	char *text = written(r->plan, plan_html, &len);
	ck_assert_ptr_nonnull(strstr(text, "<!DOCTYPE html>"));
	ck_assert_ptr_nonnull(strstr(text, "</html>"));
	ck_assert_ptr_null(strstr(text, "<b>odd"));
	ck_assert_ptr_null(strstr(text, "<script"));
	ck_assert_ptr_null(strstr(text, "nan"));
	size_t pictures = 0;
	for (const char *s = text; (s = strstr(s, "<svg")) != NULL; s++)
		pictures++;
	ck_assert_uint_eq(pictures, 3); /* cut-off, trade-off, start */
	free(text);
	text = written(r->plan, plan_text, &len);
	ck_assert_ptr_nonnull(strstr(text, "Load into the controller"));
	ck_assert_ptr_null(strstr(text, "nan"));
	free(text);
}

/* One plan with its tables serves them all; the last two spoil its name. */
START_TEST(files_of_a_plan)
{
	struct plan_rig r = plan();
	plan_tables(r.plan);
	header_compiles_without_a_warning(&r);
	header_says_what_the_plan_says(&r);
	controller_looks_up_what_the_plan_says(&r);
	json_holds_the_plan(&r);
	csv_tables_have_their_rows(&r);
	header_keeps_its_comment_shut(&r);
	page_is_whole_and_escaped(&r);
	plan_rig_free(&r);
}
END_TEST

/* --- what if ------------------------------------------------------------------------- */

START_TEST(what_if_is_read)
{
	static const struct {
		const char *text;
		enum engine_end end;
		enum valve_event_kind event;
		double deg;
	} good[] = {{"cap cut-off = 70 deg", END_CAP, EVENT_CUT_OFF, 70},
	            {"  rod   admission=182 deg", END_ROD, EVENT_ADMISSION, 182},
	            {"rod release = 5.5 rad", END_ROD, EVENT_RELEASE, 5.5 * 180 / UNIT_PI}};
	static const char *const bad[] = {"",
	                                  "cap",
	                                  "cap cut-off",
	                                  "cap cutoff = 70 deg",
	                                  "top cut-off = 70 deg",
	                                  "cap cut-off = 70",
	                                  "cap cut-off = deg",
	                                  "cap cut-off 70 deg",
	                                  "capcut-off = 70 deg"};
	struct plan_what_if w;
	char why[300];
	for (size_t i = 0; i < sizeof good / sizeof *good; i++) {
		ck_assert_int_eq(plan_what_if_parse(good[i].text, &w, why, sizeof why), 0);
		ck_assert_int_eq(w.end, good[i].end);
		ck_assert_int_eq(w.event, good[i].event);
		ck_assert_double_eq_tol(unit_deg(w.angle_rad), good[i].deg, 1e-9);
	}
	for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
		why[0] = '\0';
		ck_assert_int_eq(plan_what_if_parse(bad[i], &w, why, sizeof why), -1);
		ck_assert_str_ne(why, "");
	}
}
END_TEST

START_TEST(what_if_moves_one_event)
{
	struct plan_request q = plan_rig_request(PLAN_ECONOMY, 90, 4);
	char why[300];
	ck_assert_int_eq(plan_what_if_parse("rod cut-off = 290 deg", &q.what_if[0], why, sizeof why), 0);
	q.what_if_n = 1;
	struct plan_rig r = plan_rig_new("", 22, 28, q);
	ck_assert(r.plan->has_what_if);
	const struct plan_prediction *was = &r.plan->best.prediction, *is = &r.plan->what_if.prediction;
	ck_assert_double_eq_tol(unit_deg(is->phi_rad[END_ROD][EVENT_CUT_OFF]), 110, 1e-6);
	ck_assert_double_eq_tol(is->phi_rad[END_ROD][EVENT_RELEASE], was->phi_rad[END_ROD][EVENT_RELEASE],
	                        1e-9);
	ck_assert_double_eq_tol(is->phi_rad[END_CAP][EVENT_CUT_OFF], was->phi_rad[END_CAP][EVENT_CUT_OFF],
	                        1e-9);
	ck_assert_double_gt(is->air_kg, was->air_kg);
	ck_assert_double_gt(r.plan->what_if_doubt.value[PLAN_WORK].gain, 0);
	plan_rig_free(&r);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("plan_files");
	TCase *t = tcase_create("files");
	tcase_set_timeout(t, 120);
	tcase_add_test(t, engine_file_carries_the_timing);
	tcase_add_test(t, engine_file_does_not_grow);
	tcase_add_test(t, rehearsal_understands_the_engine_file);
	tcase_add_test(t, files_of_a_plan);
	tcase_add_test(t, what_if_is_read);
	tcase_add_test(t, what_if_moves_one_event);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_ENV);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
