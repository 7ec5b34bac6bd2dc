/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/rehearse/timing.h"

#include "common/unit.h"

#include <errno.h>
#include <ini.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

struct reading {
	const char *path;
	struct settings *s;
	struct fault *fault;
	bool failed;
	unsigned taken;
};

/* -1 when the section is no [valve N]. */
static int valve_of(const char *section)
{
	if (strncmp(section, "valve ", 6) != 0 || section[6] < '0' || section[6] > '9')
		return -1;
	char *end;
	long n = strtol(section + 6, &end, 10);
	return *end == '\0' && n < ENGINE_VALVES_MAX ? (int)n : -1;
}

static double *place(struct settings *s, int valve, const char *name, bool *is_time)
{
	*is_time = strncmp(name, "lead ", 5) == 0;
	if (strcmp(name, "opens") == 0)
		return &s->opens[valve];
	if (strcmp(name, "shuts") == 0)
		return &s->shuts[valve];
	if (strcmp(name, "lead open") == 0)
		return &s->lead_open[valve];
	if (strcmp(name, "lead shut") == 0)
		return &s->lead_shut[valve];
	return NULL;
}

static int take(void *ctx, const char *section, const char *name, const char *value)
{
	struct reading *r = ctx;
	int valve = valve_of(section);
	bool is_time;
	double *to = valve < 0 ? NULL : place(r->s, valve, name, &is_time), si;
	if (to == NULL)
		return 1;
	char why[200];
	if (unit_parse(value, is_time ? UNIT_TIME : UNIT_ANGLE, 0, &si, why, sizeof why) != 0) {
		fault_set(r->fault, EX_DATAERR, "%s: [%s] %s = %s: %s", r->path, section, name, value, why);
		r->failed = true;
		return 0;
	}
	*to = is_time ? si * 1e3 : unit_deg(si);
	r->taken++;
	return 1;
}

int timing_read(const char *path, struct settings *s, struct fault *fault)
{
	struct reading r = {.path = path, .s = s, .fault = fault};
	int bad = ini_parse(path, take, &r);
	if (r.failed)
		return -1;
	if (bad == -1)
		return fault_set(fault, EX_NOINPUT, "%s: cannot read: %s", path, strerror(errno));
	if (bad != 0)
		return fault_set(fault, EX_DATAERR, "%s, line %d: not a line of an INI file", path, bad);
	if (r.taken == 0)
		return fault_set(fault, EX_DATAERR, "%s: no [valve N] section with opens, shuts or a lead",
		                 path);
	return 0;
}
