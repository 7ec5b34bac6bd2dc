/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/rehearse/settings.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

struct setting {
	const char *key;
	const char *unit;
	size_t offset, places;
	double fallback, low, high;
	const char *help;
};

#define ONE(field) offsetof(struct settings, field), 1
#define EACH(field) offsetof(struct settings, field), sizeof((struct settings *)0)->field / sizeof(double)

/* key, unit, field, default, least, most, meaning.  A default of NAN means:
 * what the engine file says (or what the meaning names). */
static const struct setting table[] = {
    {"duration", "s", ONE(duration), 60, 0.01, 86400, "length of the ride"},
    {"step", "ms", ONE(step), 0.1, 0.01, 0.25, "integration step"},

    {"drive", "0|1|2", ONE(drive), DRIVE_FREE, 0, 2,
     "0 free (vehicle and load), 1 imposed speed, 2 held near the speed by a brake"},
    {"start_angle", "deg", ONE(start_angle), 60, -3600, 3600, "crank angle at the beginning"},
    {"rpm", "rpm", ONE(rpm), 60, -600, 600, "speed at the beginning"},
    {"rpm_to", "rpm", ONE(rpm_to), NAN, -600, 600,
     "imposed or held: sweep to this speed and back (default: rpm)"},
    {"sweep", "s", ONE(sweep), 30, 0.1, 86400, "time from rpm to rpm_to"},
    {"hold", "N m s/rad", ONE(hold), 15, 0, 1000, "held: stiffness of the brake"},
    {"rock", "deg", ONE(rock), 0, 0, 360, "somebody rocks the machine first: amplitude"},
    {"rock_period", "s", ONE(rock_period), 2, 0.2, 60, "time of one rocking"},
    {"rocks", "", ONE(rocks), 0, 0, 100, "number of rockings before the crank is let go"},
    {"kick", "N m", ONE(kick), 0, -500, 500, "push at the crank to get it moving"},
    {"kick_time", "s", ONE(kick_time), 1, 0, 60, "length of the push, from the end of rocking"},
    {"inertia", "kg m2", ONE(inertia), 0.12, 0.001, 100, "crank and flywheel"},
    {"friction", "N m", ONE(friction), 2, 0, 200, "dry friction of the engine"},
    {"viscous", "N m s/rad", ONE(viscous), 0.06, 0, 20, "viscous friction of the engine"},
    {"pressure_friction", "N m/bar", ONE(pressure_friction), 0.25, 0, 20,
     "friction per bar across the piston"},
    {"rolling", "of weight", ONE(rolling), 0.006, 0, 0.5, "rolling resistance"},
    {"grade", "%", ONE(grade), 0, -30, 30, "uphill"},
    {"grade_swing", "%", ONE(grade_swing), 0, 0, 30, "undulation of the way, added to the grade"},
    {"grade_period", "s", ONE(grade_period), 20, 0.5, 3600, "time of one undulation"},
    {"drag_area", "m2", ONE(drag_area), 0.8, 0, 10, "air drag: area times coefficient"},
    {"extra_mass", "kg", ONE(extra_mass), 0, 0, 5000, "load besides the engine file's mass"},
    {"brake", "N m", ONE(brake), 0, 0, 500, "resisting torque at the crank"},
    {"brake_swing", "N m", ONE(brake_swing), 0, 0, 500, "amplitude of its swing"},
    {"brake_period", "s", ONE(brake_period), 20, 0.5, 3600, "time of one swing"},
    {"shut_at", "s", ONE(shut_at), NAN, 0, 86400, "the supply is shut at this time (default: never)"},

    {"tank", "bar gauge", ONE(tank), 14, 0, 300, "tank at the beginning"},
    {"tank_heat", "W/K", ONE(tank_heat), 4, 0, 1e6, "heat from the tank's wall to the air in it"},
    {"tank_volume", "l", ONE(tank_volume), NAN, 0.1, 10000, "tank (default: engine file, or 50 l)"},
    {"regulator", "bar gauge", ONE(regulator), 4.5, 0, 30, "regulator at no flow"},
    {"regulator_to", "bar gauge", ONE(regulator_to), NAN, 0, 30,
     "its setting at the end of the ride (default: unchanged)"},
    {"droop", "bar", ONE(droop), 0.5, 0.01, 10, "fall of the regulated pressure at full opening"},
    {"regulator_c", "dm3/(s bar)", ONE(regulator_c), 8, 0.01, 100, "sonic conductance of the open regulator"},
    {"line_volume", "ml", ONE(line_volume), 400, 10, 1e5, "between regulator and inlet valves"},
    {"line_heat", "W/K", ONE(line_heat), 0.5, 0, 1e6, "heat from its wall"},

    {"c", "dm3/(s bar)", EACH(c), 3, 0, 50,
     "sonic conductance, ISO 6358; places: 0 cap inlet, 1 cap exhaust, 2 rod inlet, 3 rod exhaust"},
    {"b", "", EACH(b), 0.3, 0, 0.9, "critical pressure ratio, ISO 6358; same places"},
    {"seat_leak", "dm3/(s bar)", EACH(seat_leak), 0.002, 0, 10, "leak of the shut valve; same places"},
    {"piston_leak", "dm3/(s bar)", ONE(piston_leak), 0.004, 0, 10, "leak past the piston"},
    {"gland_leak", "dm3/(s bar)", ONE(gland_leak), 0.002, 0, 10, "leak of the rod gland"},
    {"wall_h", "W/(m2 K)", ONE(wall_h), 60, 0, 1e7, "heat transfer at the exposed cylinder walls"},
    {"chamber_start", "bar gauge", ONE(chamber_start), 0, -0.9, 30, "both ends at the beginning"},

    {"open_delay", "ms", EACH(open_delay), 12, 0, 500, "command to first movement, coil on"},
    {"shut_delay", "ms", EACH(shut_delay), 15, 0, 500, "command to first movement, coil off"},
    {"open_ramp", "ms", EACH(open_ramp), 4, 0.2, 500, "shut to open, area rises evenly"},
    {"shut_ramp", "ms", EACH(shut_ramp), 5, 0.2, 500, "open to shut"},
    {"delay_jitter", "ms", EACH(delay_jitter), 0.3, 0, 50, "standard deviation of both delays"},
    {"bounce", "of 1", EACH(bounce), 0, 0, 1, "the valve bounces back by this part of its area"},
    {"bounce_time", "ms", EACH(bounce_time), 4, 0.5, 100, "length of the bounce"},
    {"stick", "of 1", EACH(stick), 0, 0, 1, "part of the commands on which the valve does not move"},
    {"slow", "of 1", EACH(slow), 0, 0, 1, "part of the commands on which it hesitates"},
    {"slow_time", "ms", EACH(slow_time), 15, 0, 500, "how long it hesitates"},
    {"delay_per_bar", "ms/bar", EACH(delay_per_bar), 0, -20, 20,
     "change of the opening delay with supply gauge pressure"},
    {"delay_per_volt", "ms/V", EACH(delay_per_volt), 0, -50, 50,
     "change of the opening delay with battery voltage"},
    {"warm_delay", "ms", EACH(warm_delay), 0, -50, 50,
     "change of the opening delay from a cold coil to one as warm as it gets"},
    {"warm_time", "s", ONE(warm_time), 600, 1, 1e5, "time constant with which the coils warm and cool"},

    {"coil_current", "A", EACH(coil_current), 0.8, 0, 100, "through a coil that is on for long"},
    {"coil_time", "ms", EACH(coil_time), 3, 0.1, 500, "its time constant"},
    {"relay", "ms", EACH(relay), 3, 0, 500, "of the delays: until the coil gets its voltage, or loses it"},
    {"armature", "ms", EACH(armature), 2, 0.1, 500, "of the opening delay: the armature's motion"},
    {"pilot", "ms", EACH(pilot), 2, 0, 500,
     "of the opening delay: from the armature's stop to the first movement of the valve"},
    {"back_emf", "of 1", EACH(back_emf), 0.8, 0, 1,
     "voltage by the armature's motion as it stops, of the supply's"},
    {"open_circuit", "of 1", EACH(open_circuit), 0, 0, 1,
     "part of the commands that do not reach the coil (relay, wire): no current, no movement"},

    {"pitch_error", "deg", ONE(pitch_error), 0.1, 0, 2, "tooth pitch error, rms"},
    {"eccentricity", "deg", ONE(eccentricity), 0.15, 0, 5, "amplitude of the once-a-turn tooth error"},
    {"duty", "of 1", ONE(duty), 0.5, 0.1, 0.9, "tooth width over pitch"},
    {"tooth_gap", "deg", ONE(tooth_gap), 4, 0.05, 60, "from index closing to the next tooth, forward"},
    {"edge_jitter", "deg", ONE(edge_jitter), 0.01, 0, 1, "scatter of every edge, standard deviation"},
    {"threshold_drift", "deg", ONE(threshold_drift), 0, 0, 3,
     "the teeth look wider and narrower by this (light)"},
    {"threshold_period", "s", ONE(threshold_period), 30, 0.1, 3600, "time of one such swing"},
    {"wind_up", "deg", ONE(wind_up), 0, 0, 1,
     "the toothed wheel, driven by a chain, lags the crank by this at 10 N m of the air's torque"},
    {"miss", "of 1", ONE(miss), 0, 0, 1, "part of the teeth not seen"},
    {"miss_above", "rpm", ONE(miss_above), 0, 0, 1e4, "teeth are missed only above this speed"},
    {"miss_tooth", "", ONE(miss_tooth), -1, -1, 1000, "this tooth is never seen; -1 none"},
    {"miss_edge", "of 1", ONE(miss_edge), 0, 0, 1, "part of the edges the controller is too busy for"},
    {"extra", "of 1", ONE(extra), 0, 0, 1, "false pulses per tooth"},
    {"extra_width", "us", ONE(extra_width), 300, 1, 1e5, "width of a false pulse"},
    {"edge_bounce", "of 1", ONE(edge_bounce), 0, 0, 1,
     "part of the edges followed by a false pulse within 1.5 ms"},
    {"burst_rate", "1/min", ONE(burst_rate), 0, 0, 600, "bursts of light or electrical noise"},
    {"burst_at", "s", ONE(burst_at), NAN, 0, 86400, "one burst at this time (default: none)"},
    {"burst_time", "ms", ONE(burst_time), 80, 1, 60000, "length of a burst"},
    {"burst_hz", "Hz", ONE(burst_hz), 250, 0, 10000, "false pulses in a burst"},
    {"burst_mask", "of 1", ONE(burst_mask), 0.7, 0, 1, "part of the teeth blinded in a burst"},
    {"quadrature", "0|1", ONE(quadrature), 0, 0, 1, "a second pick-up a quarter pitch further on"},

    {"index_shift", "deg", ONE(index_shift), 0, -180, 180,
     "the switch really closes this much later than the engine file says"},
    {"index_width", "deg", ONE(index_width), 12, 0.5, 180, "angle over which the switch stays closed"},
    {"index_hysteresis", "deg", ONE(index_hysteresis), 1.5, 0, 20, "lost motion between the two directions"},
    {"index_late", "ms", ONE(index_late), 0, 0, 100, "the switch answers late"},
    {"index_jitter", "deg", ONE(index_jitter), 0.03, 0, 5, "scatter of the switching angle"},
    {"index_bounce", "of 1", ONE(index_bounce), 0, 0, 1, "part of the closings that bounce"},
    {"index_bounces", "", ONE(index_bounces), 3, 1, 20, "how often a bouncing closing opens again"},
    {"index_bounce_time", "ms", ONE(index_bounce_time), 0.6, 0.02, 20, "mean time between its edges"},
    {"index_miss", "of 1", ONE(index_miss), 0, 0, 1, "part of the closings not seen"},
    {"index_extra", "1/min", ONE(index_extra), 0, 0, 600, "false closings"},

    {"opens", "deg", EACH(opens), NAN, -360, 360,
     "setting at which the coil is switched on (default: engine file)"},
    {"shuts", "deg", EACH(shuts), NAN, -360, 720,
     "setting at which it is switched off (default: engine file)"},
    {"lead_open", "ms", EACH(lead_open), NAN, 0, 200,
     "switched on earlier by this time (default: engine file)"},
    {"lead_shut", "ms", EACH(lead_shut), NAN, 0, 200,
     "switched off earlier by this time (default: engine file)"},
    {"index_error", "deg", ONE(index_error), 0, -180, 180,
     "controller's index setting less the engine file's"},
    {"first_tooth", "deg", ONE(first_tooth), NAN, 0, 60,
     "what the controller adds at the first tooth after the index (default: the true tooth_gap)"},
    {"count_edges", "1|2", ONE(count_edges), 1, 1, 2, "controller counts one edge a tooth, or both"},
    {"interpolate", "0|1", ONE(interpolate), 0, 0, 1, "controller fires between teeth by the last interval"},
    {"latency", "ms", ONE(latency), 0.3, 0, 100, "controller's loop: edge to switched coil"},
    {"latency_jitter", "ms", ONE(latency_jitter), 0.4, 0, 100, "added to it, evenly spread from 0"},
    {"index_blank", "ms", ONE(index_blank), 0, 0, 1000,
     "controller ignores the index this long after a closing"},
    {"start_mode", "0|1", ONE(start_mode), 0, 0, 1,
     "controller knows the angle at the start and energises by position"},

    {"rate", "Hz", EACH(rate), 1000, 0, 10000, "samples of this channel; 0 none"},
    {"lag", "ms", EACH(lag), 0.5, 0, 1000, "sensor, first order"},
    {"tube", "ms", EACH(tube), 0, 0, 1000, "tube to the sensor, first order"},
    {"gain", "%", EACH(gain), 0, -50, 50, "gain error"},
    {"zero", "% of range", EACH(zero), 0, -50, 50, "zero error"},
    {"noise", "% of range", EACH(noise), 0.2, 0, 50, "noise, standard deviation"},
    {"stagger", "us", ONE(stagger), 110, 0, 1e5, "each channel is sampled this much after the one before"},
    {"adc_bits", "", ONE(adc_bits), 10, 4, 24, "converter"},
    {"battery", "V", ONE(battery), 12.6, 0, 100, "at rest"},
    {"battery_sag", "V", ONE(battery_sag), 0.15, 0, 10, "for each coil that is on"},
    {"battery_droop", "V/min", ONE(battery_droop), 0.05, 0, 10, "as it empties"},

    {"tick", "us", ONE(tick), 4, 1, 1000, "resolution of the sender's clock"},
    {"isr", "us", ONE(isr), 6, 0, 1000, "edges are stamped late, evenly from 0 to this"},
    {"skew", "ppm", ONE(skew), 120, -50000, 50000, "sender's clock runs fast"},
    {"drift", "ppm/min", ONE(drift), 0, -1000, 1000, "change of that"},
    {"counter", "us", ONE(counter), 1000000, 0, 4294967295.0, "sender's clock at the beginning"},
    {"loss_rate", "1/min", ONE(loss_rate), 0, 0, 6000, "how often the sender drops records"},
    {"loss_batch", "", ONE(loss_batch), 12, 1, 10000, "records dropped each time"},
    {"reset_at", "s", ONE(reset_at), NAN, 0, 86400, "sender and controller start again (default: never)"},
    {"disorder", "of 1", ONE(disorder), 0, 0, 1, "part of the records sent after the next one"},
};

#define TABLE_LEN (sizeof table / sizeof table[0])

static double *value_at(struct settings *s, const struct setting *row, size_t place)
{
	return (double *)(void *)((char *)s + row->offset) + place;
}

struct settings settings_default(void)
{
	struct settings s = {.seed = 1};
	for (size_t i = 0; i < TABLE_LEN; i++)
		for (size_t k = 0; k < table[i].places; k++)
			*value_at(&s, &table[i], k) = table[i].fallback;
	return s;
}

static const struct setting *find(const char *key, size_t len)
{
	for (size_t i = 0; i < TABLE_LEN; i++)
		if (strlen(table[i].key) == len && strncmp(table[i].key, key, len) == 0)
			return &table[i];
	return NULL;
}

/* The ".N" of a key: the place, or `places` for all of them. */
static int read_place(const struct setting *row, const char *dot, const char *equals, size_t *place)
{
	*place = row->places;
	if (dot == NULL)
		return 0;
	char *end;
	unsigned long n = strtoul(dot + 1, &end, 10);
	if (dot[1] < '0' || dot[1] > '9' || end != equals || n >= row->places)
		return -1;
	*place = n;
	return 0;
}

static int read_number(const struct setting *row, const char *text, double *value, struct fault *fault)
{
	char *end;
	*value = strtod(text, &end);
	if (end == text || *end != '\0')
		return fault_set(fault, EX_USAGE,
		                 "--set %s: '%s' is not a number; write a plain number in %s", row->key, text,
		                 row->unit[0] ? row->unit : "pieces");
	if (!(*value >= row->low && *value <= row->high))
		return fault_set(fault, EX_USAGE, "--set %s: %s is outside %.10g to %.10g %s", row->key, text,
		                 row->low, row->high, row->unit);
	return 0;
}

int settings_apply(struct settings *s, const char *assignment, struct fault *fault)
{
	const char *equals = strchr(assignment, '=');
	if (equals == NULL)
		return fault_set(fault, EX_USAGE,
		                 "--set %s: write key=value; trammel rehearse --help lists the keys",
		                 assignment);
	const char *dot = memchr(assignment, '.', (size_t)(equals - assignment));
	const struct setting *row = find(assignment, (size_t)((dot ? dot : equals) - assignment));
	if (row == NULL)
		return fault_set(fault, EX_USAGE,
		                 "--set %s: no such key; trammel rehearse --help lists the keys", assignment);
	size_t place;
	if (read_place(row, dot, equals, &place) != 0)
		return fault_set(fault, EX_USAGE, "--set %s: %s has %zu place%s, counted from 0", assignment,
		                 row->key, row->places, row->places == 1 ? " only" : "s");
	double value;
	if (read_number(row, equals + 1, &value, fault) != 0)
		return -1;
	size_t from = place < row->places ? place : 0, to = place < row->places ? place + 1 : row->places;
	for (size_t k = from; k < to; k++)
		*value_at(s, row, k) = value;
	return 0;
}

int settings_check(const struct settings *s, struct fault *fault)
{
	if (s->drive != DRIVE_FREE && s->drive != DRIVE_IMPOSED && s->drive != DRIVE_HELD)
		return fault_set(fault, EX_USAGE, "--set drive: write 0, 1 or 2");
	if (s->count_edges != 1 && s->count_edges != 2)
		return fault_set(fault, EX_USAGE, "--set count_edges: write 1 or 2");
	if (s->tank < s->regulator)
		return fault_set(fault, EX_USAGE,
		                 "the tank starts at %g bar, below the regulator's %g bar; raise tank",
		                 s->tank, s->regulator);
	return 0;
}

static void print_row(FILE *out, const struct setting *row)
{
	char key[40];
	snprintf(key, sizeof key, row->places > 1 ? "%s[.N]" : "%s", row->key);
	char fallback[24] = "";
	if (!isnan(row->fallback))
		snprintf(fallback, sizeof fallback, "%.10g", row->fallback);
	fprintf(out, "  %-20s %-12s %-8s %s\n", key, row->unit, fallback, row->help);
}

void settings_list(FILE *out)
{
	fprintf(out, "  %-20s %-12s %-8s %s\n", "key", "unit", "default", "meaning");
	for (size_t i = 0; i < TABLE_LEN; i++)
		print_row(out, &table[i]);
}

void settings_each(const struct settings *s, void (*fn)(void *ctx, const char *key, int place, double value),
                   void *ctx)
{
	struct settings copy = *s;
	for (size_t i = 0; i < TABLE_LEN; i++)
		for (size_t k = 0; k < table[i].places; k++)
			fn(ctx, table[i].key, table[i].places > 1 ? (int)k : -1,
			   *value_at(&copy, &table[i], k));
}
