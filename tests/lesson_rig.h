/* SPDX-License-Identifier: GPL-3.0-or-later */
/* For tests: what a rehearsed ride of the demo engine teaches a plan. */
#ifndef TRAMMEL_LESSON_RIG_H
#define TRAMMEL_LESSON_RIG_H

#include "analyse/plan.h"

struct lesson_rig {
	struct plan_machine *machine; /* fitted */
	struct plan_learn *learn;
};

/* Rides with these settings ("a=1", "b=2", ..., NULL); `sections` are added to the engine file. */
struct lesson_rig lesson_rig_ride(const char *sections, const char *const *settings);
void lesson_rig_free(struct lesson_rig *r);

#endif
