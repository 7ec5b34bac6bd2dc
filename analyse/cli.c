/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/cli.h"

#include <assert.h>
#include <errno.h>
#include <getopt.h>
#include <math.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

int cli_fault(const char *command, const struct fault *f)
{
	fprintf(stderr, "trammel: %s: %s\n", command, f->text);
	return f->exit_code != 0 ? f->exit_code : EX_SOFTWARE;
}

int cli_usage(const char *command, const char *format, ...)
{
	struct fault f;
	char text[600];
	va_list args;
	va_start(args, format);
	vsnprintf(text, sizeof text, format, args);
	va_end(args);
	fault_set(&f, EX_USAGE, "%s; see trammel %s --help", text, command);
	return cli_fault(command, &f);
}

bool cli_positive(const char *command, const char *option, const char *text, double *value)
{
	char *end;
	errno = 0;
	*value = strtod(text, &end);
	if (errno == 0 && end != text && *end == '\0' && isfinite(*value) && *value > 0)
		return true;
	cli_usage(command, "%s wants a number above zero, not \"%s\"", option, text);
	return false;
}

bool cli_wants_help(int argc, char **argv)
{
	for (int i = 1; i < argc; i++)
		if (strcmp(argv[i], "--help") == 0 || strcmp(argv[i], "-h") == 0)
			return true;
	return false;
}

static int take(const char *command, const struct cli_option *o, const char *value)
{
	char name[40];
	struct cli_list *list = o->to;
	switch (o->kind) {
	case CLI_FLAG:
		*(bool *)o->to = true;
		return EX_OK;
	case CLI_TEXT:
		*(const char **)o->to = value;
		return EX_OK;
	case CLI_LIST:
		if (list->n == list->most)
			return cli_usage(command, "--%s may be given %zu times at most", o->name, list->most);
		list->text[list->n++] = value;
		return EX_OK;
	default:
		snprintf(name, sizeof name, "--%s", o->name);
		return cli_positive(command, name, value, o->to) ? EX_OK : EX_USAGE;
	}
}

#define OPTIONS_MOST 24
#define FIRST_OPTION 256 /* getopt_long's values: no character is one */

int cli_options(const char *command, const struct cli_option *option, size_t n, int argc, char **argv,
                int *operand)
{
	struct option longs[OPTIONS_MOST + 1] = {{0}};
	assert(n <= OPTIONS_MOST);
	for (size_t i = 0; i < n; i++)
		longs[i] = (struct option){option[i].name,
		                           option[i].kind == CLI_FLAG ? no_argument : required_argument, NULL,
		                           FIRST_OPTION + (int)i};
	opterr = 0;
	optind = 1;
	for (int c; (c = getopt_long(argc, argv, "", longs, NULL)) != -1;) {
		if (c < FIRST_OPTION)
			return cli_usage(command, "option %s is unknown or lacks its value",
			                 argv[optind - 1]);
		int code = take(command, &option[c - FIRST_OPTION], optarg);
		if (code != EX_OK)
			return code;
	}
	*operand = optind;
	return EX_OK;
}

int cli_finish(const char *command)
{
	if (fflush(stdout) == 0 && !ferror(stdout))
		return EX_OK;
	struct fault f;
	fault_set(&f, EX_IOERR, "cannot write the output: %s", strerror(errno));
	return cli_fault(command, &f);
}
