/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The most torque that the air puts on the crank in a turn, both ends together. */
#ifndef TRAMMEL_STROKE_TORQUE_H
#define TRAMMEL_STROKE_TORQUE_H

#include "analyse/crank.h"
#include "common/mech.h"

struct stroke_torque_source {
	const struct crank *crank;
	const struct mech *mech;
	double ambient_pa;
	/* NULL: there is no such end (single-acting).  The lag is that of the end's gauge. */
	const struct ride_series *chamber[END_COUNT];
	double lag_us[END_COUNT], noise_pa[END_COUNT], zero_sd_pa[END_COUNT];
};

struct stroke_torque {
	double most_nm; /* of means over STROKE_TORQUE_SPAN_RAD, so that noise does not make the peak; NAN */
	double sd_nm;   /* by noise and by the gauges' zeros */
};

#define STROKE_TORQUE_SPAN_RAD 0.087 /* 5 deg: the peak is broad */

/* Over the turn between two times.  NAN where a sensor has a hole. */
struct stroke_torque stroke_torque_over(const struct stroke_torque_source *s, double from_us, double to_us);

#endif
