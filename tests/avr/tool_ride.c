/* SPDX-License-Identifier: GPL-3.0-or-later */
/* avr-ride ENGINE ELF OUT TRUTH [--ride NAME] [key=value ...]: a ride of the real controller, its
 * link bytes to OUT, what really happened to the directory TRUTH. */
#include "common/engine.h"
#include "common/fault.h"
#include "tests/avr/ride.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

static int fail(const struct fault *f)
{
	fprintf(stderr, "avr-ride: %s\n", f->text);
	return f->exit_code;
}

static int take_settings(struct settings *s, char **argv, struct fault *f)
{
	*s = settings_default();
	for (; *argv != NULL; argv++) {
		bool ride = strcmp(*argv, "--ride") == 0 && argv[1] != NULL;
		if (ride && settings_ride(s, *++argv, f) != 0)
			return -1;
		if (!ride && settings_apply(s, *argv, f) != 0)
			return -1;
	}
	return 0;
}

static void sum_up(const struct ride *r)
{
	const struct truth *t = ride_truth(r);
	double strokes = (double)(t->strokes[END_CAP] + t->strokes[END_ROD]);
	double air_kg = (t->air_g[END_CAP] + t->air_g[END_ROD]) * 1e-3;
	double work_j = t->work_j[END_CAP] + t->work_j[END_ROD];
	double useful_deg = t->useful_deg[END_CAP] + t->useful_deg[END_ROD];
	printf("turns %.1f, %.0f to %.0f rpm, useful fraction %.4f, work per kg of air %.0f J/kg, "
	       "work per turn %.2f J\n",
	       t->crank_turns, t->rpm_min, t->rpm_max, useful_deg / 180 / strokes, work_j / air_kg,
	       work_j / strokes * 2);
}

static int ride(const struct engine *e, const struct settings *s, char **argv, FILE *link, struct fault *f)
{
	const struct ride_faults none = ride_no_faults();
	struct ride *r = ride_new(e, s, &none, argv[2], argv[4], link, f);
	if (r == NULL)
		return -1;
	ride_run(r, s->duration);
	int result = ride_finish(r, f);
	if (result == 0)
		sum_up(r);
	ride_free(r);
	return result;
}

int main(int argc, char **argv)
{
	struct fault f = {0};
	struct settings s;
	struct engine e;
	if (argc < 5) {
		fprintf(stderr, "usage: avr-ride ENGINE ELF OUT TRUTH [--ride NAME] [key=value ...]\n");
		return EX_USAGE;
	}
	if (take_settings(&s, argv + 5, &f) != 0 || engine_read(argv[1], &e, &f) != 0)
		return fail(&f);
	FILE *link = fopen(argv[3], "wb");
	if (link == NULL) {
		fault_set(&f, EX_CANTCREAT, "%s: cannot write: %s", argv[3], strerror(errno));
		return fail(&f);
	}
	int result = ride(&e, &s, argv, link, &f);
	if (fclose(link) != 0 && result == 0)
		result = fault_set(&f, EX_IOERR, "%s: cannot write: %s", argv[3], strerror(errno));
	engine_free(&e);
	return result == 0 ? EX_OK : fail(&f);
}
