/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Integer tables for a controller: its own angle at which to switch each coil, by
 * supply pressure and speed, in tenths of a degree. */
#include "analyse/escape.h"
#include "analyse/plan_parts.h"
#include "analyse/report_words.h"
#include "common/unit.h"

#include <math.h>
#include <string.h>

#define SPEEDS_MOST 24

struct axis {
	size_t n;
	double rpm[SPEEDS_MOST];
};

static struct axis speeds(const struct plan *p)
{
	struct axis a = {0};
	double top = unit_rpm(p->machine->engine.limit_speed_rad_s);
	if (!isfinite(top))
		top = 2 * unit_rpm(p->at.omega_rad_s);
	double step = fmax(ceil(top / SPEEDS_MOST / 5) * 5, 1);
	for (double rpm = 0; rpm <= top && a.n < SPEEDS_MOST; rpm += step)
		a.rpm[a.n++] = rpm;
	return a;
}

static bool works(const struct plan *p, int valve)
{
	return p->has_setting[valve][0] && p->has_setting[valve][1];
}

static int valve_count(const struct plan *p)
{
	int n = 0;
	for (int v = 0; v < ENGINE_VALVES_MAX; v++)
		n += works(p, v);
	return n;
}

/* No text of a log may end the comment it stands in. */
static void write_comment_text(FILE *out, const char *text)
{
	char safe[2 * REPORT_LINE_MAX];
	escape_plain(safe, sizeof safe, text);
	for (char *s = safe; *s != '\0'; s++)
		fputc(*s == '*' || *s == '\\' || *s == '?' ? '.' : *s, out);
}

static void write_head(FILE *out, const struct plan *p)
{
	const struct plan_machine *m = p->machine;
	char friction[PLAN_WORDS_MAX];
	fputs("/* Valve timing for ", out);
	write_comment_text(out, m->engine.name);
	fputs(", planned by trammel", out);
	if (m->from_ride) {
		char start[WORDS_NUMBER_MAX];
		fputs("\n * from the ride ", out);
		write_comment_text(out, m->run);
		fprintf(out, ", %s", words_start(start, m->start_utc_us));
		for (size_t i = 0; i + 1 < m->run_n; i++) {
			fputs(i == 0 ? "\n * and what is known from " : ", ", out);
			write_comment_text(out, m->learned_from[i].name);
		}
	}
	fprintf(out,
	        ".\n"
	        " * Planned at %.0f rpm.  Friction: %s.\n"
	        " * Each value is the controller's own angle at which to switch, in tenths of a degree,\n"
	        " * 0..3599; the row is the supply pressure at or next below, the column the speed.\n",
	        unit_rpm(p->at.omega_rad_s), plan_friction_words(p, friction));
	if (isfinite(p->at.battery_v))
		fprintf(out, " * For a battery of %.1f V.\n", p->at.battery_v);
	for (size_t i = 0; i < p->refused.n; i++) {
		fputs(" * REFUSED: ", out);
		write_comment_text(out, p->refused.line[i]);
		fputc('\n', out);
	}
	for (size_t i = 0; i < p->warnings.n; i++) {
		fputs(" * Assumed: ", out);
		write_comment_text(out, p->warnings.line[i]);
		fputc('\n', out);
	}
	fputs(" */\n#ifndef TRAMMEL_TIMING_H\n#define TRAMMEL_TIMING_H\n\n#include <stdint.h>\n\n"
	      "#ifndef TRAMMEL_TABLE\n"
	      "#define TRAMMEL_TABLE /* where tables live: PROGMEM on an AVR */\n"
	      "#endif\n\n",
	      out);
}

static unsigned tenths(double rad)
{
	double d = round(unit_deg(rad) * 10);
	return (unsigned)fmod(d + 3600, 3600);
}

static void write_table(FILE *out, const struct plan *p, const struct axis *a, int on)
{
	fprintf(out,
	        "/* [valve][supply][speed]: coil %s */\n"
	        "static const uint16_t trammel_%s_ddeg[TRAMMEL_VALVES][TRAMMEL_SUPPLIES][TRAMMEL_SPEEDS] "
	        "TRAMMEL_TABLE = {\n",
	        on ? "on" : "off", on ? "on" : "off");
	for (int v = 0; v < ENGINE_VALVES_MAX; v++) {
		if (!works(p, v))
			continue;
		fprintf(out, "    { /* valve %d */\n", v);
		for (size_t row = 0; row < p->row_n; row++) {
			fputs("        {", out);
			for (size_t i = 0; i < a->n; i++)
				fprintf(out, "%s%u", i > 0 ? ", " : "",
				        tenths(plan_controller_rad(p, row, v, on == 1,
				                                   a->rpm[i] * UNIT_PI / 30)));
			fputs("},\n", out);
		}
		fputs("    },\n", out);
	}
	fputs("};\n\n", out);
}

int plan_header(const struct plan *p, FILE *out)
{
	struct axis a = speeds(p);
	write_head(out, p);
	fprintf(out,
	        "#define TRAMMEL_VALVES %d\n#define TRAMMEL_SUPPLIES %zu\n#define TRAMMEL_SPEEDS %zu\n\n",
	        valve_count(p), p->row_n, a.n);
	fputs("static const uint8_t trammel_valve_number[TRAMMEL_VALVES] TRAMMEL_TABLE = {", out);
	const char *comma = "";
	for (int v = 0; v < ENGINE_VALVES_MAX; v++)
		if (works(p, v)) {
			fprintf(out, "%s%d", comma, v);
			comma = ", ";
		}
	fputs("};\nstatic const uint16_t trammel_supply_mbar_gauge[TRAMMEL_SUPPLIES] TRAMMEL_TABLE = {", out);
	for (size_t i = 0; i < p->row_n; i++)
		fprintf(out, "%s%.0f", i > 0 ? ", " : "",
		        unit_bar_gauge(p->row[i].supply_pa, p->machine->engine.ambient_pa) * 1000);
	fputs("};\nstatic const uint16_t trammel_speed_rpm[TRAMMEL_SPEEDS] TRAMMEL_TABLE = {", out);
	for (size_t i = 0; i < a.n; i++)
		fprintf(out, "%s%.0f", i > 0 ? ", " : "", a.rpm[i]);
	fputs("};\n\n", out);
	write_table(out, p, &a, 1);
	write_table(out, p, &a, 0);
	fputs("#endif\n", out);
	return ferror(out) ? -1 : 0;
}
