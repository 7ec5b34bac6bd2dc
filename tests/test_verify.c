/* SPDX-License-Identifier: GPL-3.0-or-later */
/* trammel verify: verdicts, exit codes, missing segments, salvage. */
#include "analyse/commands.h"
#include "analyse/salvage.h"
#include "common/segment_block.h"
#include "tests/format_rig.h"
#include "tests/log_rig.h"

#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sysexits.h>
#include <unistd.h>

#define RECORDS 20000

static char *directory;
static struct record record[RECORDS];

static const char *path_of(const char *name)
{
	static char path[4][300];
	static unsigned turn;
	turn = (turn + 1) % 4;
	snprintf(path[turn], sizeof path[turn], "%s/%s", directory, name);
	return path[turn];
}

static void write_file(const char *path, const uint8_t *bytes, size_t n)
{
	FILE *f = fopen(path, "wb");
	ck_assert_ptr_nonnull(f);
	ck_assert_uint_eq(fwrite(bytes, 1, n, f), n);
	ck_assert_int_eq(fclose(f), 0);
}

static struct rig_file segment(uint32_t number, uint64_t previous, uint64_t first)
{
	struct segment_facts facts = {.file_id = 100 + number,
	                              .session = 7,
	                              .number = number,
	                              .previous_file_id = previous,
	                              .first_record = first,
	                              .engine_text = "[engine]\n",
	                              .engine_len = 9,
	                              .source = "port, frames"};
	return rig_file_make(&facts, record, RECORDS, 0);
}

static void set_up(void)
{
	uint64_t seed = 11;
	directory = log_rig_directory();
	rig_ride(&seed, record, RECORDS);
}

static void tear_down(void)
{
	log_rig_remove(directory);
}

/* Runs the command with stdout in `text`; returns its exit code. */
static int verify(char *text, size_t size, const char *a, const char *b, const char *c)
{
	char *argv[] = {(char *)"verify", (char *)a, (char *)b, (char *)c, NULL};
	int argc = c != NULL ? 4 : b != NULL ? 3 : 2;
	const char *out = path_of("stdout.txt");
	int saved = dup(STDOUT_FILENO);
	ck_assert_ptr_nonnull(freopen(out, "wb", stdout));
	int code = cmd_verify(argc, argv);
	fflush(stdout);
	dup2(saved, STDOUT_FILENO);
	close(saved);
	char *all = rig_slurp(out);
	snprintf(text, size, "%s", all);
	free(all);
	unlink(out);
	return code;
}

START_TEST(a_whole_file_is_whole)
{
	char text[2000];
	struct rig_file f = segment(1, 0, 0);
	write_file(path_of("a.tram"), f.bytes, f.len);
	ck_assert_int_eq(verify(text, sizeof text, path_of("a.tram"), NULL, NULL), 0);
	ck_assert_ptr_nonnull(strstr(text, "a.tram: whole; "));
	ck_assert_ptr_nonnull(strstr(text, " 20000 records, "));
	rig_file_free(&f);
}
END_TEST

START_TEST(damage_is_told_by_bytes_records_and_time)
{
	char text[2000], want[300];
	struct rig_file f = segment(1, 0, 0);
	const struct rig_block *b = &f.block[3];
	f.bytes[b->at + 100] ^= 1;
	write_file(path_of("a.tram"), f.bytes, f.len);
	ck_assert_int_eq(verify(text, sizeof text, path_of("a.tram"), NULL, NULL), 3);
	snprintf(want, sizeof want,
	         "  bytes %zu to %zu (%zu bytes): checksum of the block does not match; %zu records lost; "
	         "host time 0.003 s to 0.005 s, a gap of 0.002 s\n",
	         b->at, b->at + b->len - 1, b->len, b->records);
	ck_assert_msg(strstr(text, want) != NULL, "%s\nwant %s", text, want);
	ck_assert_ptr_nonnull(strstr(text, "damaged in 1 place, "));
	rig_file_free(&f);
}
END_TEST

START_TEST(a_file_cut_between_blocks_is_not_closed)
{
	char text[2000];
	struct rig_file f = segment(1, 0, 0);
	write_file(path_of("a.tram"), f.bytes, f.block[4].at);
	ck_assert_int_eq(verify(text, sizeof text, path_of("a.tram"), NULL, NULL), 3);
	ck_assert_ptr_nonnull(strstr(text, "not closed"));
	rig_file_free(&f);
}
END_TEST

START_TEST(what_cannot_be_read_fails)
{
	char text[2000];
	write_file(path_of("a.tram"), (const uint8_t *)"no segment", 10);
	ck_assert_int_eq(verify(text, sizeof text, path_of("a.tram"), NULL, NULL), 1);
	ck_assert_ptr_nonnull(strstr(text, "not a segment"));
	ck_assert_int_eq(verify(text, sizeof text, path_of("none.tram"), NULL, NULL), 1);
	mkdir(path_of("empty"), 0777);
	ck_assert_int_eq(verify(text, sizeof text, path_of("empty"), NULL, NULL), 1);
	rmdir(path_of("empty"));
}
END_TEST

START_TEST(wrong_use_is_told_apart)
{
	char text[2000];
	ck_assert_int_eq(verify(text, sizeof text, "--nonsense", NULL, NULL), EX_USAGE);
	ck_assert_int_eq(verify(text, sizeof text, "--salvage", NULL, NULL), EX_USAGE);
	ck_assert_int_eq(verify(text, sizeof text, "--salvage", "x", NULL), EX_USAGE);
	ck_assert_int_eq(verify(text, sizeof text, "--help", NULL, NULL), 0);
}
END_TEST

START_TEST(a_missing_segment_is_named)
{
	char text[2000];
	struct rig_file a = segment(2, 101, 5000), b = segment(5, 104, 5000 + 3 * RECORDS);
	write_file(path_of("a.tram"), a.bytes, a.len);
	write_file(path_of("b.tram"), b.bytes, b.len);
	ck_assert_int_eq(verify(text, sizeof text, directory, NULL, NULL), 3);
	ck_assert_msg(strstr(text, "session 7: segments 3 to 4 missing, with 40000 records\n") != NULL, "%s",
	              text);
	ck_assert_ptr_nonnull(strstr(text, "session 7: segments before 2 are not here"));
	unlink(path_of("b.tram"));
	struct rig_file c = segment(3, 102, 5000 + RECORDS);
	write_file(path_of("c.tram"), c.bytes, c.len);
	ck_assert_int_eq(verify(text, sizeof text, directory, NULL, NULL), 0);
	rig_file_free(&a);
	rig_file_free(&b);
	rig_file_free(&c);
}
END_TEST

/* The files' contents are the same. */
static bool same_file(const char *a, const char *b)
{
	static uint8_t x[1 << 20], y[1 << 20];
	FILE *fa = fopen(a, "rb"), *fb = fopen(b, "rb");
	ck_assert(fa != NULL && fb != NULL);
	size_t n = fread(x, 1, sizeof x, fa), m = fread(y, 1, sizeof y, fb);
	fclose(fa);
	fclose(fb);
	return n == m && n > 0 && memcmp(x, y, n) == 0;
}

/* Hurts the file in several ways, different for each seed. */
static size_t hurt(struct rig_file *f, uint64_t seed)
{
	size_t len = f->len;
	for (unsigned i = 0; i < seed % 4; i++)
		f->bytes[rig_below(&seed, len)] ^= (uint8_t)(1 + rig_below(&seed, 255));
	if (seed % 3 == 0)
		len -= rig_below(&seed, len / 2);
	if (seed % 5 == 0)
		memset(f->bytes + len / 3, 0, len / 10);
	return len;
}

/* Whether one of the file's facts, which stand in one block each time, is as it was. */
static bool facts_left(const struct rig_file *whole, const uint8_t *bytes, size_t len)
{
	for (size_t i = 0; i < whole->blocks; i++) {
		const struct rig_block *b = &whole->block[i];
		if (whole->bytes[b->at + 5] == SEGMENT_FACTS && b->at + b->len <= len &&
		    memcmp(whole->bytes + b->at, bytes + b->at, b->len) == 0)
			return true;
	}
	return false;
}

START_TEST(a_salvaged_file_is_whole_and_salvaging_it_again_changes_nothing)
{
	struct fault fault = {0};
	char text[2000];
	uint64_t seeds = rig_full() ? 2000 : 40;
	unsigned without = 0;
	for (uint64_t seed = 1; seed <= seeds; seed++) {
		struct rig_file f = segment(1, 0, 3), whole = segment(1, 0, 3);
		size_t len = hurt(&f, seed);
		bool readable = facts_left(&whole, f.bytes, len);
		write_file(path_of("a.tram"), f.bytes, len);
		rig_file_free(&f);
		rig_file_free(&whole);
		int bad = salvage(path_of("a.tram"), path_of("b.tram"), &fault);
		if (!readable) {
			ck_assert_int_eq(bad, -1);
			ck_assert_ptr_nonnull(strstr(fault.text, "no whole facts block"));
			ck_assert_int_ne(access(path_of("b.tram"), F_OK), 0);
			without++;
			continue;
		}
		ck_assert_msg(bad == 0, "%s", fault.text);
		ck_assert_int_eq(salvage(path_of("b.tram"), path_of("c.tram"), &fault), 0);
		ck_assert_int_eq(verify(text, sizeof text, path_of("b.tram"), NULL, NULL), 0);
		ck_assert(same_file(path_of("b.tram"), path_of("c.tram")));
		unlink(path_of("b.tram"));
		unlink(path_of("c.tram"));
	}
	ck_assert_uint_lt(without, seeds / 20);
	printf("G23 salvage reads back clean, and the same when salvaged again, %d trials, 0 failures (%u "
	       "with no "
	       "facts left, refused)\n",
	       (int)seeds, without);
	fflush(stdout);
}
END_TEST

START_TEST(salvage_keeps_what_is_intact_and_marks_the_hole)
{
	struct rig_file f = segment(1, 0, 0);
	struct fault fault;
	const struct rig_block *hole = &f.block[2];
	f.bytes[hole->at + 60] ^= 4;
	write_file(path_of("a.tram"), f.bytes, f.len);
	ck_assert_int_eq(salvage(path_of("a.tram"), path_of("b.tram"), &fault), 0);
	struct segment_reader *s = segment_reader_open(path_of("b.tram"), &fault);
	struct record r;
	for (size_t i = 0; i < RECORDS; i++) {
		ck_assert_int_eq(segment_reader_next(s, &r, &fault), 1);
		if (i == hole->first_record) {
			ck_assert_uint_eq(r.kind, RECORD_GAP);
			ck_assert_int_eq(r.value, (int64_t)hole->records);
			i += hole->records - 1;
			continue;
		}
		ck_assert(record_equal(&r, &record[i]));
	}
	ck_assert_int_eq(segment_reader_next(s, &r, &fault), 0);
	segment_reader_free(s);
	rig_file_free(&f);
}
END_TEST

START_TEST(salvage_never_overwrites)
{
	char text[2000];
	struct rig_file f = segment(1, 0, 0);
	write_file(path_of("a.tram"), f.bytes, f.len);
	write_file(path_of("b.tram"), (const uint8_t *)"mine", 4);
	ck_assert_int_eq(verify(text, sizeof text, path_of("a.tram"), "--salvage", path_of("b.tram")), 1);
	char *kept = rig_slurp(path_of("b.tram"));
	ck_assert_str_eq(kept, "mine");
	free(kept);
	rig_file_free(&f);
}
END_TEST

START_TEST(a_directory_is_salvaged_into_a_directory)
{
	char text[2000];
	struct rig_file f = segment(1, 0, 0);
	mkdir(path_of("in"), 0777);
	write_file(path_of("in/a.tram"), f.bytes, f.block[3].at);
	ck_assert_int_eq(verify(text, sizeof text, path_of("in"), "--salvage", path_of("out")), 3);
	ck_assert_ptr_nonnull(strstr(text, "salvaged into "));
	ck_assert_int_eq(verify(text, sizeof text, path_of("out"), NULL, NULL), 0);
	unlink(path_of("in/a.tram"));
	unlink(path_of("out/a.tram"));
	rmdir(path_of("in"));
	rmdir(path_of("out"));
	rig_file_free(&f);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("verify");
	TCase *t = tcase_create("verify");
	tcase_add_checked_fixture(t, set_up, tear_down);
	tcase_add_test(t, a_whole_file_is_whole);
	tcase_add_test(t, damage_is_told_by_bytes_records_and_time);
	tcase_add_test(t, a_file_cut_between_blocks_is_not_closed);
	tcase_add_test(t, what_cannot_be_read_fails);
	tcase_add_test(t, wrong_use_is_told_apart);
	tcase_add_test(t, a_missing_segment_is_named);
	tcase_add_test(t, a_salvaged_file_is_whole_and_salvaging_it_again_changes_nothing);
	tcase_add_test(t, salvage_keeps_what_is_intact_and_marks_the_hole);
	tcase_add_test(t, salvage_never_overwrites);
	tcase_add_test(t, a_directory_is_salvaged_into_a_directory);
	tcase_set_timeout(t, rig_full() ? 3600 : 60);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
