/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What every subcommand of trammel shares at its face to the person. */
#ifndef TRAMMEL_CLI_H
#define TRAMMEL_CLI_H

#include "common/fault.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>

#define CLI_REST_S 60.0 /* a ride ends where the crank rests this long, unless --rest says otherwise */

/* Prints "trammel: COMMAND: text" on stderr; returns the exit code. */
int cli_fault(const char *command, const struct fault *f);

/* "trammel: COMMAND: text; see trammel COMMAND --help", EX_USAGE. */
int cli_usage(const char *command, const char *format, ...) __attribute__((format(printf, 2, 3)));

/* An option of a command, and where its value goes. */
enum cli_kind {
	CLI_FLAG,    /* bool: given */
	CLI_TEXT,    /* const char *: the last one given */
	CLI_LIST,    /* struct cli_list: each one given */
	CLI_POSITIVE /* double: a number above zero */
};
struct cli_option {
	const char *name; /* without "--" */
	enum cli_kind kind;
	void *to;
};
struct cli_list {
	const char **text; /* owned by the caller, room for `most` */
	size_t n, most;
};

/* Reads the n options of a command (24 at most), which may stand anywhere among its operands;
 * these are put behind them, from argv[*operand] on.  EX_OK; or EX_USAGE after a
 * message. */
int cli_options(const char *command, const struct cli_option *option, size_t n, int argc, char **argv,
                int *operand);

/* Is -h or --help among the arguments? */
bool cli_wants_help(int argc, char **argv);

/* Reads a number > 0 in the C locale for an option; false with a message on
 * stderr otherwise. */
bool cli_positive(const char *command, const char *option, const char *text, double *value);

/* Flushes stdout and says so when that failed (full disk, closed pipe). */
int cli_finish(const char *command);

#endif
