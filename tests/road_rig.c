/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/road_rig.h"

#include "analyse/analysis.h"
#include "analyse/commands.h"
#include "common/unit.h"
#include "tests/log_rig.h"
#include "tests/stroke_truth.h"

#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>
#include <unistd.h>

/* --- records from a link into one segment ------------------------------- */

struct catcher {
	struct record *r;
	char (*text)[RECORD_TEXT_MAX];
	size_t n, room;
};

static void catch_record(void *ctx, const struct record *r)
{
	struct catcher *c = ctx;
	if (c->n == c->room) {
		c->room = c->room == 0 ? 65536 : c->room * 2;
		c->r = realloc(c->r, c->room * sizeof *c->r);
		ck_assert_ptr_nonnull(c->r);
	}
	c->r[c->n] = *r;
	if (r->text_len > 0) { /* leaks with the test's process; texts are few */
		char *text = malloc(r->text_len);
		memcpy(text, r->text, r->text_len);
		c->r[c->n].text = text;
	}
	c->n++;
}

static void catch_damage(void *ctx, const struct link_damage *d)
{
	struct catcher *c = ctx;
	struct record gap =
	    record_make(RECORD_GAP, c->n > 0 ? c->r[c->n - 1].t_us : 0, GAP_DAMAGED, (int64_t)d->bytes);
	catch_record(ctx, &gap);
}

static void free_texts(struct catcher *c)
{
	for (size_t i = 0; i < c->n; i++)
		if (c->r[i].text_len > 0)
			free((char *)c->r[i].text);
	free(c->r);
}

static char *slurp(const char *path, size_t *n)
{
	FILE *f = fopen(path, "rb");
	ck_assert_msg(f != NULL, "%s", path);
	fseek(f, 0, SEEK_END);
	*n = (size_t)ftell(f);
	rewind(f);
	char *bytes = malloc(*n + 1);
	ck_assert_uint_eq(fread(bytes, 1, *n, f), *n);
	bytes[*n] = '\0';
	fclose(f);
	return bytes;
}

static void write_log(const struct road *r, const char *engine_path, enum link_kind link,
                      const uint8_t *bytes, size_t n)
{
	struct catcher c = {0};
	struct link_sink sink = {.ctx = &c, .record = catch_record, .damage = catch_damage};
	struct link_decoder *d = link_decoder_new(link);
	link_decode(d, bytes, n, &sink);
	link_decode_end(d, &sink);
	link_decoder_free(d);
	size_t engine_len;
	char *engine = slurp(engine_path, &engine_len);
	log_rig_write(r->directory, 1, 1, engine, c.r, c.n);
	free(engine);
	free_texts(&c);
}

/* --- truth --------------------------------------------------------------- */

struct true_event {
	unsigned valve, end, event;
	double command_us, half_open_us, deg;
};

struct truth_tables {
	double *t_us, *theta_deg; /* every true edge */
	size_t edges;
	struct true_event *event;
	size_t events;
};

static unsigned which(const char *const *names, unsigned n, const char *name)
{
	for (unsigned i = 0; i < n; i++)
		if (strcmp(names[i], name) == 0)
			return i;
	ck_abort_msg("unknown word %s in the truth", name);
	return n;
}

static const char *const end_words[] = {"cap", "rod"};
static const char *const event_words[] = {"admission", "cut_off", "release", "compression"};

static FILE *open_truth(const struct road *r, const char *table)
{
	char path[600], line[400];
	snprintf(path, sizeof path, "%s/truth/%s", r->directory, table);
	FILE *f = fopen(path, "r");
	ck_assert_msg(f != NULL && fgets(line, sizeof line, f) != NULL, "%s", path);
	return f;
}

static void read_true_edges(const struct road *r, struct truth_tables *t)
{
	FILE *f = open_truth(r, "crank_truth.csv");
	double us, deg, rpm;
	size_t room = 0;
	while (fscanf(f, "%lf,%lf,%lf\n", &us, &deg, &rpm) == 3) {
		if (t->edges == room) {
			room = room == 0 ? 4096 : room * 2;
			t->t_us = realloc(t->t_us, room * sizeof *t->t_us);
			t->theta_deg = realloc(t->theta_deg, room * sizeof *t->theta_deg);
		}
		t->t_us[t->edges] = us;
		t->theta_deg[t->edges++] = deg;
	}
	fclose(f);
}

static void read_true_events(const struct road *r, struct truth_tables *t)
{
	FILE *f = open_truth(r, "valve_truth.csv");
	char line[300], end[20], event[20], half[40], deg[40];
	t->event = calloc(ROAD_EVENTS_MAX, sizeof *t->event);
	while (fgets(line, sizeof line, f) != NULL && t->events < ROAD_EVENTS_MAX) {
		struct true_event *e = &t->event[t->events++];
		half[0] = deg[0] = '\0';
		int got = sscanf(line, "%u,%19[^,],%19[^,],%lf,%39[^,],%39[^,]", &e->valve, end, event,
		                 &e->command_us, half, deg);
		ck_assert_int_ge(got, 4);
		e->end = which(end_words, 2, end);
		e->event = which(event_words, 4, event);
		e->half_open_us = got == 6 ? strtod(half, NULL) : NAN;
		e->deg = got == 6 ? strtod(deg, NULL) : NAN;
	}
	fclose(f);
}

static void read_true_strokes(struct road *r)
{
	char truth[300];
	size_t n;
	snprintf(truth, sizeof truth, "%s/truth", r->directory);
	struct true_stroke *s = stroke_truth_read(truth, &n);
	for (size_t i = 0; i < n; i++) {
		struct road_truth_mean *m = &r->truth[s[i].end];
		m->work_j += s[i].work_j;
		m->useful_deg += s[i].useful_deg;
		m->air_g += s[i].air_g;
		m->strokes++;
	}
	free(s);
	for (int e = 0; e < END_COUNT; e++) {
		struct road_truth_mean *m = &r->truth[e];
		if (m->strokes == 0)
			continue;
		m->work_j /= m->strokes;
		m->useful_deg /= m->strokes;
		m->air_g /= m->strokes;
	}
}

static double true_angle(const struct truth_tables *t, double us)
{
	size_t lo = 0, hi = t->edges;
	while (lo + 1 < hi) {
		size_t mid = (lo + hi) / 2;
		if (t->t_us[mid] <= us)
			lo = mid;
		else
			hi = mid;
	}
	if (hi >= t->edges)
		return t->theta_deg[t->edges - 1];
	double f = (us - t->t_us[lo]) / (t->t_us[hi] - t->t_us[lo]);
	return t->theta_deg[lo] + f * (t->theta_deg[hi] - t->theta_deg[lo]);
}

/* --- the analysis's rows beside the truth --------------------------------- */

struct row_catcher {
	struct road *road;
	const struct truth_tables *truth; /* NULL = none */
	size_t edge_room;
};

static void catch_edge(struct row_catcher *c, const struct crank_point *p)
{
	struct road *r = c->road;
	if (r->edges == c->edge_room) {
		c->edge_room = c->edge_room == 0 ? 8192 : c->edge_room * 2;
		r->edge = realloc(r->edge, c->edge_room * sizeof *r->edge);
	}
	r->edge[r->edges++] = (struct road_edge){
	    .t_us = (double)p->t_us,
	    .theta_deg = unit_deg(p->theta_rad),
	    .sd_deg = unit_deg((double)p->sd_rad),
	    .true_deg = c->truth == NULL ? NAN : true_angle(c->truth, (double)p->t_us),
	    .flagged = p->flag != CRANK_GOOD,
	};
}

/* The truth's event of the same valve and kind whose command is nearest. */
static const struct true_event *truth_of(const struct truth_tables *t, const struct valve_event *e)
{
	const struct true_event *best = NULL;
	for (size_t i = 0; t != NULL && i < t->events; i++) {
		const struct true_event *x = &t->event[i];
		if (x->valve != e->valve || x->end != e->end || x->event != e->event)
			continue;
		if (fabs(x->command_us - e->command_t_us) < 3000 &&
		    (best == NULL ||
		     fabs(x->command_us - e->command_t_us) < fabs(best->command_us - e->command_t_us)))
			best = x;
	}
	return best;
}

static double wrap_deg(double deg)
{
	return remainder(deg, 360);
}

static double closure_deg(const struct valve_event *e)
{
	double sum = e->count_error_rad + e->firing_error_rad + (e->event_rad - e->command_rad);
	return wrap_deg(unit_deg(e->event_rad - e->intended_rad - sum));
}

static void catch_event(struct row_catcher *c, const struct valve_event *e)
{
	struct road *r = c->road;
	ck_assert_uint_lt(r->events, ROAD_EVENTS_MAX);
	const struct true_event *t = truth_of(c->truth, e);
	r->event[r->events++] = (struct road_event){
	    .valve = e->valve,
	    .end = e->end,
	    .event = e->event,
	    .command_us = e->command_t_us,
	    .delay_ms = e->delay_s * 1e3,
	    .true_delay_ms = t == NULL ? NAN : (t->half_open_us - t->command_us) * 1e-3,
	    .event_deg = unit_deg(e->event_rad),
	    .true_event_deg = t == NULL ? NAN : t->deg,
	    .sd_ms = e->sd_s * 1e3,
	    .closure_deg = closure_deg(e),
	    .cls = e->cls,
	    .flagged = e->flagged,
	};
}

static int catch_rows(void *ctx, const struct analysis_rows *rows, struct fault *fault)
{
	(void)fault;
	struct row_catcher *c = ctx;
	for (size_t i = 0; rows->crank != NULL && i < rows->crank->n; i++) {
		const struct crank_point *p = &rows->crank->point[i];
		if (p->t_us >= rows->leg->core_from_us && p->t_us < rows->leg->core_to_us)
			catch_edge(c, p);
	}
	for (size_t i = 0; i < rows->event_n; i++)
		catch_event(c, &rows->event[i]);
	return 0;
}

static void analyse(struct road *r, const struct truth_tables *truth)
{
	struct row_catcher c = {.road = r, .truth = truth};
	struct analysis_sink sink = {.ctx = &c, .rows = catch_rows};
	r->event = calloc(ROAD_EVENTS_MAX, sizeof *r->event);
	r->report = calloc(1, sizeof *r->report);
	ck_assert(r->event != NULL && r->report != NULL);
	r->ride = ride_open(r->directory, NULL, 60, &r->fault);
	r->status = r->ride == NULL ? -1 : analysis_run(r->ride, &sink, r->report, &r->fault);
}

struct road *road_bytes(const char *engine_path, enum link_kind link, const uint8_t *bytes, size_t n)
{
	struct road *r = calloc(1, sizeof *r);
	r->directory = log_rig_directory();
	write_log(r, engine_path, link, bytes, n);
	analyse(r, NULL);
	return r;
}

#define WORDS_MAX 160

static void rehearse(const struct road *r, const char *engine_path, enum link_kind link,
                     const char *const *words, const char *out)
{
	char truth[300];
	char *argv[WORDS_MAX + 9];
	int n = 0;
	snprintf(truth, sizeof truth, "%s/truth", r->directory);
	argv[n++] = (char *)"rehearse";
	argv[n++] = (char *)engine_path;
	for (; *words != NULL && n < WORDS_MAX; words++)
		argv[n++] = (char *)*words;
	argv[n++] = (char *)"--link";
	argv[n++] = (char *)(link == LINK_LINES ? "lines" : "frames");
	argv[n++] = (char *)"--out";
	argv[n++] = (char *)out;
	argv[n++] = (char *)"--truth";
	argv[n++] = truth;
	argv[n] = NULL;
	ck_assert_int_eq(cmd_rehearse(n, argv), EX_OK);
}

struct road *road_ride(const char *engine_path, enum link_kind link, const char *const *words)
{
	struct road *r = calloc(1, sizeof *r);
	char out[300];
	r->directory = log_rig_directory();
	snprintf(out, sizeof out, "%s/ride.link", r->directory);
	rehearse(r, engine_path, link, words, out);
	size_t n;
	char *bytes = slurp(out, &n);
	write_log(r, engine_path, link, (const uint8_t *)bytes, n);
	free(bytes);
	unlink(out);
	struct truth_tables t = {0};
	read_true_edges(r, &t);
	read_true_events(r, &t);
	read_true_strokes(r);
	analyse(r, &t);
	free(t.t_us);
	free(t.theta_deg);
	free(t.event);
	return r;
}

char *road_lines_without(const char *lines, const char *without)
{
	char *text = malloc(strlen(lines) + 1), *to = text;
	ck_assert_ptr_nonnull(text);
	while (*lines != '\0') {
		size_t len = strcspn(lines, "\n") + 1;
		bool keep = strncmp(lines, without, strlen(without)) != 0;
		memcpy(to, lines, keep ? len : 0);
		lines += len;
		to += keep ? len : 0;
	}
	*to = '\0';
	return text;
}

char *road_lines(const char *engine_path, const char *const *words, const char *without)
{
	struct road r = {.directory = log_rig_directory()};
	char out[300], truth[300];
	snprintf(out, sizeof out, "%s/ride.link", r.directory);
	snprintf(truth, sizeof truth, "%s/truth", r.directory);
	rehearse(&r, engine_path, LINK_LINES, words, out);
	size_t n;
	char *all = slurp(out, &n);
	log_rig_remove(strdup(truth));
	log_rig_remove(r.directory);
	if (without == NULL)
		return all;
	char *rest = road_lines_without(all, without);
	free(all);
	return rest;
}

void road_free(struct road *r)
{
	char truth[300];
	snprintf(truth, sizeof truth, "%s/truth", r->directory);
	if (access(truth, F_OK) == 0)
		log_rig_remove(strdup(truth));
	log_rig_remove(r->directory);
	ride_close(r->ride);
	free(r->report);
	free(r->edge);
	free(r->event);
	free(r);
}

const struct valve_event_summary *road_row(const struct road *r, enum engine_end end, enum valve_event_kind k)
{
	for (size_t i = 0; i < r->report->event_n; i++)
		if (r->report->event[i].end == end && r->report->event[i].event == k)
			return &r->report->event[i];
	return NULL;
}

char *road_report(const struct road *r, int format)
{
	char *text = NULL;
	size_t n = 0;
	FILE *f = open_memstream(&text, &n);
	ck_assert_ptr_nonnull(f);
	ck_assert_int_eq(format == 0 ? report_text(r->report, f, false) : report_json(r->report, f), 0);
	fclose(f);
	return text;
}
