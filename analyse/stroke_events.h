/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The event angles that a stroke is judged by: the event found; else the best
 * that is known instead. */
#ifndef TRAMMEL_STROKE_EVENTS_H
#define TRAMMEL_STROKE_EVENTS_H

#include "analyse/stroke_turns.h"
#include "analyse/valve_events.h"

enum stroke_event_source {
	FROM_EVENT,   /* found in this stroke */
	FROM_MISSED,  /* the valve did not move */
	FROM_DELAY,   /* this stroke's command and the run's mean delay */
	FROM_MEAN,    /* the run's mean angle */
	FROM_COMMAND, /* the command: no event of this kind was ever found */
	FROM_SETTING, /* the intended angle */
	FROM_NOTHING  /* set to the dead centre; cut-off NAN */
};

struct stroke_angles { /* past the end's own dead centre, rad; NAN = not known */
	double phi_rad[EVENT_KINDS];
	enum stroke_event_source source[EVENT_KINDS];
	double sd_rad[EVENT_KINDS]; /* of phi; 0 for a valve that did not move */
	double intended_cut_off_rad;
};

struct stroke_event_tally { /* of one end and kind over the run */
	double found, found_phi, found_delay_s, found_delay_s2, found_sd_s;
	double commanded, commanded_phi;
	double intended_rad; /* latest, past dead centre; NAN */
};

struct stroke_events { /* of one end */
	enum engine_end end;
	double dead_centre_rad;
	struct stroke_event_tally tally[EVENT_KINDS];
	const struct valve_event **row; /* [turn][kind], NULL = none */
	size_t room;
};

/* Settings of the engine file stand until a command says otherwise. */
void stroke_events_start(struct stroke_events *s, const struct engine *e, enum engine_end end,
                         double dead_centre_rad);
void stroke_events_free(struct stroke_events *s);

/* Gives each turn its events, and counts them into the run's means.  -1 when out of memory. */
int stroke_events_assign(struct stroke_events *s, const struct stroke_turns *turns,
                         const struct valve_event *event, size_t n);

/* The angles of turn number i of the last assignment. */
struct stroke_angles stroke_events_angles(const struct stroke_events *s, const struct stroke_turns *turns,
                                          size_t i, double turn_back_rad);

struct stroke_event_angle { /* past a dead centre */
	double phi_rad, sd_rad;
	enum stroke_event_source source;
};

/* When the exhaust of the turn before is half shut, past the dead centre of this one. */
struct stroke_event_angle stroke_events_last_compression(const struct stroke_events *s,
                                                         const struct stroke_turns *turns, size_t i,
                                                         double turn_back_rad);

/* The admission after that turn, past the dead centre of the turn (about 2 pi). */
double stroke_events_next_admission(const struct stroke_events *s, const struct stroke_turns *turns, size_t i,
                                    double turn_back_rad);

#endif
