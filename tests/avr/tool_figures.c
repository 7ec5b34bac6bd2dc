/* SPDX-License-Identifier: GPL-3.0-or-later */
/* figures REPORT.json: useful fraction and work per kg of air, both ends
 * together, out of a report. */
#include "common/air.h"

#include <jansson.h>
#include <stdio.h>
#include <sysexits.h>

static double number(const json_t *o, const char *a, const char *b, const char *c)
{
	const json_t *v = json_object_get(o, a);
	v = json_object_get(v, b);
	return json_number_value(c == NULL ? v : json_object_get(v, c));
}

int main(int argc, char **argv)
{
	json_error_t e;
	json_t *report = argc == 2 ? json_load_file(argv[1], 0, &e) : NULL;
	if (report == NULL) {
		fprintf(stderr, "usage: figures REPORT.json (of trammel report --json)\n");
		return EX_USAGE;
	}
	static const char *const ends[] = {"cap", "rod"};
	double strokes = 0, useful = 0, work_j = 0;
	for (int i = 0; i < 2; i++) {
		double n = number(report, "strokes", ends[i], "count");
		strokes += n;
		useful += n * number(report, "strokes", ends[i], "useful_fraction");
		work_j += number(report, "strokes", ends[i], "work_J");
	}
	double air_kg = number(report, "air", "per_revolution_normal_litre", NULL) * 1e-3 * AIR_ANR_DENSITY;
	printf("useful fraction %.4f, work per kg of air %.0f J/kg, work per turn %.2f J\n", useful / strokes,
	       work_j / air_kg, work_j);
	json_decref(report);
	return EX_OK;
}
