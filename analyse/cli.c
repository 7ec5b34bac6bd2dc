/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/cli.h"

#include <errno.h>
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

int cli_finish(const char *command)
{
	if (fflush(stdout) == 0 && !ferror(stdout))
		return EX_OK;
	struct fault f;
	fault_set(&f, EX_IOERR, "cannot write the output: %s", strerror(errno));
	return cli_fault(command, &f);
}
