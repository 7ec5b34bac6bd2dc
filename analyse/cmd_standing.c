/* SPDX-License-Identifier: GPL-3.0-or-later */
/* trammel standing: how fast the valves are, tested at rest. */
#include "analyse/cli.h"
#include "analyse/commands.h"
#include "analyse/ride.h"
#include "analyse/standing.h"
#include "analyse/text_page.h"

#include "common/unit.h"

#include <getopt.h>
#include <math.h>
#include <stdlib.h>
#include <sysexits.h>

static int help(void)
{
	puts("usage: trammel standing RUN [--engine FILE] [--rest SECONDS]\n\n"
	     "Reads a valve test at rest: block the crank about half way along the stroke,\n"
	     "pressurise, let the controller give each valve some dozen pulses of 100 ms,\n"
	     "half a second apart, at several supply pressures. An end whose inlet was pulsed\n"
	     "has to be emptied by its exhaust before the next pulse.\n\n"
	     "For each valve it says, from the edge of the command:\n"
	     "  10 %       until the pressure has changed by 10 % of the test pressure, in the\n"
	     "             manner of ISO 12238 (threshold: value from memory); openings only\n"
	     "  half       until half the passage's area is open (or shut), from the chamber's\n"
	     "             gas balance; this is what the report calls delay\n"
	     "each with its 95 % interval, and how it changes with the supply pressure.\n"
	     "Other standards use 50 %, 90 % or the first change, which more than doubles it.\n\n"
	     "--engine FILE   instead of the engine file in the log\n"
	     "--rest SECONDS  where the crank rests this long one ride ends (60)\n\n"
	     "example: trammel standing bench-test\n\n"
	     "Keep hands and clothes away: a blocked crank is loaded, and a block can slip.");
	return EX_OK;
}

static double half_width(const double ci95[2])
{
	return (ci95[1] - ci95[0]) / 2;
}

/* "17.2 +/- 0.1", or a dash. */
static const char *time_cell(char *text, size_t size, const struct delay_mean *m)
{
	if (isnan(m->mean))
		snprintf(text, size, "-");
	else if (isnan(m->ci95[0]))
		snprintf(text, size, "%.1f", 1e3 * m->mean);
	else
		snprintf(text, size, "%.1f +/- %.1f", 1e3 * m->mean, 1e3 * half_width(m->ci95));
	return text;
}

static const char *passage_of(const struct standing_row *r)
{
	bool inlet = r->event == EVENT_ADMISSION || r->event == EVENT_CUT_OFF;
	if (r->end == END_CAP)
		return engine_passage_name(inlet ? PASSAGE_CAP_INLET : PASSAGE_CAP_EXHAUST);
	return engine_passage_name(inlet ? PASSAGE_ROD_INLET : PASSAGE_ROD_EXHAUST);
}

static bool opens(const struct standing_row *r)
{
	return r->event == EVENT_ADMISSION || r->event == EVENT_RELEASE;
}

static void print_row(const struct text_page *p, const struct engine *e, const struct standing_row *r)
{
	char ten[40], half[40], supply[40] = "-", scatter[20] = "-";
	if (!isnan(r->supply_pa[0]))
		snprintf(supply, sizeof supply, "%.1f to %.1f",
		         unit_bar_gauge(r->supply_pa[0], e->ambient_pa),
		         unit_bar_gauge(r->supply_pa[1], e->ambient_pa));
	if (!isnan(r->t50.spread))
		snprintf(scatter, sizeof scatter, "%.1f", 1e3 * r->t50.spread);
	text_line(p, TONE_PLAIN, "%3u %-11s %-5s %4u %4u  %-12s %-12s %4s  %s", r->valve, passage_of(r),
	          opens(r) ? "opens" : "shuts", r->commands, r->seen, time_cell(ten, sizeof ten, &r->t10),
	          time_cell(half, sizeof half, &r->t50), scatter, supply);
	if (!isnan(r->per_pa))
		text_line(p, TONE_PLAIN, "     with the supply pressure: %+.2f ms a bar (%+.2f to %+.2f)",
		          1e8 * r->per_pa, 1e8 * r->per_pa_ci95[0], 1e8 * r->per_pa_ci95[1]);
	if (r->missed > 0)
		text_line(p, TONE_BAD, "     did not move %u times", r->missed);
	if (r->turning > 0)
		text_line(p, TONE_BAD, "     %u pulses left out: the crank moved", r->turning);
	if (r->seen < r->commands - r->turning - r->missed && !opens(r))
		text_line(p, TONE_FAINT, "     %s: nothing flows any more when it shuts; give shorter pulses",
		          r->seen == 0 ? "not seen" : "the rest cannot be seen");
}

static void print_rows(const char *name, const struct engine *e, const struct standing_row *rows, int n)
{
	const struct text_page page = {.out = stdout, .colour = false};
	printf("%s: valve test at rest, %s\n", e->name, name);
	text_heading(&page, "Shifting times from the edge of the command, ms");
	text_line(&page, TONE_PLAIN, "    %-11s %-5s %4s %4s  %-12s %-12s %4s  %s", "passage", "", "sent",
	          "seen", "10 % *", "half **", "sd", "supply (bar g)");
	for (int i = 0; i < n; i++)
		print_row(&page, e, &rows[i]);
	text_para(
	    &page, 2, 2, TONE_FAINT,
	    "* until the pressure has changed by 10 %% of the test pressure, in the manner of ISO 12238 "
	    "(threshold: value from memory). ** until half the area is open or shut, from the gas balance; "
	    "the report's delay. +/-: 95 %% interval of the mean, with what all pulses are off by together; "
	    "sd: scatter of one movement.");
}

static int check(const struct engine *e, const struct standing_row *rows, int n, const char *run,
                 struct fault *f)
{
	unsigned seen = 0;
	if (n == 0)
		return fault_set(f, EX_DATAERR, "%s: the log holds no valve commands", run);
	if (engine_sensor_channel(e, SENSOR_CAP) < 0 && engine_sensor_channel(e, SENSOR_ROD) < 0)
		return fault_set(
		    f, EX_DATAERR,
		    "%s: the engine file names no pressure sensor at either end; without one it cannot "
		    "be seen when a valve moves",
		    run);
	for (int i = 0; i < n; i++)
		seen += rows[i].seen;
	if (seen == 0)
		return fault_set(
		    f, EX_DATAERR,
		    "%s: %d kinds of valve movement were commanded, none shows in the pressures; was "
		    "there air?",
		    run, n);
	return 0;
}

static int measure(struct ride *ride, struct standing *s, struct fault *f)
{
	const struct leg *leg;
	int got;
	while ((got = ride_next_leg(ride, &leg, f)) > 0)
		if (standing_measure(s, leg, f) != 0)
			return -1;
	return got;
}

static int run(const char *name, const char *engine_file, double rest_s, struct fault *f)
{
	struct standing_row rows[STANDING_ROWS];
	struct ride *ride = ride_open(name, engine_file, rest_s, f);
	if (ride == NULL)
		return -1;
	const struct engine *e = ride_engine(ride);
	const struct mech m = mech_of(e);
	struct standing *s = standing_new(e, &m);
	int status = s == NULL ? fault_set(f, EX_OSERR, "out of memory") : measure(ride, s, f);
	int n = status == 0 ? standing_finish(s, rows) : 0;
	if (n < 0)
		status = fault_set(f, EX_OSERR, "out of memory");
	if (status == 0)
		status = check(e, rows, n, name, f);
	if (status == 0)
		print_rows(ride_name(ride), e, rows, n);
	standing_free(s);
	ride_close(ride);
	return status;
}

int cmd_standing(int argc, char **argv)
{
	static const struct option options[] = {{"engine", required_argument, NULL, 'e'},
	                                        {"rest", required_argument, NULL, 'r'},
	                                        {"help", no_argument, NULL, 'h'},
	                                        {NULL, 0, NULL, 0}};
	const char *engine_file = NULL;
	double rest_s = CLI_REST_S;
	struct fault f = {0};
	opterr = 0;
	optind = 1;
	for (int c; (c = getopt_long(argc, argv, "h", options, NULL)) != -1;) {
		if (c == 'h')
			return help();
		if (c == 'e')
			engine_file = optarg;
		else if (c != 'r')
			return cli_usage("standing", "unknown option %s", argv[optind - 1]);
		else if (!cli_positive("standing", "--rest", optarg, &rest_s))
			return EX_USAGE;
	}
	if (argc - optind != 1)
		return cli_usage("standing", "name one run");
	if (run(argv[optind], engine_file, rest_s, &f) != 0)
		return cli_fault("standing", &f);
	return cli_finish("standing");
}
