/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Makes the model agree with the measured mean diagram: passages and index of
 * each end are moved until the simulated pressure lies closest to it, held
 * back by how well they were known before. */
#ifndef TRAMMEL_PLAN_FIT_H
#define TRAMMEL_PLAN_FIT_H

#include "analyse/plan_model.h"

/* Fits the ends that have a diagram; leaves the others and says why.  A ride
 * whose speed varied more than PLAN_FIT_SPAN : 1 has no diagram to fit to. */
#define PLAN_FIT_SPAN 1.6
void plan_fit(struct plan_machine *m);

#endif
