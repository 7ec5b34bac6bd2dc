/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The wording of the report's limits, warnings and advice. */
#ifndef TRAMMEL_VERDICT_H
#define TRAMMEL_VERDICT_H

#include "analyse/report.h"

/* Which parts of the engine file's limits the ride came close to or passed. */
void verdict_limits(struct report *r);
/* What cannot be known from this ride, and why. */
void verdict_missing(struct report *r, const struct ride *ride);
/* What to change, most worth first: a count that slips, then the valves in the events' own words, then the
 * index switch. */
void verdict_advice(struct report *r);

#endif
