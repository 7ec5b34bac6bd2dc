/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/write_out.h"

#include <errno.h>
#include <string.h>
#include <sysexits.h>

bool write_out_is_stdout(const char *path)
{
	return path != NULL && strcmp(path, "-") == 0;
}

FILE *write_out_open(const char *path, struct fault *fault)
{
	if (write_out_is_stdout(path))
		return stdout;
	FILE *out = fopen(path, "we");
	if (out == NULL)
		fault_set(fault, EX_CANTCREAT, "%s: cannot create it: %s", path, strerror(errno));
	return out;
}

int write_out_close(FILE *out, const char *path, int status, struct fault *fault)
{
	bool failed = out == stdout ? fflush(out) != 0 : fclose(out) != 0;
	if (status == 0 && !failed)
		return 0;
	return fault_set(fault, EX_IOERR, "%s: cannot write it: %s", path, strerror(errno));
}
