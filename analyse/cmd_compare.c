/* SPDX-License-Identifier: GPL-3.0-or-later */
/* trammel compare: before and after. */
#include "analyse/analysis.h"
#include "analyse/cli.h"
#include "analyse/commands.h"
#include "analyse/compare.h"
#include "analyse/html_rows.h"
#include "analyse/progress.h"
#include "analyse/write_out.h"

#include <getopt.h>
#include <stdlib.h>
#include <sysexits.h>
#include <unistd.h>

struct choice {
	const char *engine, *json, *html;
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
	     "--html FILE     one self-contained page with the rides' diagrams laid over each\n"
	     "                other; four rides at most\n"
	     "--json FILE     the numbers, schema trammel.compare/1; - = standard output, in\n"
	     "                place of the text; two rides only\n" SELECTION_HELP
	     "--engine FILE   use this engine file for all rides instead of those in the logs\n"
	     "--rest SECONDS  a ride ends where the crank rests this long (60)\n"
	     "--no-colour     no colour, also on a terminal\n\n"
	     "example: trammel compare rides@4 rides@5 --html did-it-help.html");
	return EX_OK;
}

static struct report *analyse(const struct choice *o, const char *run, struct fault *f)
{
	struct ride *ride = ride_open_unlisted(run, o->engine, o->rest_s, f);
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

/* What a command line of n rides needs; ride[i], difference[i] as compare_html() wants them. */
struct table {
	size_t n;
	struct report **ride;
	struct comparison *difference;
};

static void table_free(struct table *t)
{
	for (size_t i = 0; t->ride != NULL && i < t->n; i++)
		free(t->ride[i]);
	free(t->ride);
	free(t->difference);
}

static int table_fill(struct table *t, const struct choice *o, char **run, struct fault *f)
{
	t->ride = calloc(t->n, sizeof *t->ride);
	t->difference = calloc(t->n, sizeof *t->difference);
	if (t->ride == NULL || t->difference == NULL) {
		fault_set(f, EX_OSERR, "out of memory");
		return -1;
	}
	for (size_t i = 0; i < t->n; i++) {
		t->ride[i] = analyse(o, run[i], f);
		if (t->ride[i] == NULL)
			return -1;
		if (i > 0)
			compare_reports(t->ride[0], t->ride[i], &t->difference[i]);
	}
	return 0;
}

static int write_files(const struct choice *o, const struct table *t, struct fault *f)
{
	if (o->json != NULL) {
		FILE *out = write_out_open(o->json, f);
		if (out == NULL ||
		    write_out_close(out, o->json,
		                    compare_json(&t->difference[1], t->ride[0], t->ride[1], out), f) != 0)
			return -1;
	}
	if (o->html != NULL) {
		FILE *out = write_out_open(o->html, f);
		if (out == NULL || write_out_close(out, o->html,
		                                   compare_html((const struct report *const *)t->ride,
		                                                t->difference, t->n, out),
		                                   f) != 0)
			return -1;
	}
	return 0;
}

static void write_text(const struct choice *o, const struct table *t)
{
	bool colour = !o->no_colour && isatty(STDOUT_FILENO);
	for (size_t i = 1; i < t->n; i++) {
		if (i > 1)
			putchar('\n');
		compare_text(&t->difference[i], t->ride[0], t->ride[i], stdout, colour);
	}
}

static int compare_all(const struct choice *o, char **run, size_t n)
{
	struct fault f = {0};
	struct table t = {.n = n};
	int status = -1;
	if (write_out_check_file(o->json, &f) == 0 && write_out_check_file(o->html, &f) == 0)
		status = table_fill(&t, o, run, &f);
	if (status == 0)
		status = write_files(o, &t, &f);
	if (status == 0 && !write_out_is_stdout(o->json) && !write_out_is_stdout(o->html))
		write_text(o, &t);
	table_free(&t);
	return status == 0 ? cli_finish("compare") : cli_fault("compare", &f);
}

/* --- the command line -------------------------------------------------- */

static int check(const struct choice *o, int rides)
{
	if (rides < 2)
		return cli_usage("compare", "name two rides or more: the one before, then those after");
	if (o->json != NULL && rides > 2)
		return cli_usage("compare", "--json takes two rides");
	if (o->html != NULL && rides > HTML_RIDES_MAX)
		return cli_usage("compare", "--html takes %d rides at most", HTML_RIDES_MAX);
	if (write_out_is_stdout(o->json) && write_out_is_stdout(o->html))
		return cli_usage("compare", "only one of --json and --html can go to standard output");
	return EX_OK;
}

int cmd_compare(int argc, char **argv)
{
	static const struct option options[] = {
	    {"engine", required_argument, NULL, 'e'}, {"json", required_argument, NULL, 'j'},
	    {"html", required_argument, NULL, 'p'},   {"rest", required_argument, NULL, 'r'},
	    {"no-colour", no_argument, NULL, 'n'},    SELECTION_OPTIONS,
	    {"help", no_argument, NULL, 'h'},         {NULL, 0, NULL, 0}};
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
		else if (c == 'p')
			o.html = optarg;
		else if (c == 'n')
			o.no_colour = true;
		else if (c != 'r')
			return cli_usage("compare", "unknown option or missing value: %s", argv[optind - 1]);
		else if (!cli_positive("compare", "--rest", optarg, &o.rest_s))
			return EX_USAGE;
	}
	if (selection_check(&o.selection, "compare") != EX_OK)
		return EX_USAGE;
	int code = check(&o, argc - optind);
	return code != EX_OK ? code : compare_all(&o, argv + optind, (size_t)(argc - optind));
}
