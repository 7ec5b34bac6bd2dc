/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The valve test at rest: pulses on the valves while the crank stands.
 *
 * Two shifting times stand side by side, both from the edge of the command:
 * - in the manner of ISO 12238: until the pressure has changed by 10 % of the test pressure
 *   (threshold: value from memory); on opening only, without the sensor's lag;
 * - ours: until half the passage's area is open (or shut), from the chamber's gas balance.
 * The piston is taken to stand half way; its place alters the speed of filling, not the times. */
#ifndef TRAMMEL_STANDING_H
#define TRAMMEL_STANDING_H

#include "analyse/delay.h"
#include "analyse/valve_events.h"

struct standing_row {              /* one way of one passage */
	uint8_t valve, end, event; /* event: enum valve_event_kind, as if running */
	unsigned commands, seen, missed;
	unsigned turning;              /* left out: the crank moved */
	struct delay_mean t10, t50;    /* s after the command; NAN when unknown */
	double supply_pa[2];           /* least and greatest, absolute */
	double per_pa, per_pa_ci95[2]; /* change of t50 with supply pressure, s/Pa; NAN: span too small */
};

#define STANDING_ROWS (ENGINE_VALVES_MAX * 4)
#define STANDING_SPAN_PA 5e4 /* supply pressures that differ less tell nothing of its influence */

struct standing; /* opaque */
struct standing *standing_new(const struct engine *e, const struct mech *m);
void standing_free(struct standing *s);

/* The pulses of a leg's core.  0, or -1 with fault. */
int standing_measure(struct standing *s, const struct leg *leg, struct fault *fault);

/* Rows by valve, end and event; their number, or -1 when memory runs out. */
int standing_finish(const struct standing *s, struct standing_row rows[STANDING_ROWS]);

#endif
