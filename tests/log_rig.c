/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/log_rig.h"

#include <check.h>
#include <dirent.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

const char log_rig_engine[] = "[engine]\n"
                              "name = Number 7 trolley\n"
                              "mechanism = oscillating cylinder\n"
                              "pivot distance = 420 mm\n"
                              "crank radius = 62.5 mm\n"
                              "bore = 63 mm\n"
                              "rod = 20 mm\n"
                              "clearance cap = 18 ml\n"
                              "clearance rod = 21 ml\n"
                              "ambient = 1.013 bar\n"
                              "air temperature = 18 degC\n"
                              "[teeth]\n"
                              "count = 36\n"
                              "edges = rising\n"
                              "index angle = 14.5 deg\n"
                              "[valve 0]\n"
                              "role = cap inlet\n"
                              "opens = 8 deg\n"
                              "shuts = 96 deg\n"
                              "[sensor 0]\n"
                              "role = supply\n"
                              "low = 102 counts, 0 bar gauge\n"
                              "high = 921 counts, 10 bar gauge\n"
                              "[sensor 1]\n"
                              "role = cap\n"
                              "low = 102 counts, 0 bar gauge\n"
                              "high = 921 counts, 10 bar gauge\n"
                              "[sensor 2]\n"
                              "role = rod\n"
                              "low = 102 counts, 0 bar gauge\n"
                              "high = 921 counts, 10 bar gauge\n";

char *log_rig_directory(void)
{
	char *name = strdup("/tmp/trammel-test-XXXXXX");
	ck_assert_ptr_nonnull(name);
	ck_assert_ptr_nonnull(mkdtemp(name));
	return name;
}

void log_rig_remove(char *directory)
{
	DIR *d = opendir(directory);
	ck_assert_ptr_nonnull(d);
	for (struct dirent *e = readdir(d); e != NULL; e = readdir(d)) {
		char path[600];
		snprintf(path, sizeof path, "%.200s/%.255s", directory, e->d_name);
		if (e->d_name[0] != '.')
			unlink(path);
	}
	closedir(d);
	rmdir(directory);
	free(directory);
}

static void put_blocks(struct segment_writer *w, FILE *f)
{
	uint8_t block[SEGMENT_BLOCK_MAX];
	for (size_t n; (n = segment_writer_take(w, 0, block)) > 0;)
		ck_assert_uint_eq(fwrite(block, 1, n, f), n);
}

void log_rig_write(const char *directory, unsigned session, unsigned number, const char *engine_text,
                   const struct record *records, size_t n)
{
	char path[600];
	snprintf(path, sizeof path, "%.500s/%06u-%04u.tram", directory, session, number);
	FILE *f = fopen(path, "wbx");
	struct segment_writer *w = segment_writer_new();
	ck_assert(f != NULL && w != NULL);
	struct segment_facts facts = {
	    .file_id = 0x5eed0000u + session * 100u + number,
	    .session = session,
	    .number = number,
	    .engine_text = engine_text,
	    .engine_len = strlen(engine_text),
	    .source = "test",
	};
	segment_writer_start(w, &facts);
	for (size_t i = 0; i < n; i++) {
		if (segment_writer_add(w, &records[i]))
			continue;
		put_blocks(w, f);
		ck_assert(segment_writer_add(w, &records[i]));
	}
	put_blocks(w, f);
	uint8_t block[SEGMENT_BLOCK_MAX];
	size_t last = segment_writer_close(w, 0, block);
	ck_assert_uint_eq(fwrite(block, 1, last, f), last);
	ck_assert_int_eq(fclose(f), 0);
	segment_writer_free(w);
}
