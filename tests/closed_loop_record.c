/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/closed_loop_record.h"
#include "tests/log_rig.h"
#include "tests/rehearse_rig.h"

#include <check.h>

void loop_record_truth(const char *engine_text, const struct settings *settings, const char *directory,
                       const char *truth_dir, struct loop_ride *out)
{
	struct engine e = rehearse_rig_engine_of(engine_text);
	struct rehearse_rig_log log = {0};
	struct rehearse *r = rehearse_rig_run(&e, settings, truth_dir, &log);
	log_rig_write(directory, 1, 1, engine_text, log.record, log.len);
	const struct truth *t = rehearse_truth(r);
	*out = (struct loop_ride){.top_rpm = t->rpm_max};
	for (int end = 0; end < END_COUNT; end++) {
		double n = (double)t->strokes[end];
		ck_assert_double_gt(n, 5);
		out->work_j += t->work_j[end] / n;
		out->air_kg += t->air_g[end] / n / 1e3;
		out->useful_fraction += t->useful_deg[end] / n / 180 / END_COUNT;
	}
	rehearse_free(r);
	rehearse_rig_log_free(&log);
	engine_free(&e);
}

void loop_record(const char *engine_text, const struct settings *settings, const char *directory,
                 struct loop_ride *out)
{
	loop_record_truth(engine_text, settings, directory, NULL, out);
}
