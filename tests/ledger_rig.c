/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/ledger_rig.h"

#include "analyse/analysis.h"
#include "common/unit.h"
#include "tests/log_rig.h"

#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define STROKES_MAX 4096
#define EVENTS_MAX 16384
#define NEAR_US 5000

struct start { /* of a stroke that the report counts */
	unsigned end;
	double t_us;
};

struct true_event {
	unsigned valve, end, event;
	double command_us, half_open_us;
	bool moved;
};

struct doing {
	struct start start[STROKES_MAX];
	size_t start_n;
	struct true_event event[EVENTS_MAX];
	size_t event_n;
	struct valve_event row[EVENTS_MAX];
	struct gas_model gas;    /* as the report found it, but for the gauges */
	struct strokes *strokes; /* with nothing in doubt */
};

static int note_starts(void *ctx, const struct analysis_rows *rows, struct fault *fault)
{
	struct doing *d = ctx;
	(void)fault;
	for (size_t i = 0; i < rows->stroke_n && d->start_n < STROKES_MAX; i++)
		if (rows->stroke[i].flag[0] == '\0')
			d->start[d->start_n++] =
			    (struct start){rows->stroke[i].end, rows->stroke[i].t_start_us};
	return 0;
}

static bool was_counted(void *ctx, const struct stroke *row)
{
	const struct doing *d = ctx;
	for (size_t i = 0; i < d->start_n; i++)
		if (d->start[i].end == row->end && fabs(d->start[i].t_us - row->t_start_us) < NEAR_US)
			return true;
	return false;
}

static const struct true_event *truth_of(const struct doing *d, const struct valve_event *e)
{
	for (size_t i = 0; i < d->event_n; i++) {
		const struct true_event *t = &d->event[i];
		if (t->valve == e->valve && t->end == e->end && t->event == e->event &&
		    fabs(t->command_us - e->command_t_us) < 200)
			return t;
	}
	return NULL;
}

/* The event as it really was. */
static struct valve_event put_right(const struct doing *d, const struct crank *crank, struct valve_event e)
{
	const struct true_event *t = truth_of(d, &e);
	struct crank_state at;
	size_t hint = 0;
	if (t == NULL)
		return e;
	e.cls = t->moved ? EVENT_CLASS_A : EVENT_CLASS_MISSED;
	e.event_t_us = t->moved ? t->half_open_us : NAN;
	e.event_rad = NAN;
	e.sd_s = 0;
	if (t->moved) {
		crank_at(crank, t->half_open_us, &hint, &at);
		e.event_rad = at.theta_rad;
		e.delay_s = 1e-6 * (t->half_open_us - t->command_us);
	}
	return e;
}

static int measure_right(void *ctx, const struct analysis_rows *rows, struct fault *fault)
{
	struct doing *d = ctx;
	const struct stroke *stroke;
	size_t n;
	ck_assert_uint_le(rows->event_n, EVENTS_MAX);
	for (size_t i = 0; i < rows->event_n; i++)
		d->row[i] = put_right(d, rows->crank, rows->event[i]);
	return strokes_measure(d->strokes, rows->leg, rows->crank, d->row, rows->event_n, &d->gas, &stroke,
	                       &n, fault);
}

static void read_events(const char *truth_dir, struct doing *d)
{
	char path[600], line[300], end[8], event[16];
	static const char *const KEY[EVENT_KINDS] = {"admission", "cut_off", "release", "compression"};
	snprintf(path, sizeof path, "%s/valve_truth.csv", truth_dir);
	FILE *f = fopen(path, "r");
	ck_assert_msg(f != NULL && fgets(line, sizeof line, f) != NULL, "%s", path);
	while (fgets(line, sizeof line, f) != NULL && d->event_n < EVENTS_MAX) {
		struct true_event *t = &d->event[d->event_n++];
		double theta_deg = NAN;
		int moved = 0;
		char *comma = line;
		t->valve = (unsigned)strtoul(line, &comma, 10);
		int got = sscanf(comma, ",%7[^,],%15[^,],%lf,%lf,%lf,%d", end, event, &t->command_us,
		                 &t->half_open_us, &theta_deg, &moved);
		t->moved = got == 6 && moved != 0;
		t->end = strcmp(end, "rod") == 0;
		for (unsigned k = 0; k < EVENT_KINDS; k++)
			t->event = strcmp(event, KEY[k]) == 0 ? k : t->event;
	}
	fclose(f);
}

/* The engine file with the index where it really closes. */
static void write_engine(const char *path, const char *text, double index_deg)
{
	const char *line = strstr(text, "index angle"), *end = line == NULL ? NULL : strchr(line, '\n');
	FILE *f = fopen(path, "w");
	ck_assert(f != NULL && end != NULL);
	fprintf(f, "%.*sindex angle = %.6f deg%s", (int)(line - text), text, index_deg, end);
	fclose(f);
}

static void analyse(const char *directory, const char *engine, const struct analysis_sink *sink,
                    struct report *report)
{
	struct fault f = {0};
	struct ride *ride = ride_open(directory, engine, 60, &f);
	ck_assert_msg(ride != NULL, "%s", f.text);
	int bad = analysis_run(ride, sink, report, &f);
	ck_assert_msg(bad == 0, "%s", f.text);
	ride_close(ride);
}

static void set(struct settings *s, const char *setting)
{
	struct fault f = {0};
	ck_assert_msg(settings_apply(s, setting, &f) == 0, "%s", f.text);
}

/* The same ride with perfect gauges. */
static void ride_right(const struct loop_machine *m, struct doing *d, struct ledger_pair *out)
{
	struct loop_ride means;
	char *directory = log_rig_directory(), truth_dir[300], engine_path[400];
	struct settings s = m->settings;
	struct engine e = loop_engine(m->text);
	struct report *report = malloc(sizeof *report);
	static const char *const PERFECT[] = {"noise=0", "lag=0", "zero=0", "rate=2000"};
	for (size_t i = 0; i < sizeof PERFECT / sizeof *PERFECT; i++)
		set(&s, PERFECT[i]);
	snprintf(truth_dir, sizeof truth_dir, "%s/truth", directory);
	loop_record_truth(m->text, &s, directory, truth_dir, &means);
	snprintf(engine_path, sizeof engine_path, "%s/right.ini", truth_dir);
	write_engine(engine_path, m->text, unit_deg(e.index_rad) + s.index_shift);
	read_events(truth_dir, d);
	struct mech mech = mech_of(&e);
	d->strokes = strokes_new(&e, &mech);
	strokes_count_only(d->strokes, was_counted, d);
	const struct analysis_sink sink = {.ctx = d, .rows = measure_right};
	analyse(directory, engine_path, &sink, report);
	strokes_finish(d->strokes, out->truth);
	strokes_free(d->strokes);
	engine_free(&e);
	free(report);
	log_rig_remove(strdup(truth_dir));
	log_rig_remove(directory);
}

void ledger_rig_ride(const struct loop_machine *m, struct ledger_pair *out)
{
	struct loop_ride means;
	struct doing *d = calloc(1, sizeof *d);
	struct report *report = malloc(sizeof *report);
	char *directory = log_rig_directory();
	loop_record(m->text, &m->settings, directory, &means);
	const struct analysis_sink sink = {.ctx = d, .rows = note_starts};
	analyse(directory, NULL, &sink, report);
	log_rig_remove(directory);
	d->gas = report->gas;
	for (int end = 0; end < END_COUNT; end++) {
		out->said[end] = report->stroke[end];
		d->gas.noise_pa[end] = d->gas.sensor_lag_s[end] = 0;
	}
	ride_right(m, d, out);
	free(report);
	free(d);
}
