/* SPDX-License-Identifier: GPL-3.0-or-later */
/* trammel rehearse: a simulated ride of an engine, with its truth. */
#include "analyse/cli.h"
#include "analyse/commands.h"
#include "analyse/rehearse/outlet.h"
#include "analyse/rehearse/rehearse.h"
#include "analyse/rehearse/timing.h"

#include <errno.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>
#include <time.h>

#define COMMAND "rehearse"
#define TURN_S 0.02 /* played live, records go out this often */

struct request {
	const char *engine, *out, *onto, *truth, *ride, *timing, *lead_ms, *duration, *link_words, *seed;
	bool pty;
	enum link_kind link;
	double pace;
	struct cli_list sets;
	struct settings settings;
};

static int help(void)
{
	puts("usage: trammel rehearse ENGINE --out FILE [option ...]\n"
	     "       trammel rehearse ENGINE --pty | --onto DEVICE [option ...]\n\n"
	     "Simulates a ride of this engine (air, valves, crank, pick-ups, controller, sensors,\n"
	     "sender) and sends what its controller would send. The same seed gives the same bytes.\n\n"
	     "  --out FILE       write the link's bytes to FILE; - is standard output\n"
	     "  --pty            make a pseudo-terminal, print its path, wait for a reader, play in time\n"
	     "  --onto DEVICE    play in time onto a terminal or FIFO that exists\n"
	     "  --pace X         play X times as fast (with --pty or --onto; default 1)\n"
	     "  --link KIND      lines (default) or frames\n"
	     "  --truth DIR      write what really happened: truth.json, crank_truth.csv,\n"
	     "                   valve_truth.csv, stroke_truth.csv\n"
	     "  --seed N         random seed (default 1)\n"
	     "  --duration S     length of the ride in seconds (default 60)\n"
	     "  --ride NAME      start from a named ride\n"
	     "  --timing FILE    what the controller has loaded: [valve N] with opens, shuts, lead open,\n"
	     "                   lead shut\n"
	     "  --lead-ms X      the controller switches every valve X ms early\n"
	     "  --set KEY=VALUE  change one thing; KEY.N=VALUE for one valve, channel or passage\n\n"
	     "rides:");
	settings_list_rides(stdout);
	puts("\nkeys:");
	settings_list(stdout);
	puts("\nexample: trammel rehearse sample-logs/number7.ini --ride late --out late.lines --truth "
	     "late-truth");
	return cli_finish(COMMAND);
}

static int read_link(const char *text, enum link_kind *link)
{
	if (strcmp(text, "lines") == 0)
		*link = LINK_LINES;
	else if (strcmp(text, "frames") == 0)
		*link = LINK_FRAMES;
	else
		return cli_usage(COMMAND, "--link is lines or frames, not \"%s\"", text);
	return EX_OK;
}

static int read_seed(const char *text, uint64_t *seed)
{
	char *end;
	errno = 0;
	*seed = strtoull(text, &end, 10);
	if (errno != 0 || *text < '0' || *text > '9' || *end != '\0')
		return cli_usage(COMMAND, "--seed wants a whole number, not \"%s\"", text);
	return EX_OK;
}

static int take_options(struct request *q, int argc, char **argv)
{
	const struct cli_option options[] = {
	    {"out", CLI_TEXT, &q->out},         {"pty", CLI_FLAG, &q->pty},
	    {"onto", CLI_TEXT, &q->onto},       {"pace", CLI_POSITIVE, &q->pace},
	    {"link", CLI_TEXT, &q->link_words}, {"truth", CLI_TEXT, &q->truth},
	    {"seed", CLI_TEXT, &q->seed},       {"duration", CLI_TEXT, &q->duration},
	    {"ride", CLI_TEXT, &q->ride},       {"timing", CLI_TEXT, &q->timing},
	    {"lead-ms", CLI_TEXT, &q->lead_ms}, {"set", CLI_LIST, &q->sets},
	};
	int operand,
	    code = cli_options(COMMAND, options, sizeof options / sizeof *options, argc, argv, &operand);
	if (code == EX_OK && q->link_words != NULL)
		code = read_link(q->link_words, &q->link);
	if (code == EX_OK && q->seed != NULL)
		code = read_seed(q->seed, &q->settings.seed);
	if (code != EX_OK)
		return code;
	if (argc - operand != 1)
		return cli_usage(COMMAND, "name one engine file");
	q->engine = argv[operand];
	if ((q->out != NULL) + (q->onto != NULL) + q->pty != 1)
		return cli_usage(COMMAND, "say where to: one of --out, --onto, --pty");
	return EX_OK;
}

static int set_to(struct settings *s, const char *key, const char *value, struct fault *f)
{
	char text[200];
	if (value == NULL)
		return 0;
	snprintf(text, sizeof text, "%s=%s", key, value);
	return settings_apply(s, text, f);
}

/* The ride first, then the timing file, then single settings. */
static int make_settings(struct request *q, struct fault *f)
{
	struct settings *s = &q->settings;
	if (q->ride != NULL && settings_ride(s, q->ride, f) != 0)
		return -1;
	if (q->timing != NULL && timing_read(q->timing, s, f) != 0)
		return -1;
	if (set_to(s, "duration", q->duration, f) != 0 || set_to(s, "lead_open", q->lead_ms, f) != 0 ||
	    set_to(s, "lead_shut", q->lead_ms, f) != 0)
		return -1;
	for (size_t i = 0; i < q->sets.n; i++)
		if (settings_apply(s, q->sets.text[i], f) != 0)
			return -1;
	return 0;
}

static struct outlet *open_pty(enum link_kind link, struct fault *f)
{
	char slave[128];
	struct outlet *o = outlet_pty(link, slave, sizeof slave, f);
	if (o == NULL)
		return NULL;
	printf("%s\n", slave);
	fflush(stdout);
	if (outlet_wait_for_reader(o, f) == 0)
		return o;
	outlet_abandon(o);
	return NULL;
}

static struct outlet *open_outlet(const struct request *q, struct fault *f)
{
	if (q->pty)
		return open_pty(q->link, f);
	return q->onto != NULL ? outlet_device(q->onto, q->link, f) : outlet_file(q->out, q->link, f);
}

static void add_seconds(struct timespec *t, double s)
{
	long long ns = t->tv_nsec + (long long)(s * 1e9);
	t->tv_sec += (time_t)(ns / 1000000000);
	t->tv_nsec = (long)(ns % 1000000000);
}

/* In time with the host's clock, `pace` times as fast. */
static int play(struct rehearse *r, struct outlet *o, const struct request *q, struct fault *f)
{
	struct timespec due;
	signal(SIGPIPE, SIG_IGN); /* a reader may go; the sender talks on */
	clock_gettime(CLOCK_MONOTONIC, &due);
	for (double t = TURN_S * q->pace; t < q->settings.duration + TURN_S * q->pace;
	     t += TURN_S * q->pace) {
		if (rehearse_run(r, t) != 0)
			return 0; /* rehearse_finish or the outlet tells why */
		if (outlet_flush(o, f) != 0)
			return -1;
		add_seconds(&due, TURN_S);
		clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &due, NULL);
	}
	return 0;
}

static int run(const struct request *q, const struct engine *e, struct outlet *o, struct fault *f)
{
	struct rehearse_sink sink = outlet_sink(o);
	struct rehearse *r = rehearse_new(e, &q->settings, q->truth, &sink, f);
	if (r == NULL)
		return -1;
	int result = 0;
	if (q->out == NULL)
		result = play(r, o, q, f);
	else
		rehearse_run(r, q->settings.duration); /* a refusing outlet keeps its own reason */
	if (result == 0)
		result = rehearse_finish(r, f);
	rehearse_free(r);
	return result;
}

static int rehearse(const struct request *q, struct fault *f)
{
	struct engine e;
	if (engine_read(q->engine, &e, f) != 0)
		return -1;
	struct outlet *o = open_outlet(q, f);
	int result = o == NULL ? -1 : run(q, &e, o, f);
	if (o != NULL && result != 0)
		outlet_abandon(o);
	else if (o != NULL)
		result = outlet_close(o, f);
	engine_free(&e);
	return result;
}

int cmd_rehearse(int argc, char **argv)
{
	if (cli_wants_help(argc, argv))
		return help();
	struct request q = {.link = LINK_LINES, .pace = 1, .settings = settings_default()};
	struct fault f = {0};
	q.sets = (struct cli_list){calloc((size_t)argc, sizeof(char *)), 0, (size_t)argc};
	if (q.sets.text == NULL)
		return EX_OSERR;
	int code = take_options(&q, argc, argv);
	if (code == EX_OK && (make_settings(&q, &f) != 0 || rehearse(&q, &f) != 0))
		code = cli_fault(COMMAND, &f);
	free(q.sets.text);
	return code;
}
