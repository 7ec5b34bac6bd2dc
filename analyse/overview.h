/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The ride at a glance: turns, speed, supply, and how they went along the ride. */
#ifndef TRAMMEL_OVERVIEW_H
#define TRAMMEL_OVERVIEW_H

#include "analyse/report.h"

struct overview; /* opaque */

/* The ride lies between these times (unwrapped); NULL when out of memory. */
struct overview *overview_new(const struct engine *e, int64_t first_us, int64_t last_us);
void overview_free(struct overview *o);

/* Adds the leg's core.  `crank` may be NULL (no usable teeth). */
void overview_add(struct overview *o, const struct leg *leg, const struct crank *crank);

/* Fills revolutions, speed, supply, marks and profile of the report; slips must stand there already. */
void overview_finish(struct overview *o, struct report *out);

#endif
