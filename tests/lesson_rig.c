/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/lesson_rig.h"

#include "tests/closed_loop_record.h"
#include "tests/log_rig.h"

#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void read_demo_engine(char *text, size_t size)
{
	FILE *in = fopen("sample-logs/number7.ini", "r");
	ck_assert_ptr_nonnull(in);
	size_t n = fread(text, 1, size - 1, in);
	text[n] = '\0';
	fclose(in);
}

struct lesson_rig lesson_rig_ride(const char *sections, const char *const *settings)
{
	char text[8000];
	struct settings s = settings_default();
	struct loop_ride truth;
	struct fault f = {0};
	struct lesson_rig out = {malloc(sizeof *out.machine), malloc(sizeof *out.learn)};
	struct report *report = malloc(sizeof *report);
	ck_assert(report != NULL && out.machine != NULL && out.learn != NULL);
	read_demo_engine(text, sizeof text - strlen(sections));
	strcat(text, sections);
	for (; *settings != NULL; settings++) {
		int bad = settings_apply(&s, *settings, &f);
		ck_assert_msg(bad == 0, "%s", f.text);
	}
	char *directory = log_rig_directory();
	loop_record(text, &s, directory, &truth);
	struct ride *ride = ride_open(directory, NULL, 60, &f);
	ck_assert_msg(ride != NULL, "%s", f.text);
	plan_learn_start(out.learn, ride_engine(ride));
	const struct analysis_sink sink = plan_learn_sink(out.learn);
	int bad = analysis_run(ride, &sink, report, &f);
	ck_assert_msg(bad == 0, "%s", f.text);
	plan_machine_from_report(report, out.learn, out.machine);
	plan_fit(out.machine);
	out.machine->engine.source = NULL; /* goes with the ride */
	ride_close(ride);
	log_rig_remove(directory);
	free(report);
	return out;
}

void lesson_rig_free(struct lesson_rig *r)
{
	free(r->machine);
	free(r->learn);
}
