/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What every subcommand of trammel shares at its face to the person. */
#ifndef TRAMMEL_CLI_H
#define TRAMMEL_CLI_H

#include "common/fault.h"

#include <stdbool.h>
#include <stdio.h>

#define CLI_REST_S 60.0 /* a ride ends where the crank rests this long, unless --rest says otherwise */

/* Prints "trammel: COMMAND: text" on stderr; returns the exit code. */
int cli_fault(const char *command, const struct fault *f);

/* "trammel: COMMAND: text; see trammel COMMAND --help", EX_USAGE. */
int cli_usage(const char *command, const char *format, ...) __attribute__((format(printf, 2, 3)));

/* Reads a number > 0 in the C locale for an option; false with a message on
 * stderr otherwise. */
bool cli_positive(const char *command, const char *option, const char *text, double *value);

/* Flushes stdout and says so when that failed (full disk, closed pipe). */
int cli_finish(const char *command);

#endif
