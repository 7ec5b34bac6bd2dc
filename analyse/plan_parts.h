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

/* Which limits a timing passes, in words; nothing when it holds. */
void plan_breach_words(const struct plan *p, const struct plan_solution *s, struct report_lines *out);

/* What cannot be promised, in words; and a torque that cannot be had is refused. */
void plan_warnings(struct plan *p);

/* The plan's text on what it knows and from where: rides, delays, friction. */
void plan_text_known(const struct plan *p, FILE *out);

/* Pictures for the page. */
void plan_picture_curve(FILE *out, const struct plan *p);
void plan_picture_cut_off(FILE *out, const struct plan *p);
void plan_picture_start(FILE *out, const struct plan *p);

/* "goes, 335 deg": does it go on this road, and from how much of the crank circle does it start? */
#define PLAN_ROAD_WORDS 32
const char *plan_road_words(const struct plan_gear *g, int road, char text[PLAN_ROAD_WORDS]);

/* The goal in words: "most work per air". */
#define PLAN_GOAL_WORDS 60
const char *plan_goal_words(const struct plan *p, char text[PLAN_GOAL_WORDS]);

/* Is this supply well outside what was ridden? */
bool plan_supply_outside(const struct plan *p, double supply_pa);

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
