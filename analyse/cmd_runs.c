/* SPDX-License-Identifier: GPL-3.0-or-later */
/* trammel runs: what rides a log holds. */
#include "analyse/cli.h"
#include "analyse/commands.h"
#include "analyse/ride.h"

#include <getopt.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>
#include <time.h>

static int help(void)
{
	puts("usage: trammel runs DIR [--rest SECONDS]\n\n"
	     "Lists the rides in a directory of segments (or one *.tram file). A ride ends\n"
	     "where the crank rests for --rest seconds (60). Name a ride to the other\n"
	     "commands as DIR@N.\n\n"
	     "example: trammel runs rides && trammel report rides@2");
	return EX_OK;
}

static void print_start(int64_t utc_us)
{
	char text[40] = "start time not known";
	time_t s = (time_t)(utc_us / 1000000);
	struct tm tm;
	if (utc_us != 0 && gmtime_r(&s, &tm) != NULL)
		strftime(text, sizeof text, "%Y-%m-%dT%H:%M:%SZ", &tm);
	printf("  %s\n", text);
}

static void print_rides(const char *run, const struct ride_listing *l, int n)
{
	printf("%s: %d ride%s\n", run, n, n == 1 ? "" : "s");
	printf("%6s %12s %12s %10s %10s %10s %10s\n", "ride", "start (s)", "length (s)", "teeth", "commands",
	       "samples", "records");
	for (int i = 0; i < n; i++) {
		printf("%6u %12.1f %12.1f %10llu %10llu %10llu %10llu", l[i].number, l[i].start_s,
		       l[i].duration_s, (unsigned long long)l[i].teeth, (unsigned long long)l[i].commands,
		       (unsigned long long)l[i].samples, (unsigned long long)l[i].records);
		print_start(l[i].start_utc_us);
	}
}

int cmd_runs(int argc, char **argv)
{
	static const struct option options[] = {
	    {"rest", required_argument, NULL, 'r'}, {"help", no_argument, NULL, 'h'}, {NULL, 0, NULL, 0}};
	double rest_s = CLI_REST_S;
	opterr = 0;
	optind = 1;
	for (int c; (c = getopt_long(argc, argv, "h", options, NULL)) != -1;) {
		if (c == 'h')
			return help();
		if (c != 'r')
			return cli_usage("runs", "unknown option %s", argv[optind - 1]);
		if (!cli_positive("runs", "--rest", optarg, &rest_s))
			return EX_USAGE;
	}
	if (argc - optind != 1)
		return cli_usage("runs", "name one directory or segment file");
	struct ride_listing *list = NULL;
	struct fault f = {0};
	int n = ride_list(argv[optind], rest_s, &list, &f);
	if (n < 0)
		return cli_fault("runs", &f);
	if (n == 0) {
		fault_set(&f, EX_DATAERR,
		          "%s: the log holds no records; was anything connected to the recorder?",
		          argv[optind]);
		return cli_fault("runs", &f);
	}
	print_rides(argv[optind], list, n);
	free(list);
	return cli_finish("runs");
}
