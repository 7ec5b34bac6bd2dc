/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The shut stretch between cut-off and release: with which index the air expands, and whether air comes or
 * goes meanwhile.
 *
 * Walls can keep expanding air from cooling, at most altogether (index 1); without heat it is 1.4, and
 * nothing but a loss makes it fall faster.  Air that leaks goes with time: the longer a stretch takes for its
 * change of volume, the further it moves the index.  A volume that is wrong (clearance) moves all stretches
 * alike. */
#ifndef TRAMMEL_VALVE_EVENTS_EXPANSION_H
#define TRAMMEL_VALVE_EVENTS_EXPANSION_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define EXPANSION_KEPT 1024

#define EXPANSION_INDEX_LEAST 1.0 /* as warm as it was */
#define EXPANSION_INDEX_MOST 1.4  /* no heat: ratio of the specific heats of air */

struct expansion_stretch {
	int64_t turn;
	float index;   /* - d ln p / d ln V */
	float slow_s;  /* time over change of ln V */
	float per_lag; /* change of the index for each second of sensor lag more than assumed */
	float per_pa;  /* and for each Pa by which the gauge reads too low */
	float volume_m3;
};

struct expansion { /* zero-initialise */
	uint64_t seen;
	uint64_t stride; /* every stride-th is kept */
	size_t n;
	struct expansion_stretch kept[EXPANSION_KEPT];
};

void expansion_add(struct expansion *x, const struct expansion_stretch *s);

/* Index and slow_s in the middle of what was seen; NAN below 5 stretches. */
double expansion_index(const struct expansion *x);
double expansion_slow_s(const struct expansion *x);
double expansion_volume_m3(const struct expansion *x);

enum expansion_fault {
	EXPANSION_SOUND,  /* or not told from it */
	EXPANSION_LOSES,  /* air goes */
	EXPANSION_GAINS,  /* air comes */
	EXPANSION_VOLUME, /* the volumes given are too small */
	EXPANSION_EITHER  /* the speeds do not tell a leak from a wrong volume */
};

struct expansion_verdict {
	double index, sd; /* in the middle; sd: scatter, the lag's doubt, the gauge's zero */
	bool high;        /* beyond what expansion can be: too high, else too low */
	enum expansion_fault fault;
	double least_per_s; /* share of the air that comes or goes a second, at least; NAN = no leak */
};

/* `lag_sd_s`: doubt of the sensor's lag. Speaks of a fault only when the index lies beyond the possible by
 * three times its doubt.  0, or -1 when memory runs out. */
int expansion_judge(const struct expansion *x, double lag_sd_s, struct expansion_verdict *out);

#endif
