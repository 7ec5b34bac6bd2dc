/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/engine_sheet.h"
#include "common/air.h"
#include "common/mech.h"
#include "common/unit.h"

#include <math.h>
#include <stdarg.h>

#define COLUMN "  %-26s"
#define SHEET_N 1.3          /* expansion index of the torque estimate: between cool and adiabatic */
#define SHEET_SUPPLY_BAR 6.0 /* gauge, when the file gives no supply limit */

struct sheet {
	FILE *out;
	const struct engine *e;
	struct mech m;
	double supply_pa; /* absolute; the limit, or SHEET_SUPPLY_BAR */
};

static double gauge(const struct sheet *s, double pa)
{
	return unit_bar_gauge(pa, s->e->ambient_pa);
}

/* An end takes part when its volume is known. */
static bool has_end(const struct sheet *s, enum engine_end end)
{
	return !isnan(s->m.area_m2[end]) && !isnan(s->m.clearance_m3[end]);
}

static double clearance_ratio(const struct sheet *s, enum engine_end end)
{
	return s->m.clearance_m3[end] / mech_swept_m3(&s->m, end);
}

static double thrust_n(const struct sheet *s, enum engine_end end)
{
	return s->m.area_m2[end] * (s->supply_pa - s->e->ambient_pa);
}

static void print_mechanism(const struct sheet *s)
{
	const struct engine *e = s->e;
	fputs("\nMechanism\n", s->out);
	if (e->mechanism == MECHANISM_OSCILLATING)
		fprintf(s->out, COLUMN "oscillating cylinder, trunnion to shaft %.1f mm\n", "kind",
		        e->pivot_distance_m * 1e3);
	else
		fprintf(s->out, COLUMN "crosshead, rod length %.1f mm, offset %.1f mm\n", "kind",
		        e->rod_length_m * 1e3, e->offset_m * 1e3);
	fprintf(s->out, COLUMN "%.1f mm\n", "crank radius", e->crank_radius_m * 1e3);
	fprintf(s->out, COLUMN "%.1f mm\n", "stroke", s->m.stroke_m * 1e3);
	fprintf(s->out, COLUMN "0 deg (cap-end volume least)\n", "cap-end dead centre");
	fprintf(s->out, COLUMN "%.2f deg\n", "rod-end dead centre", unit_deg(s->m.rod_dead_centre_rad));
}

/* One line of the cylinder's table: a value for each end that takes part. */
static void print_ends(const struct sheet *s, const char *what, const char *format,
                       double (*value)(const struct sheet *, enum engine_end))
{
	fprintf(s->out, COLUMN, what);
	for (int end = END_CAP; end < END_COUNT; end++) {
		char text[40] = "not used";
		if (has_end(s, (enum engine_end)end))
			snprintf(text, sizeof text, format, value(s, (enum engine_end)end));
		fprintf(s->out, end == END_CAP ? "%-14s" : "%s\n", text);
	}
}

static double area_mm2(const struct sheet *s, enum engine_end end)
{
	return s->m.area_m2[end] * 1e6;
}

static double swept_ml(const struct sheet *s, enum engine_end end)
{
	return mech_swept_m3(&s->m, end) * 1e6;
}

static double clearance_ml(const struct sheet *s, enum engine_end end)
{
	return s->m.clearance_m3[end] * 1e6;
}

static double clearance_percent(const struct sheet *s, enum engine_end end)
{
	return clearance_ratio(s, end) * 100;
}

static void print_cylinder(const struct sheet *s)
{
	char thrust[40];
	snprintf(thrust, sizeof thrust, "thrust at %.2f bar gauge", gauge(s, s->supply_pa));
	fprintf(s->out, "\n" COLUMN "%-14s%s\n", "Cylinder", "cap end", "rod end");
	print_ends(s, "piston area", "%.1f mm2", area_mm2);
	print_ends(s, "swept volume", "%.1f ml", swept_ml);
	print_ends(s, "clearance", "%.1f ml", clearance_ml);
	print_ends(s, "clearance / swept", "%.1f %%", clearance_percent);
	print_ends(s, thrust, "%.0f N", thrust_n);
}

static void print_teeth(const struct sheet *s)
{
	static const char *const edges[] = {"rising edge", "falling edge", "both edges"};
	const struct engine *e = s->e;
	fputs("\nToothed wheel\n", s->out);
	if (e->tooth_count == 0) {
		fputs("  none given: the crank angle cannot be found\n", s->out);
		return;
	}
	double pitch_deg = 360 / (e->tooth_count * e->crank_ratio);
	fprintf(s->out, COLUMN "%u, %s counted\n", "teeth", e->tooth_count, edges[e->edges]);
	if (e->crank_ratio != 1)
		fprintf(s->out, COLUMN "%g turns a crank turn\n", "wheel", e->crank_ratio);
	if (e->second_channel != 0)
		fprintf(s->out, COLUMN "%s the first, turning forward\n", "second channel",
		        e->second_channel > 0 ? "behind" : "ahead of");
	if (e->wind_up)
		fprintf(s->out, COLUMN "found from each ride\n", "chain wind-up");
	fprintf(s->out, COLUMN "%.3f deg of crank\n", "pitch", pitch_deg);
	if (isnan(e->index_rad))
		fprintf(s->out, COLUMN "angle not given\n", "index switch");
	else
		fprintf(s->out, COLUMN "closes at %.1f deg\n", "index switch", unit_deg(e->index_rad));
}

/* Difference of two angles in [0, 360) deg. */
static double forward_deg(double from_rad, double to_rad)
{
	double d = fmod(unit_deg(to_rad - from_rad), 360);
	return d < 0 ? d + 360 : d;
}

static void print_setting(const struct sheet *s, const struct engine_valve *v)
{
	unsigned on = v->passages & ~v->rest_passages;
	bool cap = (on & PASSAGE_CAP_INLET) != 0, rod = (on & PASSAGE_ROD_INLET) != 0;
	if (isnan(v->opens_rad)) {
		fputs("setting not given (the controller sends it)", s->out);
		return;
	}
	fprintf(s->out, "opens %.1f deg, shuts %.1f deg, open for %.1f deg", unit_deg(v->opens_rad),
	        unit_deg(v->shuts_rad), forward_deg(v->opens_rad, v->shuts_rad));
	double travelled = mech_travel_m(&s->m, v->shuts_rad) / s->m.stroke_m;
	if (cap || rod)
		fprintf(s->out, ", cut-off %.1f %% of the stroke", 100 * (cap ? travelled : 1 - travelled));
}

static void print_valves(const struct sheet *s)
{
	static const enum engine_passage all[] = {PASSAGE_CAP_INLET, PASSAGE_CAP_EXHAUST, PASSAGE_ROD_INLET,
	                                          PASSAGE_ROD_EXHAUST};
	fputs("\nValves\n", s->out);
	int found = 0;
	for (int i = 0; i < ENGINE_VALVES_MAX; i++) {
		const struct engine_valve *v = &s->e->valve[i];
		if (!v->present)
			continue;
		found++;
		fprintf(s->out, "  %d ", i);
		for (size_t k = 0; k < sizeof all / sizeof *all; k++)
			if ((v->passages & all[k]) != 0)
				fprintf(s->out, " %s%s,", engine_passage_name(all[k]),
				        (v->rest_passages & all[k]) != 0 ? " at rest" : "");
		fputs(v->rest_open ? " open at rest, " : " ", s->out);
		print_setting(s, v);
		fputc('\n', s->out);
	}
	if (found == 0)
		fputs("  none given\n", s->out);
}

static void print_range(const struct sheet *s, const struct engine_sensor *sensor)
{
	size_t last = sensor->points - 1;
	double low = sensor->value[0], high = sensor->value[last];
	double counts = sensor->counts[last] - sensor->counts[0];
	switch (sensor->role) {
	case SENSOR_BATTERY:
		fprintf(s->out, "%.2f to %.2f V, %.2f mV a count", low, high,
		        1e3 * fabs(high - low) / counts);
		return;
	case SENSOR_COIL:
		fprintf(s->out, "of valve %u, %.2f to %.2f A, %.2f mA a count", sensor->valve, low, high,
		        1e3 * fabs(high - low) / counts);
		return;
	case SENSOR_THROTTLE:
		fprintf(s->out, "%.0f to %.0f %%, %.2f %% a count", 100 * low, 100 * high,
		        100 * fabs(high - low) / counts);
		return;
	default:
		fprintf(s->out, "%.2f to %.2f bar gauge, %.1f mbar a count", gauge(s, low), gauge(s, high),
		        fabs(high - low) / counts / 100);
	}
}

static void print_sensors(const struct sheet *s)
{
	fputs("\nSensors\n", s->out);
	int found = 0;
	for (int i = 0; i < ENGINE_SENSORS_MAX; i++) {
		const struct engine_sensor *sensor = &s->e->sensor[i];
		if (sensor->role == SENSOR_NONE)
			continue;
		found++;
		fprintf(s->out, "  %-2d %-9s ", i, engine_sensor_role_name(sensor->role));
		print_range(s, sensor);
		fprintf(s->out, " (%g to %g counts, %zu points)\n", sensor->counts[0],
		        sensor->counts[sensor->points - 1], sensor->points);
	}
	if (found == 0)
		fputs("  none given: count and firing can be judged, pressures cannot\n", s->out);
}

static void print_limit(const struct sheet *s, const char *what, double value, const char *format)
{
	fprintf(s->out, COLUMN, what);
	if (isnan(value))
		fputs("not given", s->out);
	else
		fprintf(s->out, format, value);
	fputc('\n', s->out);
}

static void print_limits(const struct sheet *s)
{
	fputs("\nLimits\n", s->out);
	print_limit(s, "supply", gauge(s, s->e->limit_supply_pa), "%.2f bar gauge");
	print_limit(s, "speed", unit_rpm(s->e->limit_speed_rad_s), "%.0f rpm");
	print_limit(s, "rod force", s->e->limit_rod_force_n, "%.0f N");
}

static void print_cutoff_row(const struct sheet *s, enum engine_end end, double supply_bar)
{
	static const double indexes[] = {1.2, 1.3, 1.4};
	fprintf(s->out, "  %-4s %4.0f bar gauge", engine_end_name(end), supply_bar);
	for (size_t i = 0; i < sizeof indexes / sizeof *indexes; i++) {
		double c = air_cutoff_full_expansion(supply_bar * 1e5 + s->e->ambient_pa, s->e->ambient_pa,
		                                     clearance_ratio(s, end), indexes[i]);
		if (c <= 0)
			fprintf(s->out, "   %18s", "none: clearance");
		else
			fprintf(s->out, "   %5.1f %% %6.1f deg", 100 * c,
			        unit_deg(mech_angle_at_fraction_rad(&s->m, end, c)));
	}
	fputc('\n', s->out);
}

static void print_cutoff(const struct sheet *s)
{
	fprintf(s->out,
	        "\nIdeal cut-off: full expansion to ambient (%.1f mbar absolute), as a fraction of\n"
	        "the stroke and in degrees past the end's own dead centre, for the expansion\n"
	        "index n (1.2 with much heat from the walls, 1.4 with none); the crank angle at\n"
	        "the rod end is %.1f deg more\n"
	        "  end   supply            n = 1.2             n = 1.3             n = 1.4\n",
	        s->e->ambient_pa / 100, unit_deg(s->m.rod_dead_centre_rad));
	for (int end = END_CAP; end < END_COUNT; end++)
		for (int bar = 2; bar <= 8 && has_end(s, (enum engine_end)end); bar++)
			print_cutoff_row(s, (enum engine_end)end, bar);
}

/* Work of an end's ideal diagram, J a turn. */
static double ideal_work_j(const struct sheet *s, enum engine_end end, double cutoff)
{
	if (!has_end(s, end))
		return 0;
	double forward_pa = s->supply_pa * air_mean_forward_ratio(cutoff, clearance_ratio(s, end), SHEET_N);
	return (forward_pa - s->e->ambient_pa) * mech_swept_m3(&s->m, end);
}

static double ideal_cutoff(const struct sheet *s, enum engine_end end)
{
	double c =
	    air_cutoff_full_expansion(s->supply_pa, s->e->ambient_pa, clearance_ratio(s, end), SHEET_N);
	return fmin(fmax(c, 0), 1);
}

static void print_torque_row(const struct sheet *s, const char *what, double work_j)
{
	double torque_nm = work_j / (2 * UNIT_PI);
	double ratio = s->e->wheel_sprocket / s->e->crank_sprocket;
	double force_n = torque_nm * ratio / (s->e->wheel_diameter_m / 2);
	fprintf(s->out, COLUMN "%.1f J a turn, %.1f N m", what, work_j, torque_nm);
	if (!isnan(force_n))
		fprintf(s->out, ", %.0f N at the rim of the wheel", force_n);
	fputc('\n', s->out);
}

static void print_torque(const struct sheet *s)
{
	double economy = ideal_work_j(s, END_CAP, ideal_cutoff(s, END_CAP)) +
	                 (has_end(s, END_ROD) ? ideal_work_j(s, END_ROD, ideal_cutoff(s, END_ROD)) : 0);
	double full = ideal_work_j(s, END_CAP, 1) + ideal_work_j(s, END_ROD, 1);
	fprintf(s->out,
	        "\nIdeal work and mean torque at %.2f bar gauge (no friction, no wire-drawing, n = %.1f)\n",
	        gauge(s, s->supply_pa), SHEET_N);
	print_torque_row(s, "full expansion", economy);
	print_torque_row(s, "admission all the stroke", full);
	fputs("  A single cylinder gives no torque at its dead centres.\n", s->out);
}

static void caution(const struct sheet *s, const char *format, ...) __attribute__((format(printf, 2, 3)));
static void caution(const struct sheet *s, const char *format, ...)
{
	va_list args;
	va_start(args, format);
	fputs("  ! ", s->out);
	vfprintf(s->out, format, args);
	va_end(args);
	fputc('\n', s->out);
}

static void check_thrust(const struct sheet *s, enum engine_end end)
{
	double limit_n = s->e->limit_rod_force_n;
	if (isnan(s->e->limit_supply_pa) || !has_end(s, end) || !(thrust_n(s, end) > limit_n))
		return;
	caution(s,
	        "%s end: %.0f N at the supply limit of %.2f bar gauge, above the rod force limit\n"
	        "    of %.0f N; that limit is reached at %.2f bar gauge",
	        engine_end_name(end), thrust_n(s, end), gauge(s, s->supply_pa), limit_n,
	        limit_n / s->m.area_m2[end] / 1e5);
}

static void check_sensor_range(const struct sheet *s, int channel)
{
	const struct engine_sensor *sensor = &s->e->sensor[channel];
	bool sees_supply =
	    sensor->role == SENSOR_SUPPLY || sensor->role == SENSOR_CAP || sensor->role == SENSOR_ROD;
	if (!sees_supply || isnan(s->e->limit_supply_pa))
		return;
	double high = fmax(sensor->value[0], sensor->value[sensor->points - 1]);
	if (high < s->e->limit_supply_pa)
		caution(s, "sensor %d (%s) is calibrated to %.2f bar gauge only, below the supply limit",
		        channel, engine_sensor_role_name(sensor->role), gauge(s, high));
}

static void print_cautions(const struct sheet *s)
{
	fputs("\nCautions\n", s->out);
	check_thrust(s, END_CAP);
	check_thrust(s, END_ROD);
	for (int i = 0; i < ENGINE_SENSORS_MAX; i++)
		check_sensor_range(s, i);
	fputs("  Compressed air, pressure vessels, moving cranks and roads hurt people. Trammel is\n"
	      "  a measuring instrument, never a safety device: relief valve, guard, isolation and\n"
	      "  restraint of hoses come first.\n",
	      s->out);
}

void engine_sheet_print(FILE *out, const char *path, const struct engine *e)
{
	bool limit = !isnan(e->limit_supply_pa);
	struct sheet s = {.out = out,
	                  .e = e,
	                  .m = mech_of(e),
	                  .supply_pa = limit ? e->limit_supply_pa : e->ambient_pa + SHEET_SUPPLY_BAR * 1e5};
	fprintf(out, "%s (%s)\n", e->name, path);
	print_mechanism(&s);
	print_cylinder(&s);
	print_teeth(&s);
	print_valves(&s);
	print_sensors(&s);
	print_limits(&s);
	print_cutoff(&s);
	print_torque(&s);
	print_cautions(&s);
}
