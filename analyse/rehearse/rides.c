/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Named rides: each is a list of settings, applied like --set. */
#include "analyse/rehearse/settings.h"

#include <string.h>
#include <sysexits.h>

#define RIDE_SETTINGS_MAX 40

struct ride {
	const char *name, *help;
	const char *settings[RIDE_SETTINGS_MAX];
};

/* The demo machine on its undulating line: slow coils behind relays (half open
 * 22 ms after the command, half shut 28 ms), rolling when the log begins. */
#define ON_THE_LINE                                                                                          \
	"open_delay=20", "open_ramp=4", "shut_delay=25.5", "shut_ramp=5", "start_mode=1", "rpm=50",          \
	    "start_angle=20", "extra_mass=150", "brake=17", "brake_swing=14", "brake_period=12"
#define AS_FOUND ON_THE_LINE, "opens.1=130", "opens.3=310"

static const struct ride rides[] = {
    {"late",
     "as found: slow valves, no lead, exhausts opened early, angle known to a tooth only",
     {AS_FOUND}},
    {"sensor",
     "as found, and the pick-ups in trouble: missed and false teeth, bursts of light, index misses and "
     "bounce",
     {AS_FOUND, "brake=9", "miss=0.004", "extra=0.002", "edge_bounce=0.002", "burst_rate=6",
      "index_miss=0.04", "index_bounce=0.3", "index_extra=1", "threshold_drift=0.15", "loss_rate=4"}},
    {"tuned",
     "the same engine with leads loaded, exhausts as in the engine file, firing between teeth",
     {ON_THE_LINE, "count_edges=2", "interpolate=1", "lead_open=22.5", "lead_shut=28.5"}},
    {"sweep", "held by a brake, speed up and down, 60 to 200 rpm", {"drive=2", "rpm=60", "rpm_to=200"}},
    {"constant", "exactly constant speed, 100 rpm", {"drive=1", "rpm=100"}},
    {"coast",
     "the supply is shut after 10 s and the machine runs out",
     {"rpm=120", "start_mode=1", "brake=10", "shut_at=10"}},
    {"start",
     "from rest: rocked twice, then pushed",
     {"rpm=0", "rock=70", "rocks=2", "kick=25", "kick_time=1.2", "start_mode=1", "start_angle=20"}},
};

#define RIDES_LEN (sizeof rides / sizeof rides[0])

int settings_ride(struct settings *s, const char *name, struct fault *fault)
{
	for (size_t i = 0; i < RIDES_LEN; i++) {
		if (strcmp(rides[i].name, name) != 0)
			continue;
		for (const char *const *p = rides[i].settings; *p != NULL; p++)
			if (settings_apply(s, *p, fault) != 0)
				return -1;
		return 0;
	}
	return fault_set(fault, EX_USAGE, "--ride %s: no such ride; trammel rehearse --help lists them",
	                 name);
}

void settings_list_rides(FILE *out)
{
	for (size_t i = 0; i < RIDES_LEN; i++)
		fprintf(out, "  %-20s %s\n", rides[i].name, rides[i].help);
}
