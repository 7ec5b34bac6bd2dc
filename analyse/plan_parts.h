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

/* Friction at the crank, N m, of the mean pressure assumed. */
double plan_friction_nm(const struct plan_machine *m);

#endif
