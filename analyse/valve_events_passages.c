/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The leg made ready: which passage was told to change when, how noisy the
 * sensors are. */
#include "analyse/valve_events_internal.h"

#include <gsl/gsl_sort.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define NEAR_US 2e4 /* ahead of the last look at the supply: walk there, else search */

enum valve_event_kind valve_kind(enum onset_passage passage, bool opens)
{
	if (passage == ONSET_INLET)
		return opens ? EVENT_ADMISSION : EVENT_CUT_OFF;
	return opens ? EVENT_RELEASE : EVENT_COMPRESSION;
}

enum onset_passage valve_kind_passage(enum valve_event_kind k)
{
	return k == EVENT_ADMISSION || k == EVENT_CUT_OFF ? ONSET_INLET : ONSET_EXHAUST;
}

bool valve_kind_opens(enum valve_event_kind k)
{
	return k == EVENT_ADMISSION || k == EVENT_RELEASE;
}

unsigned valve_passage_bit(enum engine_end end, enum onset_passage passage)
{
	static const unsigned bit[END_COUNT][2] = {{PASSAGE_CAP_INLET, PASSAGE_CAP_EXHAUST},
	                                           {PASSAGE_ROD_INLET, PASSAGE_ROD_EXHAUST}};
	return bit[end][passage];
}

bool valve_command_opens(const struct engine *e, const struct ride_command *c, unsigned bit)
{
	return c->on == engine_energised_opens(&e->valve[c->valve], bit);
}

/* One count in the sensor's unit, about the middle of its range. */
static double count_step(const struct engine_sensor *s)
{
	if (s->points < 2)
		return 0;
	double counts = s->counts[s->points - 1] - s->counts[0];
	return fabs((s->value[s->points - 1] - s->value[0]) / counts);
}

/* Noise of a series from its third differences (20 sigma^2 for white noise); their lower
 * quartile, so that the quiet half of each turn decides.  Whole counts are spread evenly, lest the
 * quartile be a whole count, too. */
static double series_noise(const struct ride_series *s, const struct engine_sensor *sensor)
{
	enum { MOST = 4096 };
	double *d = malloc(sizeof(*d) * MOST);
	double step_pa = count_step(sensor), noise = 0;
	size_t n = 0, step = s->n / MOST + 1;
	for (size_t i = 0; d != NULL && i + 3 < s->n && n < MOST; i += step) {
		const float *p = s->value + i;
		double third = (double)p[0] - 3 * (double)p[1] + 3 * (double)p[2] - (double)p[3];
		d[n] = fabs(third + step_pa * ((double)(n % 16) / 16 - 0.47));
		n++;
	}
	if (n > 8) {
		gsl_sort(d, 1, n);
		noise = d[n / 4] / (0.31864 * sqrt(20)); /* 25 % quantile of |N(0,1)| */
	}
	free(d);
	return hypot(fmax(noise, step_pa / sqrt(12)), 50);
}

/* Middle of the intervals between samples, of some hundred of them. */
static double usual_interval_us(const struct ride_series *s)
{
	enum { MOST = 256 };
	double gap[MOST];
	size_t n = 0, step = s->n / MOST + 1;
	for (size_t i = 0; i + 1 < s->n && n < MOST; i += step)
		gap[n++] = (double)(s->t_us[i + 1] - s->t_us[i]);
	gsl_sort(gap, 1, n);
	return gap[n / 2];
}

/* The count at which the converter stops, if the series lies on it: all bits
 * set, and more than once. */
static uint16_t top_rail(const struct ride_series *s)
{
	uint16_t top = 0;
	size_t times = 0;
	for (size_t i = 0; i < s->n; i++)
		top = s->counts[i] > top ? s->counts[i] : top;
	for (size_t i = 0; i < s->n; i++)
		times += s->counts[i] == top;
	bool all_bits = (top & (top + 1)) == 0;
	return all_bits && top >= 255 && times > 2 ? top : 0;
}

/* Where no sensor shows the supply: the level the chamber stays below 97 % of the time. */
static double chamber_ceiling(const struct ride_series *s)
{
	enum { MOST = 4096 };
	double *p = malloc(sizeof(*p) * MOST), ceiling = NAN;
	size_t n = 0, step = s->n / MOST + 1;
	for (size_t i = 0; p != NULL && i < s->n && n < MOST; i += step)
		p[n++] = (double)s->value[i];
	if (n > 8) {
		gsl_sort(p, 1, n);
		ceiling = p[n * 97 / 100];
	}
	free(p);
	return ceiling;
}

static int make_room(struct valve_events *v, const struct leg *leg, struct fault *fault)
{
	size_t transitions = leg->command_n * 4;
	size_t supply = v->supply_channel < 0 ? 0 : leg->sensor[v->supply_channel].n;
	if (transitions > v->transition_room) {
		struct transition *t = realloc(v->transition_store, sizeof(*t) * transitions);
		if (t == NULL)
			return fault_set(fault, EX_OSERR, "out of memory");
		v->transition_store = t;
		v->transition_room = transitions;
	}
	if (supply > v->supply_room) {
		float *p = realloc(v->supply_smooth, sizeof(*p) * supply);
		if (p == NULL)
			return fault_set(fault, EX_OSERR, "out of memory");
		v->supply_smooth = p;
		v->supply_room = supply;
	}
	return 0;
}

/* All changes of one passage; a command that repeats the state before is none. */
static void lay_line(const struct valve_events *v, const struct leg *leg, unsigned bit,
                     struct passage_line *line)
{
	bool known = false, open = false;
	line->n = 0;
	for (size_t i = 0; i < leg->command_n; i++) {
		const struct ride_command *c = &leg->command[i];
		if (c->valve >= ENGINE_VALVES_MAX || !(v->engine.valve[c->valve].passages & bit))
			continue;
		bool opens = valve_command_opens(&v->engine, c, bit);
		if (known && opens == open)
			continue;
		known = true;
		open = opens;
		line->at[line->n++] =
		    (struct transition){.command_us = (double)c->t_us, .command = i, .opens = opens};
	}
}

void valve_predict_transitions(struct valve_events *v, enum engine_end end)
{
	for (int p = 0; p < 2; p++) {
		struct passage_line *line = &v->chamber[end].line[p];
		for (size_t i = 0; i < line->n; i++) {
			struct transition *t = &line->at[i];
			enum valve_event_kind k = valve_kind((enum onset_passage)p, t->opens);
			t->t50_us = t->command_us + 1e6 * v->group[end][k].delay_s;
		}
	}
}

static int smooth_supply(struct valve_events *v, const struct leg *leg, struct fault *fault)
{
	if (v->supply_channel < 0 || leg->sensor[v->supply_channel].n == 0)
		return 0;
	const struct ride_series *s = &leg->sensor[v->supply_channel];
	v->supply_smooth[0] = s->value[0];
	if (s->n == 1)
		return 0;
	double noise_pa = series_noise(s, &v->engine.sensor[v->supply_channel]);
	return valve_smooth_supply(v, s, fmax(usual_interval_us(s), 1), noise_pa, v->supply_smooth, fault);
}

int valve_prepare_leg(struct valve_events *v, const struct leg *leg, struct fault *fault)
{
	if (v->prepared == leg && v->prepared_number == leg->number)
		return 0;
	if (make_room(v, leg, fault) != 0)
		return -1;
	v->prepared = leg;
	v->prepared_number = leg->number;
	struct transition *free_place = v->transition_store;
	for (int end = 0; end < END_COUNT; end++) {
		struct chamber *ch = &v->chamber[end];
		int channel = v->channel[end];
		ch->series = channel < 0 || leg->sensor[channel].n < 8 ? NULL : &leg->sensor[channel];
		if (ch->series != NULL) {
			ch->noise_pa = series_noise(ch->series, &v->engine.sensor[channel]);
			v->supply_pa[end] = chamber_ceiling(ch->series);
			ch->top_rail = top_rail(ch->series);
			ch->interval_us = usual_interval_us(ch->series);
		}
		for (int p = 0; p < 2; p++) {
			ch->line[p].at = free_place;
			lay_line(v, leg, valve_passage_bit((enum engine_end)end, (enum onset_passage)p),
			         &ch->line[p]);
			free_place += ch->line[p].n;
		}
	}
	for (int end = 0; end < END_COUNT; end++)
		valve_predict_transitions(v, (enum engine_end)end);
	return smooth_supply(v, leg, fault);
}

struct transition *valve_transition(struct valve_events *v, enum engine_end end, enum onset_passage passage,
                                    size_t command)
{
	struct passage_line *line = &v->chamber[end].line[passage];
	size_t low = 0, high = line->n;
	while (low < high) {
		size_t middle = (low + high) / 2;
		if (line->at[middle].command < command)
			low = middle + 1;
		else
			high = middle;
	}
	return low < line->n && line->at[low].command == command ? &line->at[low] : NULL;
}

double valve_supply_at(const struct valve_events *v, const struct leg *leg, enum engine_end end, double t_us,
                       size_t *hint)
{
	if (v->supply_channel < 0)
		return v->supply_pa[end];
	const struct ride_series *s = &leg->sensor[v->supply_channel];
	if (s->n == 0)
		return v->supply_pa[end];
	size_t i = *hint;
	bool near = i > 0 && i < s->n && (double)s->t_us[i] <= t_us && t_us < (double)s->t_us[i] + NEAR_US;
	if (!near)
		i = ride_lower_bound(s->t_us, s->n, (int64_t)t_us);
	while (i < s->n && (double)s->t_us[i] <= t_us)
		i++;
	*hint = i == 0 ? 0 : i - 1;
	if (i == 0 || i == s->n)
		return (double)v->supply_smooth[i == 0 ? 0 : s->n - 1];
	double a = (double)s->t_us[i - 1], b = (double)s->t_us[i];
	double pa = (double)v->supply_smooth[i - 1], pb = (double)v->supply_smooth[i];
	return pa + (pb - pa) * (t_us - a) / (b - a);
}
