/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Shared by valve_events_kind.c, _joint.c and _learn.c only. */
#ifndef TRAMMEL_VALVE_EVENTS_LEARNING_H
#define TRAMMEL_VALVE_EVENTS_LEARNING_H

#include "analyse/valve_events_internal.h"

/* --- one kind by itself: valve_events_kind.c ------------------------------------ */

/* Windows in use. */
size_t valve_batch_used(const struct batch *b);

/* A batch as onset_learn takes it; `use` is the batch's own or fewer. */
struct onset_kind valve_batch_kind(struct batch *b, const struct onset_prior *prior, const bool *use);

/* Leaves out the windows that fit far worse than the others; returns the typical misfit a sample. */
double valve_batch_leave_out_strays(struct batch *b);

/* A valve answers, mostly, and about equally fast, and lets a stroke's air through: anything else is no valve
 * but the gas itself. */
bool valve_batch_believable(const struct valve_events *v, const struct batch *b);

/* What is known beforehand of what the events of a kind share, and how far off that may be; with what the
 * same passage showed when it moved the other way, or without. */
void valve_batch_prior(const struct valve_events *v, enum engine_end end, const struct batch *b,
                       bool with_other_way, struct onset_prior *prior);

/* Puts what the batch was found to share, and its delays, into the group; at least one window is in use. */
void valve_group_take(struct group *g, const struct batch *b, const struct onset_shared *shared);

/* Of a passage of which nothing is known yet the delay is taken to be that of the other passage
 * moving the same way. */
void valve_guess_delay(struct valve_events *v, enum engine_end end, enum valve_event_kind k);

/* Cuts the windows of a kind of which nothing is known yet and learns it by itself, where it shows. */
void valve_meet_kind(struct valve_events *v, const struct leg *leg, const struct crank *c,
                     enum engine_end end, enum valve_event_kind k);

/* Cuts the windows of a kind anew and fits each with what is known; or meets it. */
void valve_learn_kind(struct valve_events *v, const struct leg *leg, const struct crank *c,
                      enum engine_end end, enum valve_event_kind k);

/* --- kinds of an end together: valve_events_joint.c ----------------------------- */

enum { SENSOR_LAG, SENSOR_GAIN, SENSOR_ZERO };

#define SENSOR_PARAMETERS (ONSET_PARAMETERS - ONSET_LAG)

struct sensor { /* what is known of an end's: lag, gain, zero and their sd, as from ONSET_LAG on */
	double mean[SENSOR_PARAMETERS], sd[SENSOR_PARAMETERS];
};

/* One of which nothing is known. */
struct sensor valve_usual_sensor(void);

/* Both kinds of a passage together; of the sensor, what was known beforehand goes in, and what was found
 * comes out.  The first time, several beginnings are tried. */
void valve_learn_passage(struct valve_events *v, enum engine_end end, enum onset_passage passage, bool first,
                         struct sensor *sensor);

/* Does any kind of the end move beside another?  Then what is wrong with the one passes for the other and for
 * the lag. */
bool valve_any_beside(const struct valve_events *v, enum engine_end end);

/* All kinds of an end together, each with what moves beside it; the sensor as in valve_learn_passage.  At
 * least one kind is learned and has three windows in use. */
void valve_learn_beside(struct valve_events *v, enum engine_end end, struct sensor *sensor);

/* All kinds of an end have its sensor's lag and gain.  Zero is each passage's own: the exhaust tells it near
 * the ambient pressure, with what is wrong with the model there. */
void valve_set_sensor(struct valve_events *v, enum engine_end end, const struct sensor *sensor);

/* Both ends' sensors are taken to be alike unless the ends clearly disagree. */
void valve_pool_lags(struct sensor sensor[END_COUNT]);

#endif
