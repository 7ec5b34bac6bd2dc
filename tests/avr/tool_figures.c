/* SPDX-License-Identifier: GPL-3.0-or-later */
/* figures REPORT.json CRANK.csv TRUTH: what a report says of a ride (trammel report --json, trammel
 * export) beside the truth (a directory as truth_open writes), and whether it is as near as the
 * accuracy tables promise.  Ends with 1 when it is not. */
#include "common/air.h"

#include <jansson.h>
#include <math.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <sysexits.h>

#define ANGLE_GOAL_DEG 0.05 /* root mean square */
#define USEFUL_GOAL_DEG 1
#define WORK_GOAL 0.005
#define AIR_GOAL 0.02

static const char *const ends[] = {"cap", "rod"};

struct table {
	bool missed;
};

/* `most`: how far the two may lie apart. */
static void row(struct table *t, const char *what, const char *unit, double report, double truth, double most)
{
	bool good = fabs(report - truth) <= most;
	printf("  %-30s %9.3f  truth %9.3f %-3s off %+.3f, at most %.3f%s\n", what, report, truth, unit,
	       report - truth, most, good ? "" : "  MISSED");
	t->missed = t->missed || !good;
}

static double number(const json_t *o, const char *a, const char *b, const char *c)
{
	const json_t *v = json_object_get(json_object_get(o, a), b);
	return json_number_value(c == NULL ? v : json_object_get(v, c));
}

static double air_kg(const json_t *o)
{
	return number(o, "air", "per_revolution_normal_litre", NULL) * 1e-3 * AIR_ANR_DENSITY;
}

/* --- the two figures that the ride is for; both reports and truths have them --- */

static double useful_fraction(const json_t *o)
{
	double strokes = 0, useful = 0;
	for (int i = 0; i < 2; i++) {
		double n = number(o, "strokes", ends[i], "count");
		strokes += n;
		useful += n * number(o, "strokes", ends[i], "useful_deg") / 180;
	}
	return useful / strokes;
}

static double work_per_kg(const json_t *o)
{
	double work_j = number(o, "strokes", "cap", "work_J") + number(o, "strokes", "rod", "work_J");
	return work_j / air_kg(o);
}

static void headline(const json_t *report, const json_t *truth)
{
	printf("  useful fraction %.4f, truth %.4f; work per kg of air %.0f J/kg, truth %.0f J/kg\n",
	       useful_fraction(report), useful_fraction(truth), work_per_kg(report), work_per_kg(truth));
}

/* --- strokes and air --- */

static void strokes(struct table *t, const json_t *report, const json_t *truth)
{
	char what[40];
	for (int i = 0; i < 2; i++) {
		double work_j = number(truth, "strokes", ends[i], "work_J");
		snprintf(what, sizeof what, "useful angle, %s end", ends[i]);
		row(t, what, "deg", number(report, "strokes", ends[i], "useful_deg"),
		    number(truth, "strokes", ends[i], "useful_deg"), USEFUL_GOAL_DEG);
		snprintf(what, sizeof what, "work of a stroke, %s end", ends[i]);
		row(t, what, "J", number(report, "strokes", ends[i], "work_J"), work_j, WORK_GOAL * work_j);
	}
	double air_g = air_kg(truth) * 1e3;
	row(t, "air of a turn", "g", air_kg(report) * 1e3, air_g, AIR_GOAL * air_g);
}

/* --- valve events: the truth lies in the interval that the report claims --- */

static bool is(const json_t *event, const json_t *other, const char *key)
{
	return json_equal(json_object_get(event, key), json_object_get(other, key));
}

/* The same event in the other's list; NULL, and so 0 ms, when it is not there. */
static const json_t *same_event(const json_t *list, const json_t *event)
{
	size_t i;
	json_t *e;
	json_array_foreach(list, i, e)
	{
		if (is(e, event, "valve") && is(e, event, "end") && is(e, event, "event"))
			return e;
	}
	return NULL;
}

static void delays(struct table *t, const json_t *report, const json_t *truth)
{
	char what[60];
	size_t i;
	json_t *e;
	json_array_foreach(json_object_get(truth, "valve_events"), i, e)
	{
		const json_t *found = same_event(json_object_get(report, "valve_events"), e);
		const json_t *ci = json_object_get(found, "delay_ms_ci95");
		double low = json_number_value(json_array_get(ci, 0)),
		       high = json_number_value(json_array_get(ci, 1));
		snprintf(what, sizeof what, "delay, %s %s", json_string_value(json_object_get(e, "end")),
		         json_string_value(json_object_get(e, "event")));
		row(t, what, "ms", json_number_value(json_object_get(found, "delay_ms")),
		    json_number_value(json_object_get(e, "delay_ms")), (high - low) / 2);
	}
}

/* --- crank angle --- */

struct angles {
	double *t_us, *deg;
	size_t n, room;
};

static void keep(struct angles *a, double t_us, double deg)
{
	if (a->n == a->room) {
		a->room = a->room == 0 ? 4096 : 2 * a->room;
		a->t_us = realloc(a->t_us, a->room * sizeof *a->t_us);
		a->deg = realloc(a->deg, a->room * sizeof *a->deg);
		if (a->t_us == NULL || a->deg == NULL)
			abort();
	}
	a->t_us[a->n] = t_us;
	a->deg[a->n++] = deg;
}

/* First two columns of a table; rows with a flag in the fifth are left out. */
static struct angles read_angles(const char *path)
{
	struct angles a = {0};
	char line[200];
	FILE *f = fopen(path, "r");
	if (f == NULL) {
		perror(path);
		exit(EX_NOINPUT);
	}
	while (fgets(line, sizeof line, f) != NULL) {
		double t_us, deg;
		char flag[2];
		if (sscanf(line, "%lf,%lf", &t_us, &deg) == 2 &&
		    sscanf(line, "%*f,%*f,%*f,%*f,%1[^\n]", flag) != 1)
			keep(&a, t_us, deg);
	}
	fclose(f);
	return a;
}

/* The report's edges between those of the truth, which come in order of time. */
static double angle_rms_deg(const struct angles *report, const struct angles *truth)
{
	double squares = 0;
	size_t n = 0, k = 1;
	for (size_t i = 0; i < report->n; i++) {
		double t = report->t_us[i];
		while (k + 1 < truth->n && truth->t_us[k] < t)
			k++;
		double from = truth->t_us[k - 1], part = (t - from) / (truth->t_us[k] - from);
		if (part < 0 || part > 1)
			continue;
		double deg = truth->deg[k - 1] + part * (truth->deg[k] - truth->deg[k - 1]);
		squares += pow(remainder(report->deg[i] - deg, 360), 2);
		n++;
	}
	return n == 0 ? INFINITY : sqrt(squares / (double)n);
}

static void angle(struct table *t, const char *csv, const char *truth_dir)
{
	char path[400];
	snprintf(path, sizeof path, "%s/crank_truth.csv", truth_dir);
	struct angles report = read_angles(csv), truth = read_angles(path);
	if (report.n < 100 || truth.n < 100)
		exit(EX_DATAERR);
	row(t, "crank angle, rms error", "deg", angle_rms_deg(&report, &truth), 0, ANGLE_GOAL_DEG);
	free(report.t_us);
	free(report.deg);
	free(truth.t_us);
	free(truth.deg);
}

static json_t *load(const char *path)
{
	json_error_t e;
	json_t *o = json_load_file(path, 0, &e);
	if (o == NULL) {
		fprintf(stderr, "figures: %s: %s\n", path, e.text);
		exit(EX_NOINPUT);
	}
	return o;
}

int main(int argc, char **argv)
{
	char path[400];
	struct table t = {false};
	if (argc != 4) {
		fprintf(stderr, "usage: figures REPORT.json CRANK.csv TRUTH\n");
		return EX_USAGE;
	}
	snprintf(path, sizeof path, "%s/truth.json", argv[3]);
	json_t *report = load(argv[1]), *truth = load(path);
	headline(report, truth);
	angle(&t, argv[2], argv[3]);
	strokes(&t, report, truth);
	delays(&t, report, truth);
	json_decref(report);
	json_decref(truth);
	return t.missed ? EXIT_FAILURE : EXIT_SUCCESS;
}
