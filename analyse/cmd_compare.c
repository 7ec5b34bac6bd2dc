/* SPDX-License-Identifier: GPL-3.0-or-later */
/* trammel compare: before and after. */
#include "analyse/analysis.h"
#include "analyse/cli.h"
#include "analyse/commands.h"
#include "analyse/compare.h"
#include "analyse/progress.h"
#include "analyse/write_out.h"

#include <getopt.h>
#include <stdlib.h>
#include <sysexits.h>
#include <unistd.h>

struct choice {
	const char *engine, *json;
	double rest_s;
	struct selection selection; /* of every ride alike */
	bool no_colour;
};

static int help(void)
{
	puts("usage: trammel compare RUN RUN... [options]\n\n"
	     "Did the change help? Puts every later ride beside the first: errors and delays\n"
	     "of the valves, angle that pushed, work, diagram factor, air, count. Each\n"
	     "difference comes with its 95 % interval; where the interval holds nought, no\n"
	     "difference is shown.\n\n"
	     "--json FILE     the numbers, schema trammel.compare/1; - = standard output, in\n"
	     "                place of the text; two rides only\n" SELECTION_HELP
	     "--engine FILE   use this engine file for all rides instead of those in the logs\n"
	     "--rest SECONDS  a ride ends where the crank rests this long (60)\n"
	     "--no-colour     no colour, also on a terminal\n\n"
	     "example: trammel compare rides@4 rides@5");
	return EX_OK;
}

static struct report *analyse(const struct choice *o, const char *run, struct fault *f)
{
	struct ride *ride = ride_open(run, o->engine, o->rest_s, f);
	if (ride == NULL)
		return NULL;
	struct progress progress = progress_start();
	const struct analysis_sink sink = {
	    .ctx = &progress, .progress = progress_note, .selection = &o->selection};
	struct report *r = malloc(sizeof *r);
	if (r == NULL)
		fault_set(f, EX_OSERR, "out of memory");
	else if (analysis_run(ride, &sink, r, f) != 0) {
		free(r);
		r = NULL;
	}
	progress_end(&progress);
	/* The name and the numbers stay; the engine file's text went with the ride. */
	ride_close(ride);
	return r;
}

static int write_json(const char *path, const struct comparison *c, const struct report *before,
                      const struct report *after, struct fault *f)
{
	FILE *out = write_out_open(path, f);
	return out == NULL ? -1 : write_out_close(out, path, compare_json(c, before, after, out), f);
}

static int compare_one(const struct choice *o, const struct report *before, const char *run, struct fault *f)
{
	struct report *after = analyse(o, run, f);
	struct comparison *c = malloc(sizeof *c);
	int status = after == NULL || c == NULL ? -1 : 0;
	if (c == NULL && after != NULL)
		fault_set(f, EX_OSERR, "out of memory");
	if (status == 0) {
		compare_reports(before, after, c);
		if (o->json != NULL)
			status = write_json(o->json, c, before, after, f);
		if (!write_out_is_stdout(o->json))
			compare_text(c, before, after, stdout, !o->no_colour && isatty(STDOUT_FILENO));
	}
	free(c);
	free(after);
	return status;
}

static int compare_all(const struct choice *o, char **run, int n)
{
	struct fault f = {0};
	struct report *before = analyse(o, run[0], &f);
	int status = before == NULL ? -1 : 0;
	for (int i = 1; i < n && status == 0; i++) {
		if (i > 1)
			putchar('\n');
		status = compare_one(o, before, run[i], &f);
	}
	free(before);
	return status == 0 ? cli_finish("compare") : cli_fault("compare", &f);
}

int cmd_compare(int argc, char **argv)
{
	static const struct option options[] = {{"engine", required_argument, NULL, 'e'},
	                                        {"json", required_argument, NULL, 'j'},
	                                        {"rest", required_argument, NULL, 'r'},
	                                        {"no-colour", no_argument, NULL, 'n'},
	                                        SELECTION_OPTIONS,
	                                        {"help", no_argument, NULL, 'h'},
	                                        {NULL, 0, NULL, 0}};
	struct choice o = {.rest_s = CLI_REST_S, .selection = selection_all()};
	opterr = 0;
	optind = 1;
	for (int c; (c = getopt_long(argc, argv, "h", options, NULL)) != -1;) {
		if (c == 'h')
			return help();
		if (selection_is_option(c)) {
			if (selection_take(&o.selection, "compare", c, optarg) != EX_OK)
				return EX_USAGE;
		} else if (c == 'e')
			o.engine = optarg;
		else if (c == 'j')
			o.json = optarg;
		else if (c == 'n')
			o.no_colour = true;
		else if (c != 'r')
			return cli_usage("compare", "unknown option or missing value: %s", argv[optind - 1]);
		else if (!cli_positive("compare", "--rest", optarg, &o.rest_s))
			return EX_USAGE;
	}
	if (selection_check(&o.selection, "compare") != EX_OK)
		return EX_USAGE;
	if (argc - optind < 2)
		return cli_usage("compare", "name two rides or more: the one before, then those after");
	if (o.json != NULL && argc - optind > 2)
		return cli_usage("compare", "--json takes two rides");
	return compare_all(&o, argv + optind, argc - optind);
}
