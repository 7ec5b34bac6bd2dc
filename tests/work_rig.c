/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/work_rig.h"

#include "analyse/analysis.h"
#include "analyse/rehearse/prng.h"
#include "tests/log_rig.h"
#include "tests/stroke_truth.h"

#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void set(struct settings *s, const char *key, double value)
{
	char text[80];
	struct fault f = {0};
	snprintf(text, sizeof text, "%s=%.6g", key, value);
	int bad = settings_apply(s, text, &f);
	ck_assert_msg(bad == 0, "%s", f.text);
}

void work_rig_draw(unsigned i, double duration_s, struct loop_machine *m)
{
	struct prng random = prng_make(77, i);
	loop_draw(i, m);
	set(&m->settings, "duration", duration_s);
	set(&m->settings, "sweep", duration_s / 2);
	/* A vehicle's mass, and a load that grows with speed: the crank's speed ripples as it does on the
	 * road. */
	set(&m->settings, "inertia", 0.8 + 1.2 * prng_uniform(&random));
	set(&m->settings, "hold", 8);
	set(&m->settings, "lag", 0.2 + 0.8 * prng_uniform(&random));
	set(&m->settings, "zero.1", 0.1 * prng_normal(&random));
	set(&m->settings, "zero.2", 0.1 * prng_normal(&random));
	set(&m->settings, "index_shift", 0.1 * prng_normal(&random));
}

struct pairing {
	const struct true_stroke *truth;
	size_t n;
	struct work_ride *out;
};

static int pair_rows(void *ctx, const struct analysis_rows *rows, struct fault *fault)
{
	struct pairing *p = ctx;
	(void)fault;
	for (size_t i = 0; i < rows->stroke_n; i++) {
		const struct stroke *row = &rows->stroke[i];
		if (row->flag[0] != '\0')
			continue;
		const struct true_stroke *t = stroke_truth_at(p->truth, p->n, row->end, row->t_start_us);
		if (t == NULL) {
			p->out->unpaired++;
			continue;
		}
		struct work_truth *sum = &p->out->truth[row->end];
		sum->n++;
		sum->work_j += t->work_j;
		sum->useful_deg += t->useful_deg;
		sum->air_g += t->air_g;
		sum->peak_torque_nm += t->peak_torque_nm;
	}
	return 0;
}

static void analyse(const char *directory, const struct true_stroke *truth, size_t n, struct work_ride *out)
{
	struct fault f = {0};
	struct pairing p = {truth, n, out};
	const struct analysis_sink sink = {.ctx = &p, .rows = pair_rows};
	struct ride *ride = ride_open(directory, NULL, 60, &f);
	ck_assert_msg(ride != NULL, "%s", f.text);
	int bad = analysis_run(ride, &sink, &out->report, &f);
	ck_assert_msg(bad == 0, "%s", f.text);
	ride_close(ride);
	for (int end = 0; end < END_COUNT; end++) {
		struct work_truth *t = &out->truth[end];
		t->work_j /= t->n;
		t->useful_deg /= t->n;
		t->air_g /= t->n;
		t->peak_torque_nm /= t->n;
	}
}

void work_rig_ride(const struct loop_machine *m, struct work_ride *out)
{
	struct loop_ride means;
	char *directory = log_rig_directory(), truth_dir[300];
	size_t n;
	memset(out, 0, sizeof *out);
	snprintf(truth_dir, sizeof truth_dir, "%s/truth", directory);
	loop_record_truth(m->text, &m->settings, directory, truth_dir, &means);
	struct true_stroke *truth = stroke_truth_read(truth_dir, &n);
	log_rig_remove(strdup(truth_dir));
	analyse(directory, truth, n, out);
	free(truth);
	log_rig_remove(directory);
}
