/* SPDX-License-Identifier: GPL-3.0-or-later */
/* faults NAME [COUNT]: runs one fault driver (tests/faults.h) against the
 * trammeld of this build.  Exit 0: passed. */
#include "tests/faults.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const struct {
	const char *name;
	int (*run)(unsigned n);
	unsigned count; /* when none is given */
} drivers[] = {
    {"kill", faults_kill, 40},        {"disk", faults_disk, 60},     {"short", faults_short, 40},
    {"full", faults_full, 1},         {"flip", faults_flip, 2},      {"freeze", faults_freeze, 3},
    {"watchdog", faults_watchdog, 2}, {"replug", faults_replug, 20}, {"library", faults_library, 3},
    {"noise", faults_noise, 3},       {"heap", faults_heap, 60},     {"cut", faults_cut, 1},
    {"clock", faults_clock, 3},       {"race", faults_race, 10},     {"retention", faults_retention, 4},
    {"soak", faults_soak, 10},        {"cap", faults_cap, 20},       {"cost", faults_cost, 3},
    {"restart", faults_restart, 4},   {"wait", faults_wait, 4},      {"brim", faults_brim, 4},
    {"start", faults_start, 24},      {"unplug", faults_unplug, 1},
};

int main(int argc, char **argv)
{
	size_t n = sizeof drivers / sizeof drivers[0];
	for (size_t i = 0; argc > 1 && i < n; i++)
		if (strcmp(argv[1], drivers[i].name) == 0)
			return drivers[i].run(argc > 2 ? (unsigned)strtoul(argv[2], NULL, 10)
			                               : drivers[i].count);
	fprintf(stderr, "usage: tool_faults NAME [COUNT]; names:");
	for (size_t i = 0; i < n; i++)
		fprintf(stderr, " %s", drivers[i].name);
	fputc('\n', stderr);
	return 64;
}
