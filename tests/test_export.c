/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The tables: columns to the letter, numbers as printf would write them, empty
 * where not known, and a plain word when the disk says no. */
#include "analyse/csv_out.h"
#include "analyse/export.h"
#include "common/unit.h"
#include "tests/stroke_rig.h"

#include <check.h>
#include <fcntl.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sysexits.h>
#include <unistd.h>

static char dir[64];

static void make_dir(void)
{
	strcpy(dir, "/tmp/trammel-export-XXXXXX");
	ck_assert_ptr_nonnull(mkdtemp(dir));
}

static const char *path_of(const char *name)
{
	static char path[200];
	snprintf(path, sizeof path, "%s/%s", dir, name);
	return path;
}

static void remove_dir(void)
{
	static const char *const NAME[] = {"crank.csv", "pressures.csv", "valve_events.csv", "strokes.csv",
	                                   "n.csv"};
	for (size_t i = 0; i < sizeof NAME / sizeof *NAME; i++)
		unlink(path_of(NAME[i]));
	rmdir(dir);
}

/* The file's text, malloc'd. */
static char *text_of(const char *name)
{
	FILE *f = fopen(path_of(name), "r");
	ck_assert_ptr_nonnull(f);
	char *text = calloc(1, 1 << 22);
	ck_assert_uint_lt(fread(text, 1, (1 << 22) - 1, f), (1 << 22) - 1);
	fclose(f);
	return text;
}

static double flat(double phi, const void *ctx)
{
	(void)ctx;
	return 3e5 + 1e5 * sin(phi);
}

/* --- numbers -------------------------------------------------------------- */

static struct csv_out table;

START_TEST(numbers_are_written_as_printf_would)
{
	unsigned long seed = 7;
	char expected[64];
	struct fault f = {0};
	ck_assert_int_eq(csv_out_open(&table, dir, "n.csv", "n", &f), 0);
	char *all = calloc(1, 1 << 20), *at = all;
	at += sprintf(at, "n\n");
	for (int i = 0; i < 20000; i++) {
		seed = seed * 6364136223846793005u + 1442695040888963407u;
		double x = ((double)(seed >> 11) * 0x1p-53 - 0.5) * pow(10, (double)(i % 11) - 3);
		unsigned decimals = (unsigned)i % 6;
		csv_out_number(&table, x, decimals);
		csv_out_end_line(&table);
		snprintf(expected, sizeof expected, "%.*f", (int)decimals, x);
		const char *e = expected; /* printf writes -0.00, we do not */
		if (e[0] == '-' && strtod(e, NULL) == 0)
			e++;
		at += sprintf(at, "%s\n", e);
	}
	ck_assert_int_eq(csv_out_close(&table, &f), 0);
	char *text = text_of("n.csv");
	ck_assert_str_eq(text, all);
	free(text);
	free(all);
}
END_TEST

START_TEST(what_is_not_a_number_is_an_empty_field)
{
	struct fault f = {0};
	ck_assert_int_eq(csv_out_open(&table, dir, "n.csv", "a,b,c,d,e", &f), 0);
	csv_out_number(&table, NAN, 2);
	csv_out_number(&table, INFINITY, 2);
	csv_out_number(&table, -0.0, 1);
	csv_out_integer(&table, INT64_MIN);
	csv_out_text(&table, "");
	csv_out_end_line(&table);
	ck_assert_int_eq(csv_out_close(&table, &f), 0);
	char *text = text_of("n.csv");
	ck_assert_str_eq(text, "a,b,c,d,e\n,,0.0,-9223372036854775808,\n");
	free(text);
}
END_TEST

/* --- tables ---------------------------------------------------------------- */

static char *first_line(char *text)
{
	return strsep(&text, "\n");
}

static void export_rig(struct stroke_rig *r, const struct valve_event *event, size_t events)
{
	struct fault f = {0};
	const struct stroke *row;
	size_t n;
	struct strokes *s = strokes_new(&r->engine, &r->mech);
	ck_assert_int_eq(strokes_measure(s, &r->leg, &r->crank, event, events, NULL, &row, &n, &f), 0);
	struct export *x = export_open(dir, &r->engine, &f);
	ck_assert_ptr_nonnull(x);
	const struct analysis_rows rows = {.leg = &r->leg,
	                                   .crank = &r->crank,
	                                   .event = event,
	                                   .event_n = events,
	                                   .stroke = row,
	                                   .stroke_n = n};
	ck_assert_int_eq(export_rows(x, &rows, &f), 0);
	ck_assert_int_eq(export_close(x, &f), 0);
	strokes_free(s);
}

START_TEST(columns_are_those_of_the_document)
{
	static const struct {
		const char *name, *heading;
	} TABLE[] = {
	    {"crank.csv", "t_us,theta_deg,sd_deg,rpm,flag"},
	    {"pressures.csv", "t_us,theta_deg,supply_bar,cap_bar,rod_bar"},
	    {"valve_events.csv",
	     "valve,end,event,revolution,intended_deg,command_t_us,command_deg,event_t_us,event_deg,"
	     "sd_ms,class,delay_ms,count_error_deg,firing_error_deg"},
	    {"strokes.csv", "end,stroke,t_start_us,t_end_us,rpm,supply_bar_gauge,work_J,useful_deg,mep_bar,"
	                    "release_bar_gauge,air_g,flag"},
	};
	struct stroke_rig *r = stroke_rig_run(&stroke_rig_engine, 120, 4, 0.7, 1000, flat, NULL);
	export_rig(r, NULL, 0);
	for (size_t i = 0; i < sizeof TABLE / sizeof *TABLE; i++) {
		char *text = text_of(TABLE[i].name);
		ck_assert_str_eq(first_line(text), TABLE[i].heading);
		free(text);
	}
	stroke_rig_free(r);
}
END_TEST

/* Fields of line `line` (0 = heading) of a text; empty fields kept. */
static size_t fields_of(char *text, int line, char *field[20])
{
	char *l = NULL;
	for (int i = 0; i <= line; i++)
		l = strsep(&text, "\n");
	size_t n = 0;
	while (l != NULL && n < 20)
		field[n++] = strsep(&l, ",");
	return n;
}

START_TEST(an_event_is_written_with_places_on_the_circle)
{
	const struct valve_event e = {.valve = 2,
	                              .end = END_ROD,
	                              .event = EVENT_CUT_OFF,
	                              .cls = 'A',
	                              .revolution = 3,
	                              .intended_rad = unit_rad(276),
	                              .command_t_us = 1234567,
	                              .command_rad = 3 * 2 * UNIT_PI + unit_rad(277.5),
	                              .event_t_us = 1254567.25,
	                              .event_rad = 4 * 2 * UNIT_PI + unit_rad(1.25),
	                              .sd_s = 0.0002,
	                              .delay_s = 0.02000025,
	                              .count_error_rad = unit_rad(0.5),
	                              .firing_error_rad = NAN};
	char *field[20];
	struct stroke_rig *r = stroke_rig_run(&stroke_rig_engine, 120, 4, 0.7, 1000, flat, NULL);
	export_rig(r, &e, 1);
	char *text = text_of("valve_events.csv");
	static const char *const WANTED[] = {"2",         "rod",      "cut_off",   "3",      "276.0000",
	                                     "1234567.0", "277.5000", "1254567.3", "1.2500", "0.2000",
	                                     "A",         "20.0003",  "0.5000",    ""};
	ck_assert_uint_eq(fields_of(text, 1, field), 14);
	for (size_t i = 0; i < 14; i++)
		ck_assert_str_eq(field[i], WANTED[i]);
	free(text);
	stroke_rig_free(r);
}
END_TEST

START_TEST(pressures_stand_at_the_fastest_sensors_samples_with_the_crank_angle)
{
	char *field[20];
	struct stroke_rig *r = stroke_rig_run(&stroke_rig_engine, 120, 4, 0.7, 1000, flat, NULL);
	struct ride_series *supply = &r->leg.sensor[0];
	for (size_t i = 0; i * 10 < supply->n; i++) { /* a tenth of the rate */
		supply->t_us[i] = supply->t_us[i * 10];
		supply->value[i] = (float)(5e5 + 100 * (double)i);
	}
	supply->n = (supply->n + 9) / 10;
	export_rig(r, NULL, 0);
	char *text = text_of("pressures.csv");
	ck_assert_uint_eq(fields_of(text, 16, field), 5); /* t = 15 ms, half way between supply samples */
	ck_assert_str_eq(field[0], "15000");
	ck_assert_double_eq_tol(atof(field[2]), (5e5 + 150) / 1e5, 1e-5);
	struct crank_state at;
	crank_at(&r->crank, 15000, NULL, &at);
	ck_assert_double_eq_tol(atof(field[1]), unit_deg(at.theta_rad), 1e-3);
	ck_assert_double_eq_tol(atof(field[3]), flat(at.theta_rad, NULL) / 1e5, 1e-4);
	free(text);
	stroke_rig_free(r);
}
END_TEST

START_TEST(strokes_and_crank_have_a_row_for_each)
{
	char *field[20];
	struct stroke_rig *r = stroke_rig_run(&stroke_rig_engine, 120, 4, 0.7, 1000, flat, NULL);
	export_rig(r, NULL, 0);
	char *text = text_of("strokes.csv");
	ck_assert_uint_eq(fields_of(text, 1, field), 12);
	double work =
	    stroke_rig_work_j(&r->mech, strcmp(field[0], "cap") == 0 ? END_CAP : END_ROD, flat, NULL);
	ck_assert_double_eq_tol(atof(field[4]), 120, 1);
	ck_assert_double_eq_tol(atof(field[6]), work, 1e-4 * work);
	ck_assert_str_eq(field[11], "");
	free(text);
	text = text_of("crank.csv");
	size_t lines = 0;
	for (const char *c = text; *c != '\0'; c++)
		lines += *c == '\n';
	ck_assert_uint_eq(lines, r->crank.n + 1);
	free(text);
	stroke_rig_free(r);
}
END_TEST

/* --- what goes wrong -------------------------------------------------------- */

START_TEST(a_directory_that_cannot_be_made_is_named)
{
	struct fault f = {0};
	ck_assert_ptr_null(export_open("/proc/nothing/here", &stroke_rig_engine, &f));
	ck_assert_int_eq(f.exit_code, EX_CANTCREAT);
	ck_assert_ptr_nonnull(strstr(f.text, "/proc/nothing/here"));
}
END_TEST

START_TEST(a_full_disk_is_said)
{
	struct fault f = {0};
	ck_assert_int_eq(symlink("/dev/full", path_of("crank.csv")), 0);
	struct stroke_rig *r = stroke_rig_run(&stroke_rig_engine, 120, 4, 0.7, 1000, flat, NULL);
	struct export *x = export_open(dir, &r->engine, &f);
	const struct analysis_rows rows = {.leg = &r->leg, .crank = &r->crank};
	export_rows(x, &rows, &f);
	ck_assert_int_eq(export_close(x, &f), -1);
	ck_assert_int_eq(f.exit_code, EX_IOERR);
	ck_assert_ptr_nonnull(strstr(f.text, "crank.csv"));
	stroke_rig_free(r);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("export");
	TCase *t = tcase_create("export");
	tcase_add_checked_fixture(t, make_dir, remove_dir);
	tcase_add_test(t, numbers_are_written_as_printf_would);
	tcase_add_test(t, what_is_not_a_number_is_an_empty_field);
	tcase_add_test(t, columns_are_those_of_the_document);
	tcase_add_test(t, an_event_is_written_with_places_on_the_circle);
	tcase_add_test(t, pressures_stand_at_the_fastest_sensors_samples_with_the_crank_angle);
	tcase_add_test(t, strokes_and_crank_have_a_row_for_each);
	tcase_add_test(t, a_directory_that_cannot_be_made_is_named);
	tcase_add_test(t, a_full_disk_is_said);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
