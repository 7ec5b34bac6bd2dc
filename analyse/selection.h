/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A part of a ride: between two times, speeds or supply pressures. */
#ifndef TRAMMEL_SELECTION_H
#define TRAMMEL_SELECTION_H

#include <stdbool.h>
#include <stddef.h>

struct selection_range {
	double low, high; /* an open side is -INFINITY or INFINITY */
};

struct selection {
	struct selection_range time_s;    /* from the ride's start */
	struct selection_range speed_rpm; /* of the stroke, or at the valve command */
	struct selection_range supply_bar_gauge;
};

/* The whole ride. */
struct selection selection_all(void);
/* Whether anything is left out at all. */
bool selection_is_part(const struct selection *s);

/* What a stroke or a valve event is judged by.  Speed or supply NAN = not known: then it
 * belongs only to a selection that leaves that range open. */
bool selection_has(const struct selection *s, double time_s, double speed_rpm, double supply_bar_gauge);
bool selection_has_time(const struct selection *s, double time_s);

/* "from 5 to 10 s, at 120 to 150 rpm, at 4 bar gauge and more"; shortened to fit. */
#define SELECTION_WORDS_MAX 200
const char *selection_words(const struct selection *s, char out[SELECTION_WORDS_MAX]);

/* --- the options of the commands that take one: a row each for getopt_long ---- */

enum { SELECTION_FROM = 1024, SELECTION_TO, SELECTION_SPEED, SELECTION_SUPPLY };
#define SELECTION_OPTIONS                                                                                    \
	{"from", required_argument, NULL, SELECTION_FROM}, {"to", required_argument, NULL, SELECTION_TO},    \
	    {"speed", required_argument, NULL, SELECTION_SPEED},                                             \
	{                                                                                                    \
		"supply", required_argument, NULL, SELECTION_SUPPLY                                          \
	}
/* Their part of a --help text. */
#define SELECTION_HELP                                                                                       \
	"--from S, --to S  only what begins between these seconds of the ride\n"                             \
	"--speed LO..HI    only strokes and valve events at these speeds, rpm\n"                             \
	"--supply LO..HI   only those at these supply pressures, bar gauge\n"                                \
	"                  (LO or HI may be left away; the wheel is learned from the\n"                      \
	"                  whole ride all the same)\n"

bool selection_is_option(int option);
/* Takes one of them.  EX_OK, or EX_USAGE with a message on stderr. */
int selection_take(struct selection *s, const char *command, int option, const char *text);
/* Once all are taken: EX_USAGE with a message where --to is not after --from. */
int selection_check(const struct selection *s, const char *command);

#endif
