/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/event_bound.h"

#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define FINER 16384.0 /* counts for each of the converter's, so that a small change shows */
#define LATER_MS 0.2
#define LOW_COUNTS 102 /* of the drawn machines' sensors */
#define HIGH_COUNTS 921
#define RANGE_PA 1e6
#define COUNT_PA (RANGE_PA / (HIGH_COUNTS - LOW_COUNTS))

#define WORDS (2 * EVENT_MACHINE_WORDS + 20)
#define WORD 400

struct words { /* for `trammel rehearse` */
	char text[WORDS][WORD];
	const char *word[WORDS + 1];
	unsigned n;
};

static void say(struct words *w, const char *key, double value)
{
	ck_assert_uint_lt(w->n + 2, WORDS);
	snprintf(w->text[w->n], WORD, "--set");
	snprintf(w->text[w->n + 1], WORD, "%.30s=%.4f", key, value);
	w->n += 2;
}

/* The machine's own, without noise, the valves later that open or that shut. */
static void words_of(const struct event_machine *m, const char *later, struct words *w)
{
	char key[EVENT_MACHINE_WORD];
	double value;
	w->n = 0;
	for (; w->n < 2 * m->n; w->n++)
		snprintf(w->text[w->n], WORD, "%s", m->words[w->n]);
	say(w, "noise", 0);
	say(w, "adc_bits", 24);
	for (unsigned i = 0; i < m->n; i++)
		if (sscanf(m->word[i], "%39[^=]=%lf", key, &value) == 2 && later != NULL &&
		    strncmp(key, later, strlen(later)) == 0)
			say(w, key, value + LATER_MS);
	for (unsigned i = 0; i < w->n; i++)
		w->word[i] = w->text[i];
	w->word[w->n] = NULL;
}

/* The engine file with sensors of so many more counts. */
static void write_finer(const char *engine, FILE *f)
{
	char line[200];
	for (; *engine != '\0'; engine += strcspn(engine, "\n") + 1) {
		int counts, pressure;
		snprintf(line, sizeof line, "%.*s", (int)strcspn(engine, "\n"), engine);
		if (sscanf(line, "low = %d counts, %d", &counts, &pressure) == 2)
			fprintf(f, "low = %.0f counts, %d bar gauge\n", counts * FINER, pressure);
		else if (sscanf(line, "high = %d counts, %d", &counts, &pressure) == 2)
			fprintf(f, "high = %.0f counts, %d bar gauge\n", counts * FINER, pressure);
		else
			fprintf(f, "%s\n", line);
	}
}

/* The ride's samples as lines. */
static char *lines_of(const struct event_machine *m, const char *later)
{
	char path[] = "/tmp/event-bound-XXXXXX";
	int fd = mkstemp(path);
	FILE *f = fd < 0 ? NULL : fdopen(fd, "w");
	ck_assert_ptr_nonnull(f);
	write_finer(m->engine, f);
	fclose(f);
	struct words w;
	words_of(m, later, &w);
	char *lines = road_lines(path, w.word, "tooth");
	unlink(path);
	return lines;
}

static double noise_of(const struct event_machine *m)
{
	double percent = 0;
	for (unsigned i = 0; i < m->n; i++)
		sscanf(m->word[i], "noise=%lf", &percent);
	return hypot(percent / 100 * RANGE_PA, COUNT_PA / sqrt(12));
}

struct samples { /* of one chamber: when, and how they go with either time, Pa per ms */
	double *t_us, *by[2];
	size_t n;
};

static double *room(size_t n)
{
	double *x = malloc(sizeof *x * (n + 1));
	ck_assert_ptr_nonnull(x);
	return x;
}

struct lines { /* as it was, openings later, shuttings later */
	char *ride[3];
};

/* When and what the samples of a channel show; how many. */
static size_t pick(const char *lines, unsigned channel, double *t_us, double *counts)
{
	size_t n = 0;
	for (; *lines != '\0'; lines += strcspn(lines, "\n") + 1) {
		char line[60]; /* sscanf() measures all that it is given */
		unsigned of;
		snprintf(line, sizeof line, "%.59s", lines);
		if (sscanf(line, "sample,%lf,%u,%lf", &t_us[n], &of, &counts[n]) == 3 && of == channel)
			n++;
	}
	return n;
}

static size_t count_lines(const char *lines)
{
	size_t n = 0;
	for (; *lines != '\0'; lines++)
		n += *lines == '\n';
	return n;
}

static struct samples samples_of(const struct lines *x, unsigned channel)
{
	size_t all = count_lines(x->ride[0]) + 1000;
	struct samples s = {.t_us = room(all), .by = {room(all), room(all)}};
	double *was = room(all), *late = room(all), *t_us = room(all);
	s.n = pick(x->ride[0], channel, s.t_us, was);
	for (int k = 0; k < 2; k++) {
		ck_assert_uint_le(count_lines(x->ride[k + 1]), all);
		ck_assert_uint_eq(pick(x->ride[k + 1], channel, t_us, late), s.n);
		for (size_t i = 0; i < s.n; i++)
			s.by[k][i] = (late[i] - was[i]) / FINER * COUNT_PA / LATER_MS;
	}
	free(was);
	free(late);
	free(t_us);
	return s;
}

static double half_open_us(const struct road_event *e)
{
	return e->command_us + 1e3 * e->true_delay_ms;
}

/* From the movement of the same end before this event to the one behind it. */
static void neighbours(const struct road *r, const struct road_event *e, double *from_us, double *to_us)
{
	*from_us = -INFINITY;
	*to_us = INFINITY;
	for (size_t i = 0; i < r->events; i++) {
		const struct road_event *o = &r->event[i];
		double t_us = half_open_us(o);
		if (o == e || o->end != e->end || isnan(t_us))
			continue;
		if (t_us <= half_open_us(e))
			*from_us = fmax(*from_us, t_us);
		else
			*to_us = fmin(*to_us, t_us);
	}
}

static double bound_ms(const struct samples *s, const struct road *r, const struct road_event *e,
                       double sd_pa)
{
	bool opens = e->event == EVENT_ADMISSION || e->event == EVENT_RELEASE;
	const double *own = s->by[!opens], *before = s->by[opens];
	double from_us, to_us, own_own = 0, own_before = 0, before_before = 1e-9;
	neighbours(r, e, &from_us, &to_us);
	for (size_t i = 0; i < s->n; i++) {
		if (s->t_us[i] < from_us || s->t_us[i] > to_us)
			continue;
		own_own += own[i] * own[i];
		own_before += own[i] * before[i];
		before_before += before[i] * before[i];
	}
	return sd_pa / sqrt(own_own - own_before * own_before / before_before);
}

double *event_bound(const struct event_machine *m, const struct road *r)
{
	struct lines x = {{lines_of(m, NULL), lines_of(m, "open_delay"), lines_of(m, "shut_delay")}};
	double *bound = room(r->events), sd_pa = noise_of(m);
	for (unsigned end = 0; end < END_COUNT; end++) {
		struct samples s = samples_of(&x, 1 + end);
		for (size_t i = 0; i < r->events; i++)
			if (r->event[i].end == end)
				bound[i] = isnan(r->event[i].true_delay_ms)
				               ? NAN
				               : bound_ms(&s, r, &r->event[i], sd_pa);
		free(s.t_us);
		free(s.by[0]);
		free(s.by[1]);
	}
	for (int k = 0; k < 3; k++)
		free(x.ride[k]);
	return bound;
}
