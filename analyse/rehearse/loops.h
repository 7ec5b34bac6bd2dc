/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Work, air and useful angle of each end over each closed loop: from its own
 * dead centre once round, forward. */
#ifndef TRAMMEL_REHEARSE_LOOPS_H
#define TRAMMEL_REHEARSE_LOOPS_H

#include "analyse/rehearse/plant.h"
#include "analyse/rehearse/sender.h"
#include "analyse/rehearse/truth.h"

struct loop {
	bool valid;
	double start_s, work_j, air_kg, useful_rad, release_bar_gauge, peak_torque_nm;
};

struct loops {
	struct loop loop[END_COUNT];
};

/* Looks at the last step of the plant. */
void loops_step(struct loops *s, const struct plant *p, const struct sender *clock, struct truth *t);

/* The exhaust of this end is half open. */
void loops_release(struct loops *s, const struct plant *p, enum engine_end end);

#endif
