/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The sender's clock against the host's: lower envelope of arrival delays
 * (Moon, Skelly, Towsley, INFOCOM 1999), by windows. */
#ifndef TRAMMEL_CLOCK_H
#define TRAMMEL_CLOCK_H

#include "analyse/ride.h"

struct clock_result {
	bool known;      /* arrivals were there and span enough time */
	double skew_ppm; /* > 0: the sender's second is long (it counts too few us) */
	double skew_ppm_ci95[2];
	double drift_ppm; /* change of skew from first to last window */
	unsigned resets, host_steps;
	char remark[160]; /* "" or why not known */
};

struct clock_fit; /* opaque */
struct clock_fit *clock_fit_new(void);
void clock_fit_free(struct clock_fit *c);
void clock_fit_add(struct clock_fit *c, const struct leg *leg);
void clock_fit_result(const struct clock_fit *c, struct clock_result *out);

#endif
