/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/rehearse/truth.h"

#include "analyse/rehearse/truth_json.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sysexits.h>

const char *truth_event_name(enum valve_event e)
{
	static const char *const names[EVENT_COUNT] = {"admission", "cut_off", "release", "compression"};
	return names[e];
}

static FILE *open_table(const char *dir, const char *name, const char *head, struct fault *fault)
{
	char path[4096];
	snprintf(path, sizeof path, "%s/%s", dir, name);
	FILE *f = fopen(path, "w");
	if (f == NULL) {
		fault_set(fault, EX_CANTCREAT, "%s: cannot write: %s", path, strerror(errno));
		return NULL;
	}
	fprintf(f, "%s\n", head);
	return f;
}

static int open_tables(struct truth *t, struct fault *fault)
{
	if (mkdir(t->dir, 0777) != 0 && errno != EEXIST)
		return fault_set(fault, EX_CANTCREAT, "%s: cannot make this directory: %s", t->dir,
		                 strerror(errno));
	t->crank = open_table(t->dir, "crank_truth.csv", "t_us,theta_deg,rpm", fault);
	t->valve = open_table(t->dir, "valve_truth.csv",
	                      "valve,end,event,command_t_us,half_open_t_us,half_open_theta_deg,moved", fault);
	t->stroke =
	    open_table(t->dir, "stroke_truth.csv",
	               "end,stroke,t_start_us,t_end_us,work_J,useful_deg,mep_bar,release_bar_gauge,air_g,"
	               "peak_torque_Nm",
	               fault);
	return t->crank && t->valve && t->stroke ? 0 : -1;
}

struct truth *truth_open(const char *dir, struct fault *fault)
{
	struct truth *t = calloc(1, sizeof *t);
	if (t == NULL || (dir != NULL && (t->dir = strdup(dir)) == NULL)) {
		fault_set(fault, EX_OSERR, "out of memory");
		free(t);
		return NULL;
	}
	t->rpm_min = INFINITY;
	t->rpm_max = -INFINITY;
	if (dir != NULL && open_tables(t, fault) != 0) {
		truth_free(t);
		return NULL;
	}
	return t;
}

static void close_table(FILE **f)
{
	if (*f != NULL)
		fclose(*f);
	*f = NULL;
}

void truth_free(struct truth *t)
{
	if (t == NULL)
		return;
	close_table(&t->crank);
	close_table(&t->valve);
	close_table(&t->stroke);
	free(t->dir);
	free(t);
}

void truth_edge(struct truth *t, double t_us, double theta_deg, double rpm)
{
	t->edges++;
	t->rpm_min = fmin(t->rpm_min, rpm);
	t->rpm_max = fmax(t->rpm_max, rpm);
	if (t->crank != NULL)
		fprintf(t->crank, "%.0f,%.4f,%.3f\n", t_us, theta_deg, rpm);
}

void truth_event(struct truth *t, const struct truth_event *e)
{
	struct truth_mean *m = &t->delay_ms[e->valve][e->end][e->event];
	bool moved = !isnan(e->half_open_us);
	if (moved) {
		double ms = (e->half_open_us - e->command_us) * 1e-3;
		m->count++;
		m->sum += ms;
		m->sum_squares += ms * ms;
	} else {
		m->not_moved++;
	}
	if (t->valve == NULL)
		return;
	fprintf(t->valve, "%u,%s,%s,%.0f,", e->valve, engine_end_name(e->end), truth_event_name(e->event),
	        e->command_us);
	if (moved)
		fprintf(t->valve, "%.0f,%.4f,1\n", e->half_open_us, e->theta_deg);
	else
		fprintf(t->valve, ",,0\n");
}

void truth_stroke(struct truth *t, const struct truth_stroke *s)
{
	t->strokes[s->end]++;
	t->work_j[s->end] += s->work_j;
	t->useful_deg[s->end] += s->useful_deg;
	t->air_g[s->end] += s->air_g;
	if (t->stroke == NULL)
		return;
	fprintf(t->stroke, "%s,%ld,%.0f,%.0f,%.5f,%.3f,%.6f,", engine_end_name(s->end), s->number,
	        s->start_us, s->end_us, s->work_j, s->useful_deg, s->mep_bar);
	if (!isnan(s->release_bar_gauge))
		fprintf(t->stroke, "%.5f", s->release_bar_gauge);
	fprintf(t->stroke, ",%.6f,%.4f\n", s->air_g, s->peak_torque_nm);
}

struct truth_slip *truth_slip(struct truth *t, double t_us, double theta_deg, enum cause cause)
{
	if (t->slips++ >= TRUTH_SLIPS_MAX)
		return NULL;
	struct truth_slip *s = &t->slip[t->slips - 1];
	*s = (struct truth_slip){.t_us = t_us, .theta_deg = theta_deg, .healed_us = NAN, .cause = cause};
	return s;
}

static bool table_failed(FILE **f)
{
	if (*f == NULL)
		return false;
	bool bad = ferror(*f) != 0;
	bad |= fclose(*f) != 0;
	*f = NULL;
	return bad;
}

int truth_finish(struct truth *t, const struct truth_facts *f, struct fault *fault)
{
	if (t->dir == NULL)
		return 0;
	bool bad = table_failed(&t->crank);
	bad |= table_failed(&t->valve);
	bad |= table_failed(&t->stroke);
	if (bad)
		return fault_set(fault, EX_IOERR,
		                 "%s: the truth tables could not be written whole; is the disk full?",
		                 t->dir);
	char path[4096];
	snprintf(path, sizeof path, "%s/truth.json", t->dir);
	return truth_json_write(t, f, path, fault);
}
