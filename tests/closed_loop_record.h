/* SPDX-License-Identifier: GPL-3.0-or-later */
/* For tests: a rehearsed ride as a log on disk, and what really happened.  A
 * header of its own: the rehearsal and the analysis name their events alike. */
#ifndef TRAMMEL_CLOSED_LOOP_RECORD_H
#define TRAMMEL_CLOSED_LOOP_RECORD_H

#include "analyse/rehearse/settings.h"

struct loop_ride { /* mean of a ride, both ends, a turn */
	double work_j, air_kg, useful_fraction, top_rpm;
};

/* Plays a ride of the machine as `engine_text` and `settings` say into `directory` as
 * segments, and tells what really happened.  Aborts the test (Check) when a step fails. */
void loop_record(const char *engine_text, const struct settings *settings, const char *directory,
                 struct loop_ride *out);

/* The same, with the truth's tables in a directory of their own. */
void loop_record_truth(const char *engine_text, const struct settings *settings, const char *directory,
                       const char *truth_dir, struct loop_ride *out);

#endif
