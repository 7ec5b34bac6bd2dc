/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/stroke_events.h"

#include "common/unit.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double TURN = 2 * UNIT_PI;
static const double UNSEEN_SD_S =
    0.01; /* of a valve that was never seen: it answers within some tens of ms */

/* An event belongs to the stroke in whose window of one turn it lies.  Each
 * window starts about as far from the usual place of the event as can be. */
static const double WINDOW_RAD[EVENT_KINDS] = {
    [EVENT_ADMISSION] = -UNIT_PI / 2,
    [EVENT_CUT_OFF] = -UNIT_PI / 4,
    [EVENT_RELEASE] = UNIT_PI / 4,
    [EVENT_COMPRESSION] = UNIT_PI,
};

static double turns_past(double angle_rad, double dead_centre_rad, int kind)
{
	return floor((angle_rad - dead_centre_rad - WINDOW_RAD[kind]) / TURN);
}

static double past_dead_centre(double angle_rad, double dead_centre_rad, int kind)
{
	return angle_rad - dead_centre_rad - TURN * turns_past(angle_rad, dead_centre_rad, kind);
}

static double setting_rad(const struct engine *e, enum engine_end end, int kind)
{
	static const enum engine_passage INLET[] = {PASSAGE_CAP_INLET, PASSAGE_ROD_INLET};
	static const enum engine_passage EXHAUST[] = {PASSAGE_CAP_EXHAUST, PASSAGE_ROD_EXHAUST};
	bool inlet = kind == EVENT_ADMISSION || kind == EVENT_CUT_OFF;
	enum engine_passage passage = inlet ? INLET[end] : EXHAUST[end];
	int valve = engine_valve_for(e, passage);
	if (valve < 0)
		return NAN;
	bool opens = kind == EVENT_ADMISSION || kind == EVENT_RELEASE;
	bool on = opens == engine_energised_opens(&e->valve[valve], passage);
	return on ? e->valve[valve].opens_rad : e->valve[valve].shuts_rad;
}

void stroke_events_start(struct stroke_events *s, const struct engine *e, enum engine_end end,
                         double dead_centre_rad)
{
	*s = (struct stroke_events){.end = end, .dead_centre_rad = dead_centre_rad};
	for (int k = 0; k < EVENT_KINDS; k++)
		s->tally[k].intended_rad = past_dead_centre(setting_rad(e, end, k), dead_centre_rad, k);
}

void stroke_events_free(struct stroke_events *s)
{
	free(s->row);
	s->row = NULL;
	s->room = 0;
}

static bool found(const struct valve_event *e)
{
	return (e->cls == EVENT_CLASS_A || e->cls == EVENT_CLASS_B) && !e->flagged && isfinite(e->event_rad);
}

static void count(struct stroke_events *s, const struct valve_event *e)
{
	struct stroke_event_tally *t = &s->tally[e->event];
	if (isfinite(e->intended_rad))
		t->intended_rad = past_dead_centre(e->intended_rad, s->dead_centre_rad, e->event);
	if (isfinite(e->command_rad) && !e->flagged) {
		t->commanded++;
		t->commanded_phi += past_dead_centre(e->command_rad, s->dead_centre_rad, e->event);
	}
	if (found(e)) {
		t->found++;
		t->found_phi += past_dead_centre(e->event_rad, s->dead_centre_rad, e->event);
		t->found_delay_s += e->delay_s;
		t->found_delay_s2 += e->delay_s * e->delay_s;
		t->found_sd_s += e->sd_s;
	}
}

/* Index of the turn with this number, n when none; numbers rise. */
static size_t turn_of(const struct stroke_turns *turns, int64_t number)
{
	size_t low = 0, high = turns->n;
	while (low < high) {
		size_t middle = (low + high) / 2;
		if (turns->turn[middle].number < number)
			low = middle + 1;
		else
			high = middle;
	}
	return low < turns->n && turns->turn[low].number == number ? low : turns->n;
}

static void place(struct stroke_events *s, const struct stroke_turns *turns, const struct valve_event *e)
{
	double angle = found(e) ? e->event_rad : e->command_rad;
	double number = turns_past(angle, s->dead_centre_rad, e->event);
	if (!(fabs(number) < 1e15))
		return;
	size_t i = turn_of(turns, (int64_t)number);
	if (i == turns->n)
		return;
	const struct valve_event **slot = &s->row[i * EVENT_KINDS + e->event];
	if (*slot == NULL || !found(*slot))
		*slot = e;
}

int stroke_events_assign(struct stroke_events *s, const struct stroke_turns *turns,
                         const struct valve_event *event, size_t n)
{
	size_t need = (turns->n + 1) * EVENT_KINDS;
	if (need > s->room) {
		const struct valve_event **grown = realloc(s->row, need * sizeof *grown);
		if (grown == NULL)
			return -1;
		s->row = grown;
		s->room = need;
	}
	memset(s->row, 0, need * sizeof *s->row);
	for (size_t i = 0; i < n; i++) {
		if (event[i].end != s->end)
			continue;
		count(s, &event[i]);
		place(s, turns, &event[i]);
	}
	return 0;
}

static double missed_rad(int kind, double turn_back_rad)
{
	/* The inlet that never opened costs the whole working stroke; anything else
	 * that never moved lasts until the dead centre. */
	return kind == EVENT_ADMISSION ? turn_back_rad : TURN;
}

/* Where an event of which nothing is known does least harm to the ledger. */
static double neutral_rad(int kind, double turn_back_rad)
{
	switch (kind) {
	case EVENT_ADMISSION:
		return 0;
	case EVENT_RELEASE:
		return turn_back_rad;
	case EVENT_COMPRESSION:
		return TURN;
	default:
		return NAN;
	}
}

static double phi_of(const struct stroke_events *s, const struct stroke_turn *turn,
                     const struct valve_event *row, int kind, double turn_back_rad,
                     enum stroke_event_source *source)
{
	const struct stroke_event_tally *t = &s->tally[kind];
	double omega = TURN / ((turn->t1_us - turn->t0_us) * 1e-6);
	if (row != NULL && found(row)) {
		*source = FROM_EVENT;
		return row->event_rad - turn->dead_centre_rad;
	}
	if (row != NULL && row->cls == EVENT_CLASS_MISSED) {
		*source = FROM_MISSED;
		return missed_rad(kind, turn_back_rad);
	}
	if (row != NULL && !row->flagged && t->found > 0) {
		*source = FROM_DELAY;
		return row->command_rad - turn->dead_centre_rad + omega * t->found_delay_s / t->found;
	}
	if (t->found > 0) {
		*source = FROM_MEAN;
		return t->found_phi / t->found;
	}
	if (t->commanded > 0) {
		*source = FROM_COMMAND;
		return row != NULL && !row->flagged ? row->command_rad - turn->dead_centre_rad
		                                    : t->commanded_phi / t->commanded;
	}
	*source = isfinite(t->intended_rad) ? FROM_SETTING : FROM_NOTHING;
	return *source == FROM_SETTING ? t->intended_rad : neutral_rad(kind, turn_back_rad);
}

/* How well the angle is known that the event is taken to have, as time, sd. */
static double sd_of(const struct stroke_event_tally *t, const struct valve_event *row,
                    enum stroke_event_source source)
{
	if (source == FROM_EVENT && isfinite(row->sd_s))
		return row->sd_s;
	if (source == FROM_MISSED)
		return 0;
	if (!(t->found > 0) || !isfinite(t->found_sd_s))
		return UNSEEN_SD_S;
	double mean = t->found_delay_s / t->found;
	return hypot(t->found_sd_s / t->found, sqrt(fmax(t->found_delay_s2 / t->found - mean * mean, 0)));
}

struct stroke_angles stroke_events_angles(const struct stroke_events *s, const struct stroke_turns *turns,
                                          size_t i, double turn_back_rad)
{
	struct stroke_angles a;
	const struct valve_event **row = &s->row[i * EVENT_KINDS];
	const struct stroke_turn *turn = &turns->turn[i];
	double omega = TURN / ((turn->t1_us - turn->t0_us) * 1e-6);
	for (int k = 0; k < EVENT_KINDS; k++) {
		a.phi_rad[k] = phi_of(s, turn, row[k], k, turn_back_rad, &a.source[k]);
		a.sd_rad[k] = omega * sd_of(&s->tally[k], row[k], a.source[k]);
	}
	const struct valve_event *cut_off = row[EVENT_CUT_OFF];
	double intended = cut_off != NULL && isfinite(cut_off->intended_rad)
	                      ? past_dead_centre(cut_off->intended_rad, s->dead_centre_rad, EVENT_CUT_OFF)
	                      : s->tally[EVENT_CUT_OFF].intended_rad;
	a.intended_cut_off_rad = fmax(intended, 0);
	if (isnan(intended))
		a.intended_cut_off_rad = NAN;
	return a;
}

struct stroke_event_angle stroke_events_last_compression(const struct stroke_events *s,
                                                         const struct stroke_turns *turns, size_t i,
                                                         double turn_back_rad)
{
	const struct stroke_turn *turn = &turns->turn[i];
	struct stroke_event_angle a;
	bool follows = i > 0 && turns->turn[i - 1].number == turn->number - 1;
	const struct valve_event *row = follows ? s->row[(i - 1) * EVENT_KINDS + EVENT_COMPRESSION] : NULL;
	struct stroke_turn last = follows ? turns->turn[i - 1] : *turn;
	a.phi_rad = phi_of(s, &last, row, EVENT_COMPRESSION, turn_back_rad, &a.source) - TURN;
	a.sd_rad =
	    TURN / ((turn->t1_us - turn->t0_us) * 1e-6) * sd_of(&s->tally[EVENT_COMPRESSION], row, a.source);
	return a;
}

double stroke_events_next_admission(const struct stroke_events *s, const struct stroke_turns *turns, size_t i,
                                    double turn_back_rad)
{
	const struct stroke_turn *turn = &turns->turn[i];
	enum stroke_event_source source;
	bool follows = i + 1 < turns->n && turns->turn[i + 1].number == turn->number + 1;
	const struct valve_event *row = follows ? s->row[(i + 1) * EVENT_KINDS + EVENT_ADMISSION] : NULL;
	struct stroke_turn next = follows ? turns->turn[i + 1] : *turn;
	return TURN + phi_of(s, &next, row, EVENT_ADMISSION, turn_back_rad, &source);
}
