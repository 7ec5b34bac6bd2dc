/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logd/options.h"

#include "logd/amount.h"

#include <getopt.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define SEGMENT_LEAST ((int64_t)32 * 1024)
#define SEGMENT_MOST ((int64_t)1 << 32)
#define KEEP_SEGMENTS 8 /* a cap is only worth having in steps well below it */

const char options_help[] =
    "trammeld - records an engine's serial link into crash-safe log segments\n"
    "\n"
    "usage: trammeld --port PORT --engine FILE --into DIR [options]\n"
    "       trammeld --status [--into DIR | --socket PATH]\n"
    "\n"
    "what to record\n"
    "  --port PORT          serial port, pty, FIFO, file, or - for standard input\n"
    "  --baud N             speed of a serial port (500000)\n"
    "  --link frames|lines  binary frames or text lines (frames)\n"
    "  --engine FILE        the engine file; it goes into every segment\n"
    "  --wait               keep trying when the port is not there yet, or busy\n"
    "  --reset-board        drop DTR once at the start, which restarts most boards\n"
    "\n"
    "where to keep it\n"
    "  --into DIR           directory of the log; made if missing (its parent is not)\n"
    "  --sync SECONDS       a power cut loses at most what is younger than this (1)\n"
    "  --segment-size SIZE  largest segment file (8M)\n"
    "  --segment-age TIME   longest time in one segment file (10min)\n"
    "  --keep SIZE          delete the oldest rides beyond this many bytes in all\n"
    "  --keep-free SIZE|N%  delete the oldest rides to keep this much of the disk free\n"
    "                       (neither: nothing is ever deleted; the newest ride never is)\n"
    "\n"
    "looking at it\n"
    "  --status             show what the recorder of DIR is doing\n"
    "  --status-json        the same as one line of JSON\n"
    "  --socket PATH        status socket (DIR/status.sock)\n"
    "  --quiet              warnings and errors only\n"
    "  --foreground         stay in the foreground (always so; for clarity in scripts)\n"
    "  --help, --version\n"
    "\n"
    "Sizes take k, M or G (powers of 1024); times take s, min or h.\n"
    "SIGHUP begins a new segment; SIGTERM and SIGINT end the recording cleanly.\n"
    "\n"
    "examples\n"
    "  trammeld --port /dev/serial/by-id/usb-board --engine engine.ini --into rides\n"
    "  trammeld --port /dev/ttyUSB0 --baud 115200 --link lines --engine engine.ini \\\n"
    "           --into rides --keep 2G --keep-free 10%\n"
    "  trammeld --port - --link lines --engine engine.ini --into rides < sketch-output.txt\n"
    "  trammeld --status --into rides\n"
    "\n"
    "It records; it protects nobody.  Relief valve, guard and isolation come first.\n";

enum option_id {
	OPT_PORT = 1,
	OPT_BAUD,
	OPT_LINK,
	OPT_ENGINE,
	OPT_INTO,
	OPT_WAIT,
	OPT_RESET_BOARD,
	OPT_SYNC,
	OPT_SEGMENT_SIZE,
	OPT_SEGMENT_AGE,
	OPT_KEEP,
	OPT_KEEP_FREE,
	OPT_STATUS,
	OPT_STATUS_JSON,
	OPT_SOCKET,
	OPT_QUIET,
	OPT_FOREGROUND,
	OPT_HELP,
	OPT_VERSION
};

static const struct option known[] = {
    {"port", required_argument, NULL, OPT_PORT},
    {"baud", required_argument, NULL, OPT_BAUD},
    {"link", required_argument, NULL, OPT_LINK},
    {"engine", required_argument, NULL, OPT_ENGINE},
    {"into", required_argument, NULL, OPT_INTO},
    {"wait", no_argument, NULL, OPT_WAIT},
    {"reset-board", no_argument, NULL, OPT_RESET_BOARD},
    {"sync", required_argument, NULL, OPT_SYNC},
    {"segment-size", required_argument, NULL, OPT_SEGMENT_SIZE},
    {"segment-age", required_argument, NULL, OPT_SEGMENT_AGE},
    {"keep", required_argument, NULL, OPT_KEEP},
    {"keep-free", required_argument, NULL, OPT_KEEP_FREE},
    {"status", no_argument, NULL, OPT_STATUS},
    {"status-json", no_argument, NULL, OPT_STATUS_JSON},
    {"socket", required_argument, NULL, OPT_SOCKET},
    {"quiet", no_argument, NULL, OPT_QUIET},
    {"foreground", no_argument, NULL, OPT_FOREGROUND},
    {"help", no_argument, NULL, OPT_HELP},
    {"version", no_argument, NULL, OPT_VERSION},
    {NULL, 0, NULL, 0},
};

static int read_link(const char *text, struct options *o, struct fault *fault)
{
	if (strcmp(text, "frames") == 0)
		o->link = LINK_FRAMES;
	else if (strcmp(text, "lines") == 0)
		o->link = LINK_LINES;
	else
		return fault_set(fault, EX_USAGE, "--link %s: say frames (binary) or lines (text)", text);
	return 0;
}

static int read_baud(const char *text, struct options *o, struct fault *fault)
{
	int64_t baud;
	if (amount_count(text, &baud) != 0 || baud < 50 || baud > 20000000)
		return fault_set(fault, EX_USAGE,
		                 "--baud %s: a whole number from 50 to 20000000, for example 500000", text);
	o->baud = (int)baud;
	return 0;
}

static int read_size(const char *name, const char *text, int64_t least, int64_t most, int64_t *bytes,
                     struct fault *fault)
{
	if (amount_size(text, bytes) != 0)
		return fault_set(fault, EX_USAGE, "--%s %s: not a size; write for example 8M", name, text);
	if (*bytes < least)
		return fault_set(fault, EX_USAGE, "--%s %s: too small; at least %lldk", name, text,
		                 (long long)((least + 1023) >> 10));
	if (*bytes > most)
		return fault_set(fault, EX_USAGE, "--%s %s: too large; at most %lldM", name, text,
		                 (long long)(most >> 20));
	return 0;
}

static int read_time(const char *name, const char *text, double least_s, double most_s, int64_t *us,
                     struct fault *fault)
{
	if (amount_time(text, us) != 0)
		return fault_set(fault, EX_USAGE, "--%s %s: not a time; write for example 2, 0.5s or 10min",
		                 name, text);
	if ((double)*us < least_s * 1e6 || (double)*us > most_s * 1e6)
		return fault_set(fault, EX_USAGE, "--%s %s: from %g s to %g s", name, text, least_s, most_s);
	return 0;
}

static int read_keep_free(const char *text, struct options *o, struct fault *fault)
{
	if (amount_percent(text, &o->keep_free_fraction) == 0) {
		if (o->keep_free_fraction <= 0.9)
			return 0;
		return fault_set(fault, EX_USAGE, "--keep-free %s: 90%% at most", text);
	}
	return read_size("keep-free", text, 1, INT64_MAX / 2, &o->keep_free_bytes, fault);
}

static int read_one(int id, struct options *o, struct fault *fault)
{
	switch (id) {
	case OPT_PORT:
		o->port = optarg;
		return 0;
	case OPT_BAUD:
		return read_baud(optarg, o, fault);
	case OPT_LINK:
		return read_link(optarg, o, fault);
	case OPT_ENGINE:
		o->engine = optarg;
		return 0;
	case OPT_INTO:
		o->into = optarg;
		return 0;
	case OPT_WAIT:
		o->wait = true;
		return 0;
	case OPT_RESET_BOARD:
		o->reset_board = true;
		return 0;
	case OPT_SYNC:
		return read_time("sync", optarg, 0.05, 3600, &o->sync_us, fault);
	case OPT_SEGMENT_SIZE:
		return read_size("segment-size", optarg, SEGMENT_LEAST, SEGMENT_MOST, &o->segment_bytes,
		                 fault);
	case OPT_SEGMENT_AGE:
		return read_time("segment-age", optarg, 1, 30 * 86400.0, &o->segment_age_us, fault);
	case OPT_KEEP:
		return read_size("keep", optarg, KEEP_SEGMENTS * SEGMENT_LEAST, INT64_MAX / 2, &o->keep_bytes,
		                 fault);
	case OPT_KEEP_FREE:
		return read_keep_free(optarg, o, fault);
	case OPT_STATUS:
		o->what = DO_STATUS;
		return 0;
	case OPT_STATUS_JSON:
		o->what = DO_STATUS_JSON;
		return 0;
	case OPT_SOCKET:
		o->socket = optarg;
		return 0;
	case OPT_QUIET:
		o->quiet = true;
		return 0;
	case OPT_FOREGROUND:
		return 0;
	case OPT_HELP:
		o->what = DO_HELP;
		return 0;
	case OPT_VERSION:
		o->what = DO_VERSION;
		return 0;
	default:
		return -1;
	}
}

static int check_recording(struct options *o, struct fault *fault)
{
	const char *missing = o->port == NULL     ? "--port PORT (a serial port, FIFO, file or -)"
	                      : o->engine == NULL ? "--engine FILE (what the machine measures)"
	                      : o->into == NULL   ? "--into DIR (where the log goes)"
	                                          : NULL;
	if (missing != NULL)
		return fault_set(fault, EX_USAGE, "%s is missing; see trammeld --help", missing);
	if (o->keep_bytes > 0 && o->segment_bytes > o->keep_bytes / KEEP_SEGMENTS)
		o->segment_bytes = o->keep_bytes / KEEP_SEGMENTS;
	return 0;
}

/* getopt_long says "?" or ":" and leaves the culprit behind. */
static int refuse(int id, char **argv, struct fault *fault)
{
	const char *word = argv[optind - 1];
	if (id == ':')
		return fault_set(fault, EX_USAGE, "%s: its value is missing; see trammeld --help", word);
	return fault_set(fault, EX_USAGE, "%s: no such option; see trammeld --help", word);
}

int options_read(int argc, char **argv, struct options *o, struct fault *fault)
{
	*o = (struct options){
	    .baud = 500000,
	    .sync_us = 1000000,
	    .segment_bytes = 8 << 20,
	    .segment_age_us = 600000000,
	};
	int id;
	optind = 1;
	while ((id = getopt_long(argc, argv, "+:", known, NULL)) != -1) {
		if (id == '?' || id == ':')
			return refuse(id, argv, fault);
		if (read_one(id, o, fault) != 0)
			return -1;
	}
	if (optind < argc)
		return fault_set(fault, EX_USAGE,
		                 "%s: not understood; options begin with --, see trammeld --help",
		                 argv[optind]);
	return o->what == DO_RECORD ? check_recording(o, fault) : 0;
}
