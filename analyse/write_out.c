/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/write_out.h"

#include <errno.h>
#include <limits.h>
#include <string.h>
#include <sys/stat.h>
#include <sysexits.h>
#include <unistd.h>

bool write_out_is_stdout(const char *path)
{
	return path != NULL && strcmp(path, "-") == 0;
}

static int cannot_create(const char *path, struct fault *fault)
{
	return fault_set(fault, EX_CANTCREAT, "%s: cannot create it: %s", path, strerror(errno));
}

/* Up to the last part of a path: what has to be there, and to take a new name, for it to be created. */
static bool parent_of(const char *path, char parent[PATH_MAX])
{
	size_t n = strlen(path);
	while (n > 1 && path[n - 1] == '/')
		n--;
	while (n > 0 && path[n - 1] != '/')
		n--;
	if (n >= PATH_MAX)
		return false;
	memcpy(parent, path, n);
	strcpy(parent + n, n == 0 ? "." : "");
	return true;
}

static int check(const char *path, bool directory, struct fault *fault)
{
	char parent[PATH_MAX];
	struct stat there;
	if (path == NULL || write_out_is_stdout(path))
		return 0;
	bool missing = stat(path, &there) != 0;
	if (missing && errno != ENOENT)
		return cannot_create(path, fault);
	if (missing && !parent_of(path, parent))
		return 0; /* too long for a path: creating it will say so */
	errno = directory ? ENOTDIR : EISDIR;
	if (!missing && S_ISDIR(there.st_mode) != directory)
		return cannot_create(path, fault);
	int how = missing || directory ? W_OK | X_OK : W_OK;
	return access(missing ? parent : path, how) == 0 ? 0 : cannot_create(path, fault);
}

int write_out_check_file(const char *path, struct fault *fault)
{
	return check(path, false, fault);
}

int write_out_check_directory(const char *path, struct fault *fault)
{
	return check(path, true, fault);
}

FILE *write_out_open(const char *path, struct fault *fault)
{
	if (write_out_is_stdout(path))
		return stdout;
	FILE *out = fopen(path, "we");
	if (out == NULL)
		cannot_create(path, fault);
	return out;
}

int write_out_close(FILE *out, const char *path, int status, struct fault *fault)
{
	bool failed = out == stdout ? fflush(out) != 0 : fclose(out) != 0;
	if (status == 0 && !failed)
		return 0;
	return fault_set(fault, EX_IOERR, "%s: cannot write it: %s", path, strerror(errno));
}
