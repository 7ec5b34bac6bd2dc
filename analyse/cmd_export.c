/* SPDX-License-Identifier: GPL-3.0-or-later */
/* trammel export: the numbers behind the report as CSV tables. */
#include "analyse/cli.h"
#include "analyse/commands.h"
#include "analyse/export.h"

#include <getopt.h>
#include <stdlib.h>
#include <sysexits.h>

struct choice {
	const char *run, *engine, *csv;
	double rest_s;
	struct selection selection;
};

static int help(void)
{
	puts("usage: trammel export RUN --csv DIR [--engine FILE] [--rest SECONDS]\n\n"
	     "Writes into DIR (made when missing) the numbers behind the report:\n"
	     "  crank.csv         where the crank was at every tooth edge\n"
	     "  pressures.csv     every pressure, bar absolute, against crank angle\n"
	     "  valve_events.csv  every command and when its valve really moved\n"
	     "  strokes.csv       work, useful angle and air of every stroke\n"
	     "Times are microseconds of the controller's clock; an empty field is a number\n"
	     "that is not known. Tables of these names already in DIR are replaced.\n\n"
	     "RUN is a directory of segments or one *.tram file, with @N for its N-th ride.\n" SELECTION_HELP
	     "--engine FILE   use this engine file instead of the one in the log\n"
	     "--rest SECONDS  a ride ends where the crank rests this long (60)\n\n"
	     "example: trammel export rides@2 --csv tables");
	return EX_OK;
}

static int write_tables(const struct choice *o, struct ride *ride, struct report *r, struct fault *f)
{
	struct export *x = export_open(o->csv, ride_engine(ride), f);
	if (x == NULL)
		return -1;
	const struct analysis_sink sink = {.ctx = x, .rows = export_rows, .selection = &o->selection};
	int status = analysis_run(ride, &sink, r, f);
	if (export_close(x, status == 0 ? f : NULL) != 0)
		status = -1;
	return status;
}

static int run(const struct choice *o)
{
	struct fault f = {0};
	struct report *r = malloc(sizeof *r);
	struct ride *ride = ride_open(o->run, o->engine, o->rest_s, &f);
	int status = -1;
	if (r == NULL)
		fault_set(&f, EX_OSERR, "out of memory");
	else if (ride != NULL)
		status = write_tables(o, ride, r, &f);
	ride_close(ride);
	free(r);
	return status == 0 ? EX_OK : cli_fault("export", &f);
}

int cmd_export(int argc, char **argv)
{
	static const struct option options[] = {
	    {"csv", required_argument, NULL, 'c'},  {"engine", required_argument, NULL, 'e'},
	    {"rest", required_argument, NULL, 'r'}, SELECTION_OPTIONS,
	    {"help", no_argument, NULL, 'h'},       {NULL, 0, NULL, 0}};
	struct choice o = {.rest_s = CLI_REST_S, .selection = selection_all()};
	opterr = 0;
	optind = 1;
	for (int c; (c = getopt_long(argc, argv, "h", options, NULL)) != -1;) {
		if (c == 'h')
			return help();
		if (selection_is_option(c)) {
			if (selection_take(&o.selection, "export", c, optarg) != EX_OK)
				return EX_USAGE;
		} else if (c == 'c')
			o.csv = optarg;
		else if (c == 'e')
			o.engine = optarg;
		else if (c != 'r')
			return cli_usage("export", "unknown option or missing value: %s", argv[optind - 1]);
		else if (!cli_positive("export", "--rest", optarg, &o.rest_s))
			return EX_USAGE;
	}
	if (selection_check(&o.selection, "export") != EX_OK)
		return EX_USAGE;
	if (argc - optind != 1)
		return cli_usage("export", "name one ride (a directory or a segment file)");
	if (o.csv == NULL)
		return cli_usage("export", "say where the tables go: --csv DIR");
	o.run = argv[optind];
	return run(&o);
}
