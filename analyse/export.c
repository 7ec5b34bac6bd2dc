/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/export.h"

#include "analyse/csv_out.h"
#include "analyse/stroke_nodes.h"
#include "common/unit.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sysexits.h>

static const double TURN = 2 * UNIT_PI;

/* Roles that are pressures, in the order of the columns. */
static const enum engine_sensor_role PRESSURES[] = {SENSOR_SUPPLY, SENSOR_TANK, SENSOR_CAP, SENSOR_ROD};
#define PRESSURES_N (sizeof PRESSURES / sizeof *PRESSURES)

struct export
{
	const struct engine *engine;
	struct csv_out crank, pressures, events, strokes;
};

/* --- opening ----------------------------------------------------------- */

static int open_pressures(struct export *x, const char *dir, struct fault *fault)
{
	char heading[200] = "t_us,theta_deg";
	for (size_t i = 0; i < PRESSURES_N; i++) {
		if (engine_sensor_channel(x->engine, PRESSURES[i]) < 0)
			continue;
		size_t n = strlen(heading);
		snprintf(heading + n, sizeof heading - n, ",%s_bar", engine_sensor_role_name(PRESSURES[i]));
	}
	return csv_out_open(&x->pressures, dir, "pressures.csv", heading, fault);
}

static int open_tables(struct export *x, const char *dir, struct fault *fault)
{
	if (mkdir(dir, 0777) != 0 && errno != EEXIST)
		return fault_set(fault, EX_CANTCREAT, "%s: cannot make the directory: %s", dir,
		                 strerror(errno));
	if (csv_out_open(&x->crank, dir, "crank.csv", "t_us,theta_deg,sd_deg,rpm,flag", fault) != 0 ||
	    open_pressures(x, dir, fault) != 0)
		return -1;
	if (csv_out_open(&x->events, dir, "valve_events.csv",
	                 "valve,end,event,revolution,intended_deg,command_t_us,command_deg,event_t_us,"
	                 "event_deg,sd_ms,class,delay_ms,count_error_deg,firing_error_deg",
	                 fault) != 0)
		return -1;
	return csv_out_open(&x->strokes, dir, "strokes.csv",
	                    "end,stroke,t_start_us,t_end_us,rpm,supply_bar_gauge,work_J,useful_deg,mep_bar,"
	                    "release_bar_gauge,air_g,flag",
	                    fault);
}

struct export *export_open(const char *dir, const struct engine *e, struct fault *fault)
{
	struct export *x = calloc(1, sizeof *x);
	if (x == NULL) {
		fault_set(fault, EX_OSERR, "out of memory for the tables");
		return NULL;
	}
	x->engine = e;
	x->crank.fd = x->pressures.fd = x->events.fd = x->strokes.fd = -1;
	if (open_tables(x, dir, fault) == 0)
		return x;
	export_close(x, NULL);
	return NULL;
}

/* --- crank.csv --------------------------------------------------------- */

static void write_point(struct csv_out *out, const struct crank_point *p)
{
	csv_out_integer(out, p->t_us);
	csv_out_number(out, unit_deg(p->theta_rad), 4);
	csv_out_number(out, unit_deg((double)p->sd_rad), 4);
	csv_out_number(out, unit_rpm(p->omega_rad_s), 3);
	csv_out_text(out, crank_flag_name((enum crank_flag)p->flag));
	csv_out_end_line(out);
}

/* Is this instant asked for, and this leg the one to answer for it? */
static bool wanted(const struct analysis_rows *rows, int64_t t_us)
{
	return t_us >= rows->leg->core_from_us && t_us < rows->leg->core_to_us &&
	       (rows->selection == NULL ||
	        selection_has_time(rows->selection, ((double)t_us - rows->start_us) * 1e-6));
}

static void write_crank(struct csv_out *out, const struct analysis_rows *rows)
{
	for (size_t i = 0; rows->crank != NULL && i < rows->crank->n; i++)
		if (wanted(rows, rows->crank->point[i].t_us))
			write_point(out, &rows->crank->point[i]);
}

/* --- pressures.csv ----------------------------------------------------- */

struct column { /* one pressure, followed along its rising times */
	const struct ride_series *series;
	double hole_us;
	size_t at;
};

static size_t columns_of(const struct engine *e, const struct leg *leg, struct column column[PRESSURES_N])
{
	size_t n = 0;
	for (size_t i = 0; i < PRESSURES_N; i++) {
		int channel = engine_sensor_channel(e, PRESSURES[i]);
		if (channel < 0)
			continue;
		const struct ride_series *s = &leg->sensor[channel];
		column[n++] = (struct column){.series = s, .hole_us = stroke_hole_us(s)};
	}
	return n;
}

static double column_pa(struct column *c, int64_t t_us)
{
	const struct ride_series *s = c->series;
	if (s->n < 2)
		return NAN;
	while (c->at + 2 < s->n && s->t_us[c->at + 1] < t_us)
		c->at++;
	int64_t t0 = s->t_us[c->at], t1 = s->t_us[c->at + 1];
	if (t_us == t0)
		return (double)s->value[c->at];
	if (t_us == t1)
		return (double)s->value[c->at + 1];
	if (t_us < t0 || t_us > t1 || (double)(t1 - t0) > c->hole_us)
		return NAN;
	double part = (double)(t_us - t0) / (double)(t1 - t0);
	return (double)s->value[c->at] + part * (double)(s->value[c->at + 1] - s->value[c->at]);
}

static const struct ride_series *fastest(const struct column *column, size_t n)
{
	const struct ride_series *best = column[0].series;
	for (size_t k = 1; k < n; k++)
		if (column[k].series->n > best->n)
			best = column[k].series;
	return best;
}

static void write_pressures(struct export *x, const struct analysis_rows *rows)
{
	struct column column[PRESSURES_N];
	size_t n = columns_of(x->engine, rows->leg, column), hint = 0;
	if (n == 0)
		return;
	const struct ride_series *lead = fastest(column, n);
	for (size_t i = 0; i < lead->n; i++) {
		int64_t t = lead->t_us[i];
		if (!wanted(rows, t))
			continue;
		struct crank_state state = {.theta_rad = NAN, .flag = CRANK_OUTSIDE};
		if (rows->crank != NULL)
			crank_at(rows->crank, (double)t, &hint, &state);
		csv_out_integer(&x->pressures, t);
		csv_out_number(&x->pressures, state.flag == CRANK_GOOD ? unit_deg(state.theta_rad) : NAN, 3);
		for (size_t k = 0; k < n; k++)
			csv_out_number(&x->pressures, unit_bar(column_pa(&column[k], t)), 5);
		csv_out_end_line(&x->pressures);
	}
}

/* --- valve_events.csv -------------------------------------------------- */

/* 0..360 deg at four decimals, never written as 360.0000. */
static void write_place(struct csv_out *out, double rad)
{
	double deg = fmod(unit_deg(rad), 360);
	deg = deg < 0 ? deg + 360 : deg;
	csv_out_number(out, deg >= 359.99995 ? 0 : deg, 4);
}

static void write_event(struct csv_out *out, const struct valve_event *e)
{
	char cls[2] = {e->cls, '\0'};
	csv_out_integer(out, e->valve);
	csv_out_text(out, engine_end_name((enum engine_end)e->end));
	csv_out_text(out, valve_event_name((enum valve_event_kind)e->event));
	csv_out_integer(out, e->revolution);
	write_place(out, e->intended_rad);
	csv_out_number(out, e->command_t_us, 1);
	write_place(out, e->command_rad);
	csv_out_number(out, e->event_t_us, 1);
	write_place(out, e->event_rad);
	csv_out_number(out, e->sd_s * 1e3, 4);
	csv_out_text(out, cls);
	csv_out_number(out, e->delay_s * 1e3, 4);
	csv_out_number(out, unit_deg(e->count_error_rad), 4);
	csv_out_number(out, unit_deg(e->firing_error_rad), 4);
	csv_out_end_line(out);
}

/* --- strokes.csv ------------------------------------------------------- */

static void write_stroke(struct csv_out *out, const struct stroke *s, double ambient_pa)
{
	csv_out_text(out, engine_end_name((enum engine_end)s->end));
	csv_out_integer(out, s->number);
	csv_out_number(out, s->t_start_us, 1);
	csv_out_number(out, s->t_end_us, 1);
	csv_out_number(out, s->omega_rad_s * 60 / TURN, 3);
	csv_out_number(out, unit_bar_gauge(s->supply_pa, ambient_pa), 5);
	csv_out_number(out, s->work_j, 5);
	csv_out_number(out, unit_deg(s->useful_rad), 3);
	csv_out_number(out, unit_bar(s->mep_pa), 5);
	csv_out_number(out, unit_bar_gauge(s->release_pa, ambient_pa), 5);
	csv_out_number(out, s->air_kg * 1e3, 5);
	csv_out_text(out, s->flag);
	csv_out_end_line(out);
}

/* --- the sink ---------------------------------------------------------- */

static int first_error(const struct export *x)
{
	const struct csv_out *all[] = {&x->crank, &x->pressures, &x->events, &x->strokes};
	for (size_t i = 0; i < sizeof all / sizeof *all; i++)
		if (all[i]->error != 0)
			return all[i]->error;
	return 0;
}

int export_rows(void *ctx, const struct analysis_rows *rows, struct fault *fault)
{
	struct export *x = ctx;
	write_crank(&x->crank, rows);
	write_pressures(x, rows);
	for (size_t i = 0; i < rows->event_n; i++)
		write_event(&x->events, &rows->event[i]);
	for (size_t i = 0; i < rows->stroke_n; i++)
		write_stroke(&x->strokes, &rows->stroke[i], x->engine->ambient_pa);
	int error = first_error(x);
	if (error != 0)
		return fault_set(fault, EX_IOERR, "cannot write the tables: %s", strerror(error));
	return 0;
}

int export_close(struct export *x, struct fault *fault)
{
	int status = 0;
	struct csv_out *all[] = {&x->crank, &x->pressures, &x->events, &x->strokes};
	for (size_t i = 0; i < sizeof all / sizeof *all; i++)
		if (csv_out_close(all[i], status == 0 ? fault : NULL) != 0)
			status = -1;
	free(x);
	return status;
}
