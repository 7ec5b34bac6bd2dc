/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/doubts_rig.h"

#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

struct road *doubts_ride(const char *const *words)
{
	struct road *r = road_ride(DOUBTS_ENGINE, LINK_FRAMES, words);
	ck_assert_msg(r->status == 0, "%s", r->fault.text);
	return r;
}

const char *doubts_line(const struct road *r, const char *words)
{
	for (size_t i = 0; i < r->report->warnings.n; i++)
		if (strstr(r->report->warnings.line[i], words) != NULL)
			return r->report->warnings.line[i];
	return NULL;
}

void doubts_engine(char path[64], const char *was, const char *becomes)
{
	char text[8192];
	FILE *f = fopen(DOUBTS_ENGINE, "r");
	ck_assert_ptr_nonnull(f);
	size_t n = fread(text, 1, sizeof text - 1, f);
	fclose(f);
	text[n] = '\0';
	char *at = strstr(text, was);
	ck_assert_ptr_nonnull(at);
	strcpy(path, "/tmp/trammel-doubts-XXXXXX");
	int fd = mkstemp(path);
	ck_assert_int_ge(fd, 0);
	f = fdopen(fd, "w");
	fprintf(f, "%.*s%s%s", (int)(at - text), text, becomes, at + strlen(was));
	fclose(f);
}
