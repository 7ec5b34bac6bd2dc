/* SPDX-License-Identifier: GPL-3.0-or-later */
/* How well the crank is found: a table over wheels, motions and seeds. */
#include "tests/wheel_rig.h"
#include "tests/crank_score.h"

#include <stdio.h>
#include <stdlib.h>

#define ROW_SEEDS 1000

static const char *const motion_name[] = {"constant", "sweep", "coast", "rocking start"};

int main(int argc, char **argv)
{
	unsigned seeds = argc > 1 ? (unsigned)strtoul(argv[1], NULL, 10) : 5;
	static const unsigned teeth[] = {16, 24, 36, 48, 120};
	printf("%-14s %4s %-7s %8s %8s %8s %9s %9s %9s %8s\n", "motion", "N", "edges", "rms", "p99.9",
	       "within", "slips", "flagged", "missed", "extra");
	printf("%-14s %4s %-7s %8s %8s %8s %9s %9s %9s %8s\n", "", "", "", "deg", "deg", "2 sd", "unflagged",
	       "%", "off", "off");
	static const enum wheel_motion motion[] = {WHEEL_SWEEP, WHEEL_COAST, WHEEL_ROCKING_START,
	                                           WHEEL_CONSTANT};
	/* A seed brings nearly the same wandering load to any wheel: each row has its own. */
	for (unsigned k = 0, row = 0; k < 4; k++)
		for (unsigned i = 0; i < 5; i++)
			for (unsigned both = 0; both < 2; both++, row++) {
				struct crank_score sum = {0};
				for (unsigned seed = 1; seed <= seeds; seed++) {
					struct wheel_setup s =
					    wheel_setup_plain(teeth[i], both ? EDGES_BOTH : EDGES_RISING,
					                      motion[k], ROW_SEEDS * row + seed);
					crank_score_add(&sum, &s);
				}
				crank_score_finish(&sum);
				printf("%-14s %4u %-7s %8.4f %8.4f %8.4f %9zu %9.3f %9.2f %8.2f\n",
				       motion_name[motion[k]], teeth[i], both ? "both" : "rising",
				       sum.rms_deg, sum.p999_deg, sum.within_2sd, sum.slips,
				       100 * sum.flagged_part, sum.missed_off, sum.extra_off);
				fflush(stdout);
			}
	return 0;
}
