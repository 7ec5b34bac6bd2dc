/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logd/amount.h"

#include <stddef.h>
#include <string.h>

struct suffix {
	const char *name;
	double factor;
};

/* Digits with an optional fraction, in any locale; what follows it, NULL when there is none. */
static const char *number(const char *p, double *value)
{
	const char *start = p;
	*value = 0;
	for (; *p >= '0' && *p <= '9'; p++)
		*value = *value * 10 + (*p - '0');
	if (p == start)
		return NULL;
	if (*p != '.')
		return p;
	double place = 0.1;
	for (p++; *p >= '0' && *p <= '9'; p++, place /= 10)
		*value += place * (*p - '0');
	return p;
}

static int scaled(const char *text, const struct suffix *suffixes, double *value)
{
	const char *rest = number(text, value);
	if (rest == NULL)
		return -1;
	rest += strspn(rest, " ");
	for (const struct suffix *s = suffixes; s->name != NULL; s++) {
		if (strcmp(rest, s->name) == 0) {
			*value *= s->factor;
			return 0;
		}
	}
	return -1;
}

static int whole(const char *text, const struct suffix *suffixes, int64_t *value)
{
	double v;
	if (scaled(text, suffixes, &v) != 0 || v > 4e18)
		return -1;
	*value = (int64_t)(v + 0.5);
	return 0;
}

int amount_count(const char *text, int64_t *value)
{
	static const struct suffix none[] = {{"", 1}, {NULL, 0}};
	return strchr(text, '.') != NULL ? -1 : whole(text, none, value);
}

int amount_size(const char *text, int64_t *bytes)
{
	static const struct suffix sizes[] = {{"", 1},          {"k", 1 << 10},   {"K", 1 << 10},
	                                      {"M", 1 << 20},   {"G", 1 << 30},   {"kB", 1 << 10},
	                                      {"KiB", 1 << 10}, {"MB", 1 << 20},  {"MiB", 1 << 20},
	                                      {"GB", 1 << 30},  {"GiB", 1 << 30}, {NULL, 0}};
	return whole(text, sizes, bytes);
}

int amount_time(const char *text, int64_t *us)
{
	static const struct suffix times[] = {{"", 1e6},   {"s", 1e6},   {"ms", 1e3}, {"min", 60e6},
	                                      {"m", 60e6}, {"h", 3.6e9}, {NULL, 0}};
	return whole(text, times, us);
}

int amount_percent(const char *text, double *value)
{
	static const struct suffix percent[] = {{"%", 0.01}, {NULL, 0}};
	return scaled(text, percent, value);
}
