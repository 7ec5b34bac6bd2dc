/* SPDX-License-Identifier: GPL-3.0-or-later */
/* avr-ride ENGINE ELF OUT TRUTH [--pty] [--unplug FROM,UNTIL] [--ride NAME] [key=value ...]: a ride
 * of the real controller, its link bytes to the file OUT, or to a recorder at the pseudo-terminal
 * that OUT is made a link to; what really happened to the directory TRUTH. */
#include "common/engine.h"
#include "common/fault.h"
#include "tests/avr/live.h"
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

struct orders {
	const char *engine, *elf, *out, *truth;
	bool pty;
	struct settings settings;
	struct ride_faults faults;
};

/* FROM,UNTIL seconds. */
static int take_unplug(struct ride_faults *faults, const char *text, struct fault *f)
{
	char rest;
	if (sscanf(text, "%lf,%lf%c", &faults->unplugged_at, &faults->unplugged_until, &rest) == 2 &&
	    faults->unplugged_at < faults->unplugged_until)
		return 0;
	return fault_set(f, EX_USAGE, "--unplug %s: give two times in seconds, as 10,12.5", text);
}

static int take_one(struct orders *o, char ***argv, struct fault *f)
{
	const char *word = **argv;
	if (strcmp(word, "--pty") == 0) {
		o->pty = true;
		return 0;
	}
	if (strcmp(word, "--ride") == 0 && (*argv)[1] != NULL)
		return settings_ride(&o->settings, *++*argv, f);
	if (strcmp(word, "--unplug") == 0 && (*argv)[1] != NULL)
		return take_unplug(&o->faults, *++*argv, f);
	return settings_apply(&o->settings, word, f);
}

static int take_orders(struct orders *o, char **argv, struct fault *f)
{
	*o = (struct orders){argv[1], argv[2], argv[3], argv[4], false, settings_default(), ride_no_faults()};
	for (argv += 5; *argv != NULL; argv++)
		if (take_one(o, &argv, f) != 0)
			return -1;
	return 0;
}

static void sum_up(const struct ride *r)
{
	const struct truth *t = ride_truth(r);
	printf("%.1f turns, %.0f to %.0f rpm\n", t->crank_turns, t->rpm_min, t->rpm_max);
}

static int ride(const struct orders *o, const struct ride_link *link, struct fault *f)
{
	struct engine e;
	if (engine_read(o->engine, &e, f) != 0)
		return -1;
	struct ride *r = ride_new(&e, &o->settings, &o->faults, o->elf, o->truth, link, f);
	int result = -1;
	if (r != NULL) {
		ride_run(r, o->settings.duration);
		result = ride_finish(r, f);
	}
	if (result == 0)
		sum_up(r);
	ride_free(r);
	engine_free(&e);
	return result;
}

static int ride_to_file(const struct orders *o, struct fault *f)
{
	FILE *out = fopen(o->out, "wb");
	if (out == NULL)
		return fault_set(f, EX_CANTCREAT, "%s: cannot write: %s", o->out, strerror(errno));
	const struct ride_link link = ride_link_file(out);
	int result = ride(o, &link, f);
	if (fclose(out) != 0 && result == 0)
		result = fault_set(f, EX_IOERR, "%s: cannot write: %s", o->out, strerror(errno));
	return result;
}

static int ride_live(const struct orders *o, struct fault *f)
{
	struct live *live = live_open(o->out, f);
	if (live == NULL)
		return -1;
	struct fault later;
	const struct ride_link link = live_link(live);
	int result = ride(o, &link, f);
	return live_close(live, result == 0 ? f : &later) != 0 ? -1 : result;
}

int main(int argc, char **argv)
{
	struct fault f = {0};
	struct orders o;
	if (argc < 5) {
		fprintf(stderr, "usage: avr-ride ENGINE ELF OUT TRUTH [--pty] [--unplug FROM,UNTIL] "
		                "[--ride NAME] [key=value ...]\n");
		return EX_USAGE;
	}
	if (take_orders(&o, argv, &f) != 0 || (o.pty ? ride_live(&o, &f) : ride_to_file(&o, &f)) != 0)
		return fail(&f);
	return EX_OK;
}
