/* SPDX-License-Identifier: GPL-3.0-or-later */
/* For tests: the strokes of a rehearsal's truth. */
#ifndef TRAMMEL_STROKE_TRUTH_H
#define TRAMMEL_STROKE_TRUTH_H

#include <stddef.h>

struct true_stroke {
	unsigned end; /* 0 cap, 1 rod */
	double start_us, end_us, work_j, useful_deg, mep_bar, release_bar_gauge, air_g, peak_torque_nm;
};

/* Reads stroke_truth.csv of a truth directory; malloc'd.  Aborts the test (Check) when it cannot. */
struct true_stroke *stroke_truth_read(const char *truth_dir, size_t *n);

/* The stroke of this end that begins nearest to this time; NULL when none begins within 5 ms. */
const struct true_stroke *stroke_truth_at(const struct true_stroke *s, size_t n, unsigned end,
                                          double start_us);

#endif
