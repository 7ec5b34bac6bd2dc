/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The text link: what is a record, what is damage, and where. */
#include "common/lines.h"
#include "tests/format_rig.h"

#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct rig_capture got, want;

static struct link_counts decode(const char *text, size_t n, size_t piece)
{
	struct link_sink sink = rig_sink(&got);
	struct link_decoder *d = link_decoder_new(LINK_LINES);
	ck_assert_ptr_nonnull(d);
	memset(&got, 0, sizeof got);
	for (size_t at = 0; at < n; at += piece)
		link_decode(d, (const uint8_t *)text + at, n - at < piece ? n - at : piece, &sink);
	link_decode_end(d, &sink);
	struct link_counts counts = *link_decoder_counts(d);
	link_decoder_free(d);
	return counts;
}

struct good {
	const char *line, *record;
};

static const struct good good[] = {
    {"tooth,12,1", "tooth 12 0 1 - -"},
    {"tooth2,12,0", "tooth2 12 0 0 - -"},
    {"index,4294967295,1", "index 4294967295 0 1 - -"},
    {"index,4294967296,1", "index 0 0 1 - -"},
    {"index,18446744073709551616,1", "index 0 0 1 - -"},
    {"tooth,007,+1", "tooth 7 0 1 - -"},
    {"  tooth\t, 12 ,1\t", "tooth 12 0 1 - -"},
    {"tooth,12,1 # seen", "tooth 12 0 1 - -"},
    {"tooth,12,1*5a", "tooth 12 0 1 - -"},
    {"tooth,12,1*5A  # seen", "tooth 12 0 1 - -"},
    {" tooth,12,1*7A", "tooth 12 0 1 - -"},
    {"valve,1,0,0", "valve 1 0 0 - -"},
    {"valve,1,255,1,", "valve 1 255 1 - -"},
    {"valve,1,2,1,,", "valve 1 2 1 - -"},
    {"valve,1,2,1,,12.5", "valve 1 2 1 - 125"},
    {"valve,1,2,1,8", "valve 1 2 1 80 -"},
    {"valve,1,2,1,-0.05,0.05", "valve 1 2 1 -1 1"},
    {"valve,1,2,1,-0.04,0.0499999", "valve 1 2 1 0 0"},
    {"valve,1,2,1,3276.7,-3276.7499", "valve 1 2 1 32767 -32767"},
    {"valve,1,2,1,000359.96", "valve 1 2 1 3600 -"},
    {"sample,1,255,2147483647", "sample 1 255 2147483647 - -"},
    {"sample,1,0,-2147483648", "sample 1 0 -2147483648 - -"},
    {"lost,1,4294967295", "lost 1 0 4294967295 - -"},
    {"mark,1", "mark 1 0 0 - -"},
    {"mark,1,", "mark 1 0 0 - -"},
    {"mark,1,  a, b # c ", "mark 1 0 0 - -   a, b # c "},
    {"mark,1,\"x\"", "mark 1 0 0 - - \"x\""},
    {"mark,1,Stra\xc3\x9f"
     "e",
     "mark 1 0 0 - - Stra\xc3\x9f"
     "e"},
    {"hello,1", "hello 0 0 1 - -"},
    {"hello,255,x y=1", "hello 0 0 255 - - x y=1"},
};

START_TEST(a_good_line_gives_its_record)
{
	memset(&want, 0, sizeof want);
	rig_capture_words(&want, good[_i].record);
	decode(good[_i].line, strlen(good[_i].line), 1000);
	ck_assert_msg(got.damages == 0, "%s: %s", good[_i].line, got.damage.why);
	ck_assert_msg(rig_differs(&got, &want) == -1, "%s", good[_i].line);
}
END_TEST

static const char *const bad[] = {
    "tooth",
    "tooth,",
    "tooth,1",
    "tooth,1,",
    "tooth,1,2",
    "tooth,1,-1",
    "tooth,1,1.0",
    "tooth,1,1,",
    "tooth,+1,1",
    "tooth,1 2,1",
    "tooth,0x1,1",
    "Tooth,1,1",
    "tooth;1;1",
    "tooth,1,1#x",
    "tooth,12,1*5B",
    "tooth,12,1*",
    "tooth,12,1*5",
    "tooth,12,1*6G",
    "tooth,\"1\",1",
    "tooth,1,1\x01",
    "tooth\x7f,1,1",
    "\xff\xfe\xfd",
    "valve,1,2",
    "valve,1,-1,0",
    "valve,1,256,0",
    "valve,1,2,2",
    "valve,1,2,1,8,9,10",
    "valve,1,2,1,3276.75",
    "valve,1,2,1,-3277",
    "valve,1,2,1,.5",
    "valve,1,2,1,5.",
    "valve,1,2,1,1e1",
    "valve,1,2,1,nan",
    "valve,1,2,1,inf",
    "valve,1,2,1,--1",
    "valve,1,2,1,-+1",
    "valve,1,2,1,1.2.3",
    "valve,1,2,1,99999999999999999999",
    "sample,1,0",
    "sample,1,0,2147483648",
    "sample,1,0,-2147483649",
    "sample,1,0,99999999999999999999999",
    "sample,1,256,0",
    "lost,1,4294967296",
    "lost,1,-1",
    "mark",
    "mark,x",
    "mark,1,\xc3(",
    "mark,1,a\x1b[31m",
    "mark,1,tab\there",
    "mark,1,\xc2\x9b[31m",
    "hello,256",
    "hello",
    ",1,1",
    "gap,1,1",
    "arrival,1,1",
};

START_TEST(a_bad_line_is_damage_with_its_place)
{
	char text[300];
	size_t n = (size_t)snprintf(text, sizeof text, "# first\ntooth,1,1\r\n%s\r\ntooth,2,0\n", bad[_i]);
	decode(text, n, 7);
	ck_assert_msg(got.damages == 1, "%s: %zu", bad[_i], got.damages);
	ck_assert_uint_eq(got.damage.line, 3);
	ck_assert_uint_eq(got.damage.offset, 8 + 11);
	ck_assert_uint_eq(got.damage.bytes, strlen(bad[_i]) + 2);
	ck_assert_uint_eq(got.n, 2);
}
END_TEST

START_TEST(comments_and_empty_lines_are_nothing)
{
	static const char text[] = "\n\r\n   \n# tooth,1,1\n\t# x\n#";
	struct link_counts c = decode(text, sizeof text - 1, 3);
	ck_assert_uint_eq(got.n + got.damages, 0);
	ck_assert_uint_eq(c.units, 0);
	ck_assert_uint_eq(c.bytes, sizeof text - 1);
}
END_TEST

START_TEST(a_line_of_256_bytes_is_taken_and_one_of_257_is_not)
{
	char text[600];
	memset(text, '0', sizeof text);
	memcpy(text, "tooth,", 6);
	memcpy(text + 254, ",1\ntooth,", 9);
	memcpy(text + 257 + 255, ",1\n", 3);
	decode(text, 257 + 258, 1);
	ck_assert_uint_eq(got.n, 1);
	ck_assert_uint_eq(got.damages, 1);
	ck_assert_str_eq(got.damage.why, "line is too long");
	ck_assert_uint_eq(got.damage.bytes, 258);
	ck_assert_uint_eq(got.damage.offset, 257);
}
END_TEST

START_TEST(a_text_of_120_bytes_is_taken_and_one_of_121_is_not)
{
	char text[300] = "mark,1,";
	memset(text + 7, 'x', 121);
	decode(text, 7 + 120, 50);
	ck_assert_uint_eq(got.n, 1);
	ck_assert_uint_eq(got.record[0].text_len, 120);
	decode(text, 7 + 121, 50);
	ck_assert_uint_eq(got.n, 0);
	ck_assert_str_eq(got.damage.why, "text is longer than 120 bytes");
}
END_TEST

START_TEST(reset_forgets_half_a_line)
{
	struct link_sink sink = rig_sink(&got);
	struct link_decoder *d = link_decoder_new(LINK_LINES);
	memset(&got, 0, sizeof got);
	link_decode(d, (const uint8_t *)"tooth,1", 7, &sink);
	link_decoder_reset(d);
	link_decode(d, (const uint8_t *)"tooth,2,1\nx\n", 12, &sink);
	ck_assert_uint_eq(got.n, 1);
	ck_assert_uint_eq(got.damage.offset, 7 + 10);
	link_decoder_free(d);
}
END_TEST

/* But for a line end put into its middle, or a `*` lost, no single changed byte gives a wrong record. */
START_TEST(no_single_damaged_byte_passes_the_checksum)
{
	static const char line[] = "valve,4000123,2,1,8.0,-1.5*52\n";
	char copy[sizeof line];
	decode(line, sizeof line - 1, 100);
	ck_assert_uint_eq(got.n, 1);
	for (size_t at = 0; at < sizeof line - 1; at++)
		for (unsigned v = 0; v < 256; v++) {
			memcpy(copy, line, sizeof line);
			copy[at] = (char)v;
			if ((v == '\n' && at < sizeof line - 2) || line[at] == '*')
				continue;
			decode(copy, sizeof line - 1, 100);
			bool same = got.n == 1 && got.record[0].t_us == 4000123 &&
			            got.record[0].controller_ddeg == -15;
			ck_assert_msg(got.n == 0 || same, "byte %zu as %u", at, v);
		}
}
END_TEST

START_TEST(a_line_without_checksum_may_stand_among_lines_with_one)
{
	static const char text[] = "hello,1,x*2B\ntooth,2,0\ntooth,3,1*6A\ntooth,4,0\n";
	decode(text, sizeof text - 1, 4);
	ck_assert_uint_eq(got.n, 4);
	ck_assert_uint_eq(got.damages, 0);
}
END_TEST

START_TEST(a_comma_in_another_country_changes_nothing)
{
	/* numbers never go through the C library's locale */
	struct record r = record_make(RECORD_VALVE, 1, 2, 1);
	uint8_t out[LINK_ENCODE_MAX];
	r.intended_ddeg = -5;
	size_t n = lines_encode(&r, out);
	ck_assert_uint_eq(n, strlen("valve,1,2,1,-0.5*5C\n"));
	ck_assert_mem_eq(out, "valve,1,2,1,-0.5*5C\n", n);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("lines");
	TCase *t = tcase_create("lines");
	tcase_add_loop_test(t, a_good_line_gives_its_record, 0, sizeof good / sizeof *good);
	tcase_add_loop_test(t, a_bad_line_is_damage_with_its_place, 0, sizeof bad / sizeof *bad);
	tcase_add_test(t, comments_and_empty_lines_are_nothing);
	tcase_add_test(t, a_line_of_256_bytes_is_taken_and_one_of_257_is_not);
	tcase_add_test(t, a_text_of_120_bytes_is_taken_and_one_of_121_is_not);
	tcase_add_test(t, reset_forgets_half_a_line);
	tcase_add_test(t, no_single_damaged_byte_passes_the_checksum);
	tcase_add_test(t, a_line_without_checksum_may_stand_among_lines_with_one);
	tcase_add_test(t, a_comma_in_another_country_changes_nothing);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
