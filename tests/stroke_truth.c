/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/stroke_truth.h"

#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const double NEAR_US = 5000;

static double field(char **rest)
{
	const char *text = strsep(rest, ",");
	ck_assert_ptr_nonnull(text);
	return text[0] == '\0' ? NAN : strtod(text, NULL);
}

static struct true_stroke stroke_of(char *line)
{
	char *rest = line;
	const char *end = strsep(&rest, ",");
	struct true_stroke s = {.end = strcmp(end, "rod") == 0};
	field(&rest); /* turns of the crank */
	double *const column[] = {&s.start_us,   &s.end_us,        &s.work_j,
	                          &s.useful_deg, &s.mep_bar,       &s.release_bar_gauge,
	                          &s.air_g,      &s.peak_torque_nm};
	for (size_t i = 0; i < sizeof column / sizeof *column; i++)
		*column[i] = field(&rest);
	return s;
}

struct true_stroke *stroke_truth_read(const char *truth_dir, size_t *n)
{
	char path[600], line[300];
	size_t room = 4096;
	struct true_stroke *s = malloc(room * sizeof *s);
	snprintf(path, sizeof path, "%s/stroke_truth.csv", truth_dir);
	FILE *f = fopen(path, "r");
	ck_assert_msg(f != NULL && s != NULL && fgets(line, sizeof line, f) != NULL, "%s", path);
	for (*n = 0; fgets(line, sizeof line, f) != NULL; ++*n) {
		if (*n == room)
			s = realloc(s, (room *= 2) * sizeof *s);
		ck_assert_ptr_nonnull(s);
		s[*n] = stroke_of(line);
	}
	fclose(f);
	return s;
}

const struct true_stroke *stroke_truth_at(const struct true_stroke *s, size_t n, unsigned end,
                                          double start_us)
{
	for (size_t i = 0; i < n; i++)
		if (s[i].end == end && fabs(s[i].start_us - start_us) < NEAR_US)
			return &s[i];
	return NULL;
}
