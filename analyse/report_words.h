/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Words that the text and the page share. */
#ifndef TRAMMEL_REPORT_WORDS_H
#define TRAMMEL_REPORT_WORDS_H

#include "analyse/report.h"

#define WORDS_NUMBER_MAX 64
#define WORDS_MAX 400

/* "12.3 deg", or "not known". */
const char *words_number(char out[WORDS_NUMBER_MAX], double value, int decimals, const char *unit);
/* "12.3 +/- 0.4 deg"; without the part after the number when `error` is not known. */
const char *words_measured(char out[WORDS_NUMBER_MAX], double value, double error, int decimals,
                           const char *unit);
/* "60 to 204 rpm, median 121"; "not known". */
const char *words_range(char out[WORDS_NUMBER_MAX], struct report_range r, int decimals, const char *unit);

/* The ride's supply pressure likewise, bar gauge. */
const char *words_supply(char out[WORDS_NUMBER_MAX], const struct report *r);

#define WORDS_CELL_MAX 24
/* Decimals for an amount of work: three or four digits in all. */
int words_decimals(double x);

/* A number of a table, without unit; "-" when not known; never "-0". */
const char *words_cell(char out[WORDS_CELL_MAX], double x, int decimals);

/* An angle as a place on the circle, deg in [0, 360). */
double words_place_deg(double rad);

/* Half the width of an interval; NAN when not known. */
double words_half_width(const double interval[2]);

/* "cut-off" and so on, for people. */
const char *words_event(unsigned event);

/* "8.0 +/- 0.3 deg late": an event's mean error, or why it is not known. */
const char *words_error(char out[WORDS_MAX], const struct report *r, const struct valve_event_summary *e);

/* "cap inlet opens": what the valve does at this event. */
const char *words_movement(unsigned end, unsigned event);

/* What stands above all verdicts where the controller's count slips; "" else. */
const char *words_slips_first(char out[WORDS_NUMBER_MAX * 2], const struct report *r);

/* "command 8.0 deg (9.6 ms) earlier": by how much to move the command to put the mean error right; or why
 * nothing is advised; "on time"; "" when not known. */
const char *words_remedy(char out[WORDS_MAX], const struct report *r, const struct valve_event_summary *e);

/* Whether any event has a remedy, and what its degrees hold for. */
bool words_any_off(const struct report *r);
const char *words_at_mean_speed(const struct report *r);

/* Whether the lines say this already. */
bool words_said(const struct report_lines *l, const char *text);

/* Whether the engine has this end at all: a single-acting one has no rod end to measure. */
bool words_has_end(const struct report *r, enum engine_end end);

/* "150.6 +/- 0.9 deg (84 % of the stroke)"; "a part not known: no supply sensor". */
const char *words_useful(char out[WORDS_MAX], const struct stroke_summary *s);

/* Why nothing is known of the strokes of an end. */
const char *words_no_strokes(const struct report *r, enum engine_end end);

/* What the +/- of work and angle is made of. */
const char *words_work_error(void);

/* "3 left out (pressure samples missing: 2, ...)". */
const char *words_left_out(char out[WORDS_MAX], const struct stroke_summary *s);

/* Whether the diagrams close and the ledger adds up, over the ends measured; "" when none was. */
const char *words_closure(char out[WORDS_MAX], const struct report *r);
/* "57 turns", or "57 turns (33 of them backward)". */
const char *words_turns(char out[WORDS_NUMBER_MAX], const struct report *r);
/* Work over ideal work, with its 95 % interval: "0.421 +/- 0.003". */
const char *words_factor(char out[WORDS_NUMBER_MAX], const struct stroke_summary *s);

/* The most torque in a turn; "" when not known. */
const char *words_torque(char out[WORDS_MAX], const struct report *r);

/* What the simulated gains are worth; why there are none. */
const char *words_gains(char out[WORDS_MAX], const struct gains *g);

/* How the air of a turn is known. */
const char *words_air(const struct report *r);

/* "By the chambers' energy balance 2.57 +/- 0.21, by ...": the ways in which the air is known;
 * "" when there is only one. */
const char *words_air_ways(char out[WORDS_MAX], const struct report *r);

/* Start of the ride, "2026-11-25 08:00:00 UTC"; "start time not known". */
const char *words_start(char out[WORDS_NUMBER_MAX], int64_t utc_us);

/* The caution, paragraph i; NULL after the last. */
const char *words_caution(size_t i);

#endif
