/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Quantities as people write them: "62.5 mm", "6 bar gauge", "14.5 deg". */
#ifndef TRAMMEL_UNIT_H
#define TRAMMEL_UNIT_H

#include <stddef.h>

enum unit_dimension {
	UNIT_LENGTH,            /* m */
	UNIT_VOLUME,            /* m3 */
	UNIT_PRESSURE,          /* Pa absolute: must say "gauge" or "absolute" */
	UNIT_PRESSURE_ABSOLUTE, /* Pa absolute: plain "bar" means absolute (ambient) */
	UNIT_ANGLE,             /* rad */
	UNIT_SPEED,             /* rad/s: rpm, rad/s, deg/s */
	UNIT_FORCE,             /* N */
	UNIT_MASS,              /* kg */
	UNIT_TEMPERATURE,       /* K */
	UNIT_TIME,              /* s */
	UNIT_VOLTAGE,           /* V */
	UNIT_CURRENT,           /* A */
	UNIT_FRACTION,          /* 0..1: "%", or "of 1" without unit */
	UNIT_COUNTS,            /* "counts" */
	UNIT_COUNT              /* bare number, no unit allowed */
};

/* Parses `text` (number, blank, unit) into SI.  `ambient_pa` turns gauge
 * pressures absolute.  0; or -1 with the reason in `why` ("the unit is missing;
 * write for example 62.5 mm").  The number is read in the C locale; hex,
 * infinity and nan are refused. */
int unit_parse(const char *text, enum unit_dimension dim, double ambient_pa, double *si, char *why,
               size_t why_size);

/* How a quantity is written, "62.5 mm", for messages.  Static storage. */
const char *unit_example(enum unit_dimension dim);

/* Reads a plain decimal number ('.' as the point, blanks before it skipped).
 * Returns where it ends, or NULL when there is none or it is out of range. */
const char *unit_number(const char *text, double *value);

#define UNIT_PI 3.14159265358979323846
double unit_deg(double rad); /* rad -> deg */
double unit_rad(double deg);
double unit_rpm(double rad_s);
double unit_bar(double pa);
/* Pa absolute -> bar gauge. */
double unit_bar_gauge(double pa_absolute, double ambient_pa);

#endif
