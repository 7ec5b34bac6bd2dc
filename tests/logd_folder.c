/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/logd_folder.h"

#include "tests/logd_rig.h"

#include <check.h>
#include <stdio.h>

static char folder[LOGD_RIG_PATH], path[LOGD_RIG_PATH + 32];

void logd_folder_make(void)
{
	logd_rig_directory(folder);
}

void logd_folder_remove(void)
{
	logd_rig_remove(folder);
}

const char *logd_folder(void)
{
	return folder;
}

const char *in_folder(const char *name)
{
	snprintf(path, sizeof path, "%.250s/%s", folder, name);
	return path;
}

void make_file(const char *name)
{
	FILE *f = fopen(in_folder(name), "w");
	ck_assert(f != NULL && fputs("x", f) >= 0 && fclose(f) == 0);
}
