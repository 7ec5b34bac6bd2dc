/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The index switch: closed over a range of crank angle, with lost motion
 * between the two directions and scatter. */
#ifndef TRAMMEL_REHEARSE_INDEX_SWITCH_H
#define TRAMMEL_REHEARSE_INDEX_SWITCH_H

#include "analyse/rehearse/prng.h"

#include <stdbool.h>

struct index_switch {
	double closes_deg, width_deg, hysteresis_deg, jitter_deg;
	double cam_deg;   /* follows the crank within the hysteresis */
	double shift_deg; /* scatter in force */
	bool closed, scattered;
	struct prng random;
};

void index_switch_place(struct index_switch *w, double theta_deg);

/* Moves on to theta_deg: true when the contact changed, with the crank angle
 * at which it did. */
bool index_switch_move(struct index_switch *w, double theta_deg, double *at_deg);

#endif
