/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Every seed of the fuzzers, and every input that ever broke one, through the
 * fuzzers' own functions. */
#define LLVMFuzzerTestOneInput fuzz_engine
#include "tests/fuzz_engine.c"
#undef LLVMFuzzerTestOneInput
#define LLVMFuzzerTestOneInput fuzz_frames
#include "tests/fuzz_frames.c"
#undef LLVMFuzzerTestOneInput
#define LLVMFuzzerTestOneInput fuzz_lines
#include "tests/fuzz_lines.c"
#undef LLVMFuzzerTestOneInput
#define LLVMFuzzerTestOneInput fuzz_segment
#include "tests/fuzz_segment.c"
#undef LLVMFuzzerTestOneInput
#define LLVMFuzzerTestOneInput fuzz_sender
#include "tests/fuzz_sender.c"
#undef LLVMFuzzerTestOneInput

#include <check.h>
#include <dirent.h>
#include <stdio.h>
#include <stdlib.h>

static void replay(const char *path, int (*fuzz)(const uint8_t *bytes, size_t n))
{
	static uint8_t bytes[1 << 20];
	FILE *f = fopen(path, "rb");
	ck_assert_msg(f != NULL, "%s", path);
	size_t n = fread(bytes, 1, sizeof bytes, f);
	fclose(f);
	ck_assert_int_eq(fuzz(bytes, n), 0);
}

static void replay_all(const char *directory, int (*fuzz)(const uint8_t *bytes, size_t n))
{
	int n = 0;
	DIR *d = opendir(directory);
	ck_assert_msg(d != NULL, "%s: run the tests from the top of the tree", directory);
	for (struct dirent *e = readdir(d); e != NULL; e = readdir(d)) {
		char path[600];
		if (e->d_name[0] == '.')
			continue;
		snprintf(path, sizeof path, "%s/%s", directory, e->d_name);
		replay(path, fuzz);
		n++;
	}
	closedir(d);
	ck_assert_int_ge(n, 12);
}

START_TEST(engine_corpus_is_harmless)
{
	replay_all("tests/corpus/engine", fuzz_engine);
}
END_TEST

START_TEST(frames_corpus_is_harmless)
{
	replay_all("tests/corpus/frames", fuzz_frames);
}
END_TEST

START_TEST(lines_corpus_is_harmless)
{
	replay_all("tests/corpus/lines", fuzz_lines);
}
END_TEST

START_TEST(segment_corpus_is_harmless)
{
	replay_all("tests/corpus/segment", fuzz_segment);
}
END_TEST

START_TEST(sender_corpus_is_harmless)
{
	replay_all("tests/corpus/sender", fuzz_sender);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("corpus");
	TCase *t = tcase_create("corpus");
	tcase_add_test(t, engine_corpus_is_harmless);
	tcase_add_test(t, frames_corpus_is_harmless);
	tcase_add_test(t, lines_corpus_is_harmless);
	tcase_add_test(t, segment_corpus_is_harmless);
	tcase_add_test(t, sender_corpus_is_harmless);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
