/* SPDX-License-Identifier: GPL-3.0-or-later */
/* trammel report: the timing-error report of a ride. */
#include "analyse/cli.h"
#include "analyse/commands.h"
#include "analyse/export.h"
#include "analyse/progress.h"
#include "analyse/write_out.h"

#include <getopt.h>
#include <stdlib.h>
#include <sysexits.h>
#include <unistd.h>

struct choice {
	const char *engine, *json, *html, *csv;
	double rest_s;
	struct selection selection;
	bool no_colour;
};

static int help(void)
{
	puts("usage: trammel report RUN... [options]\n\n"
	     "Says which valves were late or early and by how much, over how much of each\n"
	     "stroke the air pushed, where the rest of the work went, and whether the crank\n"
	     "count can be trusted.\n\n"
	     "RUN is a directory of segments or one *.tram file, with @N for its N-th ride\n"
	     "(see trammel runs); without @N the newest.\n\n"
	     "--html FILE     one self-contained page with pictures\n"
	     "--json FILE     every number, schema trammel.report/1; - = standard output,\n"
	     "                in place of the text\n"
	     "--csv DIR       the tables of trammel export\n" SELECTION_HELP
	     "--engine FILE   use this engine file instead of the one in the log\n"
	     "--rest SECONDS  a ride ends where the crank rests this long (60)\n"
	     "--no-colour     no colour, also on a terminal\n\n"
	     "examples:\n"
	     "  trammel report rides\n"
	     "  trammel report rides --speed 140..160\n"
	     "  trammel report rides@2 --html ride2.html\n"
	     "  trammel report rides --json - | jq .advice");
	return EX_OK;
}

/* --- one ride ---------------------------------------------------------- */

struct gather { /* the rows behind the report: points for the page, tables */
	struct report *report;
	struct export *tables; /* NULL = none asked for */
	struct progress progress;
};

static int gather_rows(void *ctx, const struct analysis_rows *rows, struct fault *fault)
{
	struct gather *g = ctx;
	report_note_events(g->report, rows->event, rows->event_n);
	return g->tables == NULL ? 0 : export_rows(g->tables, rows, fault);
}

static void note_progress(void *ctx, double done)
{
	struct gather *g = ctx;
	progress_note(&g->progress, done);
}

static int analyse(const struct choice *o, struct ride *ride, struct report *r, struct fault *f)
{
	struct gather g = {.report = r, .progress = progress_start()};
	/* No tables are begun for a log that holds nothing. */
	if (o->csv != NULL &&
	    (ride_settle(ride, f) < 0 || (g.tables = export_open(o->csv, ride_engine(ride), f)) == NULL))
		return -1;
	const struct analysis_sink sink = {
	    .ctx = &g, .rows = gather_rows, .progress = note_progress, .selection = &o->selection};
	int status = analysis_run(ride, &sink, r, f);
	progress_end(&g.progress);
	if (g.tables != NULL && export_close(g.tables, status == 0 ? f : NULL) != 0)
		status = -1;
	return status;
}

static int write_file(const char *path, const struct report *r, int (*render)(const struct report *, FILE *),
                      struct fault *f)
{
	FILE *out = write_out_open(path, f);
	return out == NULL ? -1 : write_out_close(out, path, render(r, out), f);
}

static int render(const struct choice *o, const struct report *r, struct fault *f)
{
	if (o->json != NULL && write_file(o->json, r, report_json, f) != 0)
		return -1;
	if (o->html != NULL && write_file(o->html, r, report_html, f) != 0)
		return -1;
	if (write_out_is_stdout(o->json) || write_out_is_stdout(o->html))
		return 0;
	return report_text(r, stdout, !o->no_colour && isatty(STDOUT_FILENO));
}

static int report_run(const struct choice *o, const char *run)
{
	struct fault f = {0};
	struct report *r = malloc(sizeof *r);
	bool places = write_out_check_file(o->json, &f) == 0 && write_out_check_file(o->html, &f) == 0;
	struct ride *ride = places ? ride_open_unlisted(run, o->engine, o->rest_s, &f) : NULL;
	int status = -1;
	if (r == NULL)
		fault_set(&f, EX_OSERR, "out of memory");
	else if (ride != NULL && analyse(o, ride, r, &f) == 0)
		status = render(o, r, &f);
	ride_close(ride);
	free(r);
	if (status != 0 && f.exit_code != 0)
		return cli_fault("report", &f);
	return cli_finish("report");
}

/* --- the command line -------------------------------------------------- */

enum { OPTION_ENGINE = 256, OPTION_JSON, OPTION_HTML, OPTION_CSV, OPTION_REST, OPTION_NO_COLOUR };

static const struct option OPTIONS[] = {{"engine", required_argument, NULL, OPTION_ENGINE},
                                        {"json", required_argument, NULL, OPTION_JSON},
                                        {"html", required_argument, NULL, OPTION_HTML},
                                        {"csv", required_argument, NULL, OPTION_CSV},
                                        {"rest", required_argument, NULL, OPTION_REST},
                                        SELECTION_OPTIONS,
                                        {"no-colour", no_argument, NULL, OPTION_NO_COLOUR},
                                        {"help", no_argument, NULL, 'h'},
                                        {NULL, 0, NULL, 0}};

static int take(struct choice *o, int option, char **argv)
{
	if (selection_is_option(option))
		return selection_take(&o->selection, "report", option, optarg);
	switch (option) {
	case OPTION_ENGINE:
		o->engine = optarg;
		return EX_OK;
	case OPTION_JSON:
		o->json = optarg;
		return EX_OK;
	case OPTION_HTML:
		o->html = optarg;
		return EX_OK;
	case OPTION_CSV:
		o->csv = optarg;
		return EX_OK;
	case OPTION_REST:
		return cli_positive("report", "--rest", optarg, &o->rest_s) ? EX_OK : EX_USAGE;
	case OPTION_NO_COLOUR:
		o->no_colour = true;
		return EX_OK;
	default:
		return cli_usage("report", "unknown option or missing value: %s", argv[optind - 1]);
	}
}

int cmd_report(int argc, char **argv)
{
	struct choice o = {.rest_s = CLI_REST_S, .selection = selection_all()};
	int code = EX_OK;
	opterr = 0;
	optind = 1;
	for (int c; code == EX_OK && (c = getopt_long(argc, argv, "h", OPTIONS, NULL)) != -1;) {
		if (c == 'h')
			return help();
		code = take(&o, c, argv);
	}
	if (code == EX_OK)
		code = selection_check(&o.selection, "report");
	if (code != EX_OK)
		return code;
	bool one_only = o.json != NULL || o.html != NULL || o.csv != NULL;
	if (optind >= argc)
		return cli_usage("report", "name a ride (a directory or a segment file)");
	if (one_only && argc - optind > 1)
		return cli_usage("report", "--json, --html and --csv take one ride at a time");
	if (write_out_is_stdout(o.json) && write_out_is_stdout(o.html))
		return cli_usage("report", "only one of --json and --html can go to standard output");
	for (int i = optind; i < argc && code == EX_OK; i++)
		code = report_run(&o, argv[i]);
	return code;
}
