/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "common/unit.h"

#include <ctype.h>
#include <math.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PSI_PA (0.45359237 * 9.80665 / (0.0254 * 0.0254)) /* by definition */
#define NUMBER_MAX 63
#define WORDS_MAX 79 /* unit and qualifier; longer ones are no unit anyway */

/* SI = number * factor + zero. */
struct unit {
	enum unit_dimension dim;
	const char *name;
	double factor, zero;
};

/* The units that a message suggests stand first in their group.  Pressures:
 * a qualifier, gauge or absolute, is read after the unit. */
static const struct unit units[] = {
    {UNIT_LENGTH, "mm", 1e-3, 0},
    {UNIT_LENGTH, "cm", 1e-2, 0},
    {UNIT_LENGTH, "m", 1, 0},
    {UNIT_LENGTH, "in", 0.0254, 0},
    {UNIT_LENGTH, "ft", 0.3048, 0},
    {UNIT_VOLUME, "ml", 1e-6, 0},
    {UNIT_VOLUME, "l", 1e-3, 0},
    {UNIT_VOLUME, "cm3", 1e-6, 0},
    {UNIT_VOLUME, "dm3", 1e-3, 0},
    {UNIT_VOLUME, "m3", 1, 0},
    {UNIT_VOLUME, "in3", 0.0254 * 0.0254 * 0.0254, 0},
    {UNIT_VOLUME, "mL", 1e-6, 0},
    {UNIT_VOLUME, "L", 1e-3, 0},
    {UNIT_PRESSURE, "bar", 1e5, 0},
    {UNIT_PRESSURE, "mbar", 1e2, 0},
    {UNIT_PRESSURE, "kPa", 1e3, 0},
    {UNIT_PRESSURE, "hPa", 1e2, 0},
    {UNIT_PRESSURE, "Pa", 1, 0},
    {UNIT_PRESSURE, "MPa", 1e6, 0},
    {UNIT_PRESSURE, "psi", PSI_PA, 0},
    {UNIT_PRESSURE, "mmHg", 133.322, 0},  /* conventional, NIST SP 811 */
    {UNIT_PRESSURE, "inHg", 3386.389, 0}, /* conventional, NIST SP 811 */
    {UNIT_ANGLE, "deg", UNIT_PI / 180, 0},
    {UNIT_ANGLE, "rad", 1, 0},
    {UNIT_ANGLE, "°", UNIT_PI / 180, 0},
    {UNIT_SPEED, "rpm", UNIT_PI / 30, 0},
    {UNIT_SPEED, "rad/s", 1, 0},
    {UNIT_SPEED, "deg/s", UNIT_PI / 180, 0},
    {UNIT_FORCE, "N", 1, 0},
    {UNIT_FORCE, "kN", 1e3, 0},
    {UNIT_FORCE, "lbf", 0.45359237 * 9.80665, 0},
    {UNIT_FORCE, "kgf", 9.80665, 0},
    {UNIT_MASS, "kg", 1, 0},
    {UNIT_MASS, "g", 1e-3, 0},
    {UNIT_MASS, "t", 1e3, 0},
    {UNIT_MASS, "lb", 0.45359237, 0},
    {UNIT_TEMPERATURE, "degC", 1, 273.15},
    {UNIT_TEMPERATURE, "K", 1, 0},
    {UNIT_TEMPERATURE, "degF", 5.0 / 9, 459.67 * 5 / 9},
    {UNIT_TEMPERATURE, "°C", 1, 273.15},
    {UNIT_TEMPERATURE, "°F", 5.0 / 9, 459.67 * 5 / 9},
    {UNIT_TIME, "s", 1, 0},
    {UNIT_TIME, "ms", 1e-3, 0},
    {UNIT_TIME, "us", 1e-6, 0},
    {UNIT_TIME, "min", 60, 0},
    {UNIT_TIME, "h", 3600, 0},
    {UNIT_VOLTAGE, "V", 1, 0},
    {UNIT_VOLTAGE, "mV", 1e-3, 0},
    {UNIT_CURRENT, "A", 1, 0},
    {UNIT_CURRENT, "mA", 1e-3, 0},
    {UNIT_FRACTION, "%", 1e-2, 0},
    {UNIT_FRACTION, "", 1, 0},
    {UNIT_COUNTS, "counts", 1, 0},
    {UNIT_COUNTS, "count", 1, 0},
    {UNIT_COUNT, "", 1, 0},
};

const char *unit_example(enum unit_dimension dim)
{
	static const char *const examples[] = {
	    [UNIT_LENGTH] = "62.5 mm",
	    [UNIT_VOLUME] = "18 ml",
	    [UNIT_PRESSURE] = "6 bar gauge",
	    [UNIT_PRESSURE_ABSOLUTE] = "1.013 bar",
	    [UNIT_ANGLE] = "14.5 deg",
	    [UNIT_SPEED] = "240 rpm",
	    [UNIT_FORCE] = "1800 N",
	    [UNIT_MASS] = "160 kg",
	    [UNIT_TEMPERATURE] = "18 degC",
	    [UNIT_TIME] = "12 ms",
	    [UNIT_VOLTAGE] = "12.6 V",
	    [UNIT_CURRENT] = "1.5 A",
	    [UNIT_FRACTION] = "45 %",
	    [UNIT_COUNTS] = "102 counts",
	    [UNIT_COUNT] = "36",
	};
	return examples[dim];
}

static const char *skip_blanks(const char *s)
{
	return s + strspn(s, " \t");
}

/* Length of a plain decimal number (sign, digits, point, exponent) at `s`; 0
 * when there is none.  So hex, infinity and nan never reach strtod. */
static size_t number_length(const char *s)
{
	static const char digits[] = "0123456789";
	const char *p = s + (*s == '+' || *s == '-');
	size_t whole = strspn(p, digits);
	p += whole;
	size_t part = *p == '.' ? strspn(p + 1, digits) : 0;
	if (whole + part == 0)
		return 0;
	p += *p == '.' ? 1 + part : 0;
	if (*p == 'e' || *p == 'E') {
		const char *power = p + 1 + (p[1] == '+' || p[1] == '-');
		size_t n = strspn(power, digits);
		if (n > 0)
			p = power + n;
	}
	return (size_t)(p - s);
}

const char *unit_number(const char *text, double *value)
{
	const char *start = skip_blanks(text);
	size_t n = number_length(start);
	char copy[NUMBER_MAX + 1];
	if (n == 0 || n > NUMBER_MAX)
		return NULL;
	memcpy(copy, start, n);
	copy[n] = '\0';
	/* No program here ever calls setlocale, so the point is '.'. */
	double v = strtod(copy, NULL);
	if (!isfinite(v))
		return NULL;
	*value = v;
	return start + n;
}

static enum unit_dimension table_dimension(enum unit_dimension dim)
{
	return dim == UNIT_PRESSURE_ABSOLUTE ? UNIT_PRESSURE : dim;
}

static const struct unit *find_unit(enum unit_dimension dim, const char *name)
{
	for (size_t i = 0; i < sizeof units / sizeof *units; i++)
		if (units[i].dim == table_dimension(dim) && strcmp(units[i].name, name) == 0)
			return &units[i];
	return NULL;
}

static int bad_number(const char *text, enum unit_dimension dim, char *why, size_t why_size)
{
	if (*text == '\0')
		snprintf(why, why_size, "the value is missing; write for example %s", unit_example(dim));
	else
		snprintf(why, why_size, "'%.40s' does not start with a number; write for example %s", text,
		         unit_example(dim));
	return -1;
}

static int bad_unit(const char *unit, enum unit_dimension dim, char *why, size_t why_size)
{
	if (*unit == ',' && isdigit((unsigned char)unit[1]))
		snprintf(why, why_size, "the decimal comma is not read; write a point, for example %s",
		         unit_example(dim));
	else if (*unit == '\0')
		snprintf(why, why_size, "the unit is missing; write for example %s", unit_example(dim));
	else if (dim == UNIT_COUNT)
		snprintf(why, why_size, "'%.40s' is too much: a bare number is wanted here, for example %s",
		         unit, unit_example(dim));
	else
		snprintf(why, why_size, "the unit '%.40s' does not fit here; write for example %s", unit,
		         unit_example(dim));
	return -1;
}

static bool is_word(const char *s, const char *word, const char *short_word)
{
	return strcmp(s, word) == 0 || strcmp(s, short_word) == 0;
}

/* Gauge or absolute, written after the unit of a pressure. */
static int apply_reference(const char *reference, enum unit_dimension dim, double ambient_pa, double *si,
                           char *why, size_t why_size)
{
	if (is_word(reference, "absolute", "abs"))
		return 0;
	if (*reference == '\0' && dim == UNIT_PRESSURE_ABSOLUTE)
		return 0;
	if (strcmp(reference, "gauge") == 0 && dim == UNIT_PRESSURE) {
		*si += ambient_pa;
		return 0;
	}
	if (dim == UNIT_PRESSURE_ABSOLUTE)
		snprintf(why, why_size,
		         "'%.40s' does not fit here: this pressure is absolute; write for example %s",
		         reference, unit_example(dim));
	else if (*reference == '\0')
		snprintf(why, why_size,
		         "gauge or absolute? write for example '6 bar gauge' or '7 bar absolute'");
	else
		snprintf(why, why_size, "'%.40s' after a pressure should be 'gauge' or 'absolute'",
		         reference);
	return -1;
}

/* Splits "6 bar gauge" (blanks trimmed, in place) into unit and, for a
 * pressure, the word after it. */
static char *split_reference(char *unit, enum unit_dimension dim)
{
	char *end = unit + strlen(unit);
	while (end > unit && isspace((unsigned char)end[-1]))
		end--;
	*end = '\0';
	if (table_dimension(dim) != UNIT_PRESSURE)
		return end;
	char *gap = unit + strcspn(unit, " \t");
	if (gap == end)
		return end;
	*gap = '\0';
	return gap + 1 + strspn(gap + 1, " \t");
}

int unit_parse(const char *text, enum unit_dimension dim, double ambient_pa, double *si, char *why,
               size_t why_size)
{
	double value;
	const char *start = skip_blanks(text);
	const char *after = unit_number(start, &value);
	if (after == NULL)
		return bad_number(start, dim, why, why_size);
	char name[WORDS_MAX + 1];
	snprintf(name, sizeof name, "%s", skip_blanks(after));
	const char *reference = split_reference(name, dim);
	const struct unit *unit = find_unit(dim, name);
	if (unit == NULL)
		return bad_unit(name, dim, why, why_size);
	value = value * unit->factor + unit->zero;
	if (unit->dim == UNIT_PRESSURE &&
	    apply_reference(reference, dim, ambient_pa, &value, why, why_size) != 0)
		return -1;
	*si = value;
	return 0;
}

double unit_deg(double rad)
{
	return rad * (180 / UNIT_PI);
}

double unit_rad(double deg)
{
	return deg * (UNIT_PI / 180);
}

double unit_rpm(double rad_s)
{
	return rad_s * (30 / UNIT_PI);
}

double unit_bar(double pa)
{
	return pa / 1e5;
}

double unit_bar_gauge(double pa_absolute, double ambient_pa)
{
	return (pa_absolute - ambient_pa) / 1e5;
}
