/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Parts of a plan that have files of their own; used by plan.c and its renderers only. */
#ifndef TRAMMEL_PLAN_PARTS_H
#define TRAMMEL_PLAN_PARTS_H

#include "analyse/plan.h"

/* The edge that a valve's coil makes, the cap end's where it makes two; NULL = none. */
const struct plan_edge *plan_edge_of(const struct plan_machine *m, int valve, bool on);

/* A pressure as a person reads it. */
double plan_gauge_bar(const struct plan *p, double pa);

/* The late cut-off for starting, and the torque at rest by crank position. */
void plan_start_find(struct plan *p);

/* Sprockets against roads. */
void plan_road_find(struct plan *p);

/* What was refused and what cannot be promised, in words. */
void plan_warnings(struct plan *p);

/* The plan's text on what it knows and from where: rides, delays, friction. */
void plan_text_known(const struct plan *p, FILE *out);

/* Where the friction comes from, in words. */
#define PLAN_WORDS_MAX 400
const char *plan_friction_words(const struct plan *p, char text[PLAN_WORDS_MAX]);
/* What the ride worked against, in words; "" = not known. */
const char *plan_resistance_words(const struct plan *p, char text[PLAN_WORDS_MAX]);

/* How a delay changes, in the units a person writes: ms/bar, ms/V, ms per 100 rpm; with half of its 95 %
 * interval.  False where no ride told. */
bool plan_change_of(const struct plan_edge *e, enum plan_covariate k, double *change, double *half_width);

/* Friction at the crank, N m, and how well it is known; NAN = not measured. */
double plan_friction_nm(const struct plan_machine *m);
double plan_friction_sd_nm(const struct plan_machine *m);

/* Whole lead of an edge at another speed of the plan, s. */
double plan_lead_at_s(const struct plan *p, int valve, bool on, double omega_rad_s);

#endif
