/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The verdict on one valve event, and what to do about it. */
#include "analyse/valve_events_causes.h"

#include "common/unit.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#define WORTH_RAD 0.026179938779914945 /* 1.5 deg: less is no fault of the timing */

static void say(struct valve_event_summary *s, const char *format, ...) __attribute__((format(printf, 2, 3)));
static void say(struct valve_event_summary *s, const char *format, ...)
{
	size_t used = strlen(s->words);
	va_list args;
	va_start(args, format);
	vsnprintf(s->words + used, sizeof(s->words) - used, format, args);
	va_end(args);
}

static const char *what_happens(enum valve_event_kind k)
{
	static const char *const words[EVENT_KINDS] = {"inlet opens", "inlet shuts", "exhaust opens",
	                                               "exhaust shuts"};
	return words[k];
}

static const char *verdict_of(const struct valve_event_summary *s)
{
	if (s->count < VALVE_FOUND_LEAST && s->missed > s->commands / 2 && s->missed > 0)
		return "missed";
	if (s->count < VALVE_FOUND_LEAST || isnan(s->error_rad))
		return "not known";
	bool apart = s->error_ci95_rad[0] > 0 || s->error_ci95_rad[1] < 0;
	if (!apart || fabs(s->error_rad) < WORTH_RAD)
		return "on time";
	return s->error_rad > 0 ? "late" : "early";
}

/* What the error is made of. */
static void say_parts(struct valve_event_summary *s)
{
	double setting = unit_deg(s->error_rad) - unit_deg(s->delay_s * s->speed_rad_s);
	say(s, ": %.1f ms of delay (%.1f to %.1f)", 1e3 * s->delay_s, 1e3 * s->delay_ci95_s[0],
	    1e3 * s->delay_ci95_s[1]);
	say(s, " and %.1f deg of setting", setting);
	if (fabs(s->count_error_rad) > WORTH_RAD)
		say(s, ", of this %.1f deg of tooth count", unit_deg(s->count_error_rad));
}

/* What the delay is made of, by the coil's current. */
static void say_coil(struct valve_event_summary *s)
{
	const struct valve_event_coil *c = &s->coil;
	if (c->moved < VALVE_FOUND_LEAST || isnan(c->pneumatic_s) || isnan(c->mechanical_s))
		return;
	say(s, "; of the delay %.1f ms are electrical (%.1f to %.1f, command to current)",
	    1e3 * c->electrical_s, 1e3 * c->electrical_ci95_s[0], 1e3 * c->electrical_ci95_s[1]);
	say(s, ", %.1f mechanical (%.1f to %.1f, until the armature stops)", 1e3 * c->mechanical_s,
	    1e3 * c->mechanical_ci95_s[0], 1e3 * c->mechanical_ci95_s[1]);
	say(s, ", %.1f pneumatic (%.1f to %.1f)", 1e3 * c->pneumatic_s, 1e3 * c->pneumatic_ci95_s[0],
	    1e3 * c->pneumatic_ci95_s[1]);
}

static void say_controller(struct valve_event_summary *s)
{
	if (s->separable && fabs(s->latency_s) > 1e-3 &&
	    (s->latency_ci95_s[0] > 0 || s->latency_ci95_s[1] < 0))
		say(s, "; the controller itself is %.1f ms %s", 1e3 * fabs(s->latency_s),
		    s->latency_s > 0 ? "late" : "early");
	if (!s->separable)
		say(s, "; speeds too alike to tell the controller's offset from its delay");
}

/* Found on some turns only, and not on any of them alike. */
static void say_seen(struct valve_event_summary *s)
{
	if (valve_summary_other_speed(s))
		say(s, "; seen on %u of %u turns, the %s ones", s->count, s->commands,
		    s->speed_rad_s > s->ride_speed_rad_s ? "faster" : "slower");
}

static void say_timed(struct valve_event_summary *s)
{
	bool late = strcmp(s->verdict, "late") == 0, early = strcmp(s->verdict, "early") == 0;
	if (late || early) {
		double sign = late ? 1 : -1;
		double low = sign * unit_deg(s->error_ci95_rad[late ? 0 : 1]);
		double high = sign * unit_deg(s->error_ci95_rad[late ? 1 : 0]);
		say(s, " %.1f deg %s (%.1f to %.1f)", fabs(unit_deg(s->error_rad)), s->verdict, low, high);
	} else {
		say(s, " on time (%+.1f deg, %+.1f to %+.1f)", unit_deg(s->error_rad),
		    unit_deg(s->error_ci95_rad[0]), unit_deg(s->error_ci95_rad[1]));
	}
	say(s, " at %.0f rpm", unit_rpm(s->speed_rad_s));
	say_parts(s);
	if (late || early)
		say(s, "; send the command %.1f deg (%.1f ms) %s", fabs(unit_deg(s->error_rad)),
		    1e3 * fabs(s->error_rad) / s->speed_rad_s, late ? "earlier" : "later");
	say_coil(s);
	say_seen(s);
	say_controller(s);
}

static void say_unknown(const struct engine *e, struct valve_event_summary *s)
{
	const char *end = engine_end_name((enum engine_end)s->end);
	bool sensor = engine_sensor_channel(e, s->end == END_CAP ? SENSOR_CAP : SENSOR_ROD) >= 0;
	if (strcmp(s->verdict, "missed") == 0) {
		say(s, ": commanded %u times, did not move %u times; see to coil, wire and air supply",
		    s->commands, s->missed);
		return;
	}
	if (!sensor)
		say(s, ": when it really does cannot be known without a pressure sensor at the %s end", end);
	else if (s->commands < VALVE_FOUND_LEAST)
		say(s, ": only %u command%s, too few to judge", s->commands, s->commands == 1 ? "" : "s");
	else
		say(s, ": %u commands, %u events seen; the pressure at the %s end does not show it",
		    s->commands, s->count, end);
	if (!isnan(s->count_error_rad) && !isnan(s->firing_error_rad))
		say(s, "; count %+.1f deg, firing %+.1f deg", unit_deg(s->count_error_rad),
		    unit_deg(s->firing_error_rad));
}

void valve_summary_words(const struct engine *e, struct valve_event_summary *s)
{
	snprintf(s->verdict, sizeof(s->verdict), "%s", verdict_of(s));
	s->words[0] = '\0';
	say(s, "%s %s", engine_end_name((enum engine_end)s->end),
	    what_happens((enum valve_event_kind)s->event));
	if (strcmp(s->verdict, "missed") == 0 || strcmp(s->verdict, "not known") == 0)
		say_unknown(e, s);
	else
		say_timed(s);
	char causes[200];
	if (valve_causes_words(s, causes, sizeof(causes))[0] != '\0')
		say(s, "; delay%s", causes);
	if (s->missed > 0 && strcmp(s->verdict, "missed") != 0)
		say(s, "; did not move %u of %u times", s->missed, s->commands);
}
