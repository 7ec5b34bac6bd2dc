/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The engine file with the planned settings and leads in place of the old ones. */
#include "analyse/plan_parts.h"
#include "common/unit.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const char *skip_blanks(const char *s, const char *end)
{
	while (s < end && (*s == ' ' || *s == '\t'))
		s++;
	return s;
}

/* The valve of a heading "[valve N]"; -1 for another heading, -2 for no heading. */
static int heading(const char *line, const char *end)
{
	line = skip_blanks(line, end);
	if (line == end || *line != '[')
		return -2;
	line = skip_blanks(line + 1, end);
	if (end - line < 7 || strncmp(line, "valve", 5) != 0)
		return -1;
	int n = atoi(line + 5);
	return n >= 0 && n < ENGINE_VALVES_MAX ? n : -1;
}

static bool begins(const char *line, const char *end, const char *key)
{
	line = skip_blanks(line, end);
	size_t len = strlen(key);
	if ((size_t)(end - line) <= len || strncmp(line, key, len) != 0)
		return false;
	line = skip_blanks(line + len, end);
	return line < end && (*line == '=' || *line == ':');
}

/* A remark of an earlier plan. */
static bool remark(const char *line, const char *end)
{
	static const char mark[] = PLAN_MARK;
	return (size_t)(end - line) >= sizeof mark - 1 && strncmp(line, mark, sizeof mark - 1) == 0;
}

static bool replaced(const char *line, const char *end)
{
	static const char *const keys[] = {"opens", "shuts", "lead open", "lead shut"};
	for (size_t i = 0; i < sizeof keys / sizeof *keys; i++)
		if (begins(line, end, keys[i]))
			return true;
	return false;
}

/* A setting to a tenth of a degree, never 360.0. */
static double tenth_deg(double rad)
{
	double deg = round(unit_deg(rad) * 10) / 10;
	return deg >= 360 ? deg - 360 : deg;
}

static void write_valve(FILE *out, const struct plan *p, int valve)
{
	for (int on = 1; on >= 0; on--) {
		const struct plan_setting *s = &p->setting[valve][on];
		const char *word = on ? "open" : "shut";
		if (!p->has_setting[valve][on])
			continue;
		fprintf(out, PLAN_MARK "at %.0f rpm the coil is switched at the controller's %.1f deg\n",
		        unit_rpm(p->at.omega_rad_s), tenth_deg(s->controller_rad));
		fprintf(out, "%ss     = %.1f deg\nlead %s = %.1f ms\n", word, tenth_deg(s->setting_rad), word,
		        s->lead_s * 1e3);
	}
}

int plan_ini(const struct plan *p, FILE *out)
{
	const struct engine *e = &p->machine->engine;
	const char *at = e->source, *end = e->source + e->source_len;
	int valve = -1;
	fprintf(out,
	        PLAN_MARK "%s%.0f rpm, %.2f bar gauge. The settings are where the valves are to\n" PLAN_MARK
	                  "move; the controller switches earlier by lead times speed.\n",
	        p->refused.n > 0 ? "nearest that holds: " : "", unit_rpm(p->at.omega_rad_s),
	        unit_bar_gauge(p->at.supply_pa, e->ambient_pa));
	while (at < end) {
		const char *newline = memchr(at, '\n', (size_t)(end - at));
		const char *stop = newline != NULL ? newline : end;
		int found = heading(at, stop);
		valve = found == -2 ? valve : found;
		bool planned = valve >= 0 && (p->has_setting[valve][0] || p->has_setting[valve][1]);
		if (!remark(at, stop) && !(planned && replaced(at, stop)))
			fprintf(out, "%.*s\n", (int)(stop - at), at);
		if (planned && found >= 0)
			write_valve(out, p, valve);
		at = newline != NULL ? newline + 1 : end;
	}
	return ferror(out) ? -1 : 0;
}
