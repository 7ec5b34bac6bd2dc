/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The pressure of an end over one turn, as nodes of its indicator diagram. */
#ifndef TRAMMEL_STROKE_NODES_H
#define TRAMMEL_STROKE_NODES_H

#include "analyse/indicator.h"
#include "analyse/stroke_turns.h"

struct stroke_nodes { /* zero before first use; storage grows and is kept */
	struct indicator_node *node;
	double *supply_pa; /* at each node; NAN without supply sensor */
	size_t n, room;
};
void stroke_nodes_free(struct stroke_nodes *s);

struct stroke_source { /* where the nodes of an end come from, per leg */
	const struct crank *crank;
	const struct mech *mech;
	enum engine_end end;
	const struct ride_series *chamber, *supply; /* supply may be NULL */
	double chamber_hole_us, supply_hole_us;     /* longer without sample = a hole */
	uint16_t full_counts;     /* the chamber's converter is full at this; 0 = it never was */
	double least_pa, most_pa; /* a sample beyond is none of the sensor's: a digit lost on the link */
	double lag_us;            /* the chamber's sensor shows what was this long ago */
};

/* Interval between samples above which a series has a hole: several times
 * its usual interval.  0 for fewer than two samples. */
double stroke_hole_us(const struct ride_series *s);

/* Counts at which the converter of this series is full, when it ever was: the largest counts seen,
 * if they are 2^k - 1 with k of 8 to 16; else 0. */
uint16_t stroke_full_counts(const struct ride_series *s);

/* Nodes of the turn from `from_rad` (<= 0, past the dead centre) to 2 pi: each
 * sample, one sample beyond either side.  *why: "" or why the turn cannot be
 * measured; where that is pressure beyond the sensor's range the nodes are there all the same.
 * -1 when out of memory. */
int stroke_nodes_gather(struct stroke_nodes *s, const struct stroke_source *from,
                        const struct stroke_turn *turn, double from_rad, const char **why);

/* Puts a node at this angle, pressure interpolated between its neighbours, unless
 * there is one already or the angle lies outside.  -1 when out of memory. */
int stroke_nodes_insert(struct stroke_nodes *s, const struct stroke_source *from, double dead_centre_rad,
                        double phi_rad);

/* First node at or after this angle. */
size_t stroke_nodes_at(const struct stroke_nodes *s, double phi_rad);

/* Pressure at an angle, straight between nodes. NAN outside. */
double stroke_nodes_pa(const struct stroke_nodes *s, double phi_rad);

#endif
