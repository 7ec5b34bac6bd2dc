/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The turns of one end in a leg: from its own dead centre to the next. */
#ifndef TRAMMEL_STROKE_TURNS_H
#define TRAMMEL_STROKE_TURNS_H

#include "analyse/crank.h"

struct stroke_turn {
	int64_t number;
	double dead_centre_rad; /* counting on; start of the turn */
	double t0_us, t1_us;
	double angle_sd_rad; /* mean over the turn's edges */
	const char *flag;    /* "" or why the angle cannot be trusted; static text */
};

struct stroke_turns { /* zero before first use; storage grows and is kept */
	struct stroke_turn *turn;
	size_t n, room;
};
void stroke_turns_free(struct stroke_turns *t);

/* Turns that begin in the leg's core and end in the leg, by time. -1 when out of memory. */
int stroke_turns_find(struct stroke_turns *out, const struct leg *leg, const struct crank *c,
                      double dead_centre_rad);

#endif
