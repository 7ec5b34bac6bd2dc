/* SPDX-License-Identifier: GPL-3.0-or-later */
/* trammel engine: what an engine file means, in plain words. */
#include "analyse/cli.h"
#include "analyse/commands.h"
#include "analyse/engine_sheet.h"

#include <getopt.h>
#include <sysexits.h>

static int help(void)
{
	puts("usage: trammel engine FILE\n\n"
	     "Checks an engine file and says what it means: strokes and volumes, thrust against\n"
	     "the limits, valve settings, sensor ranges, the ideal cut-off for each supply\n"
	     "pressure and the torque to expect. Mistakes are named with their line.\n\n"
	     "example: trammel engine sample-logs/number7.ini");
	return EX_OK;
}

int cmd_engine(int argc, char **argv)
{
	static const struct option options[] = {{"help", no_argument, NULL, 'h'}, {NULL, 0, NULL, 0}};
	struct engine e;
	struct fault f = {0};
	opterr = 0;
	optind = 1;
	for (int c; (c = getopt_long(argc, argv, "h", options, NULL)) != -1;) {
		if (c == 'h')
			return help();
		return cli_usage("engine", "unknown option %s", argv[optind - 1]);
	}
	if (argc - optind != 1)
		return cli_usage("engine", "name one engine file");
	if (engine_read(argv[optind], &e, &f) != 0)
		return cli_fault("engine", &f);
	engine_sheet_print(stdout, argv[optind], &e);
	engine_free(&e);
	return cli_finish("engine");
}
