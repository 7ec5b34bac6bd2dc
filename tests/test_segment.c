/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Segment files: what goes in comes out, in little space. */
#include "common/bytes.h"
#include "common/pack.h"
#include "common/segment_block.h"
#include "tests/format_rig.h"

#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>
#include <unistd.h>

static char engine[SEGMENT_ENGINE_MAX];

static struct segment_facts facts_of(size_t engine_len)
{
	struct segment_facts f = {
	    .file_id = 0x1122334455667788,
	    .session = 3,
	    .number = 2,
	    .previous_file_id = 0x99,
	    .first_record = 1000000007,
	    .live = true,
	    .start_mono_us = 123456789,
	    .start_utc_us = -5,
	    .engine_text = engine,
	    .engine_len = engine_len,
	    .source = "port, frames",
	};
	for (size_t i = 0; i < sizeof engine; i++)
		engine[i] = (char)('a' + i * i % 26);
	memset(f.boot_id, 0xb0, sizeof f.boot_id);
	return f;
}

static void expect_facts(const struct segment_facts *got, const struct segment_facts *want)
{
	ck_assert_uint_eq(got->file_id, want->file_id);
	ck_assert_mem_eq(got->boot_id, want->boot_id, sizeof want->boot_id);
	ck_assert_uint_eq(got->session, want->session);
	ck_assert_uint_eq(got->number, want->number);
	ck_assert_uint_eq(got->previous_file_id, want->previous_file_id);
	ck_assert_uint_eq(got->first_record, want->first_record);
	ck_assert(got->live == want->live);
	ck_assert_int_eq(got->start_mono_us, want->start_mono_us);
	ck_assert_int_eq(got->start_utc_us, want->start_utc_us);
	ck_assert_uint_eq(got->engine_len, want->engine_len);
	ck_assert(want->engine_len == 0 ||
	          memcmp(got->engine_text, want->engine_text, want->engine_len) == 0);
	ck_assert_str_eq(got->source, want->source);
}

/* Reads all and compares with n records; ends with totals that say whole. */
static void expect_records(struct segment_reader *s, const struct record *want, size_t n)
{
	struct record r;
	struct fault f;
	for (size_t i = 0; i < n; i++) {
		ck_assert_int_eq(segment_reader_next(s, &r, &f), 1);
		ck_assert_msg(record_equal(&r, &want[i]), "record %zu", i);
	}
	ck_assert_int_eq(segment_reader_next(s, &r, &f), 0);
	const struct segment_totals *t = segment_reader_totals(s);
	ck_assert_uint_eq(t->records, n);
	ck_assert_uint_eq(t->damages + t->damaged_bytes + t->records_lost, 0);
	ck_assert(t->closed && !t->truncated);
}

static void round_trip(const struct record *r, size_t n, size_t flush_every, size_t engine_len)
{
	struct segment_facts facts = facts_of(engine_len);
	struct fault fault = {0};
	struct rig_file f = rig_file_make(&facts, r, n, flush_every);
	struct segment_reader *s = segment_reader_open_memory("memory", f.bytes, f.len, &fault);
	ck_assert_msg(s != NULL, "%s", fault.text);
	expect_facts(segment_reader_facts(s), &facts);
	expect_records(s, r, n);
	ck_assert_uint_eq(segment_reader_totals(s)->bytes, f.len);
	ck_assert_uint_eq(segment_reader_totals(s)->blocks, f.blocks);
	segment_reader_free(s);
	rig_file_free(&f);
}

static struct record *any_records(uint64_t seed, size_t n)
{
	struct record *r = calloc(n, sizeof *r);
	ck_assert_ptr_nonnull(r);
	for (size_t i = 0; i < n; i++)
		r[i] = rig_record(&seed, false);
	return r;
}

START_TEST(any_records_come_back)
{
	struct record *r = any_records((uint64_t)_i + 1, 5000);
	round_trip(r, 5000, (size_t)_i * 13, (size_t)_i * 9000);
	free(r);
}
END_TEST

START_TEST(a_ride_comes_back)
{
	uint64_t seed = 3;
	size_t n = 100000;
	struct record *r = calloc(n, sizeof *r);
	rig_ride(&seed, r, n);
	round_trip(r, n, 0, 2000);
	round_trip(r, n, 300, 2000);
	free(r);
}
END_TEST

/* Streams whose time or value jumps by every power of two, up and down, and
 * arrivals: each form of packing at its borders. */
START_TEST(every_border_of_the_forms_comes_back)
{
	struct record r[4000];
	size_t n = 0;
	uint32_t t_us = 0;
	for (unsigned shift = 0; shift < 32; shift++)
		for (int off = -2; off <= 2; off++)
			for (unsigned stream = 0; stream < 18; stream++) {
				int64_t jump = (INT64_C(1) << shift) + off;
				t_us += (uint32_t)(off & 1 ? jump : -jump);
				unsigned kind = stream < 14   ? RECORD_SAMPLE
				                : stream < 16 ? RECORD_ARRIVAL
				                              : RECORD_TOOTH;
				int64_t value = kind == RECORD_TOOTH
				                    ? stream & 1
				                    : (int64_t)((uint64_t)jump << (stream & 31));
				r[n++] = record_make((enum record_kind)kind, t_us,
				                     kind == RECORD_SAMPLE ? stream : 0, value);
			}
	round_trip(r, n, 0, 0);
}
END_TEST

/* Arrivals right behind the record whose time they bear, as the recorder writes them. */
START_TEST(arrivals_come_back_whatever_they_jump_by)
{
	struct record r[2 * 130];
	size_t n = 0;
	int64_t mono_us = 1000000;
	for (unsigned shift = 0; shift < 63; shift++)
		for (int sign = -1; sign <= 1; sign += 2) {
			uint32_t t_us = (uint32_t)n * 5000;
			mono_us = (int64_t)((uint64_t)mono_us + (uint64_t)(sign * (INT64_C(1) << shift)));
			r[n++] = record_make(RECORD_SAMPLE, t_us, 0, 500);
			r[n++] = record_make(RECORD_ARRIVAL, t_us, 0, mono_us);
		}
	round_trip(r, n, 0, 0);
}
END_TEST

START_TEST(an_empty_file_comes_back)
{
	round_trip(NULL, 0, 0, 0);
	round_trip(NULL, 0, 0, SEGMENT_ENGINE_MAX);
}
END_TEST

START_TEST(facts_repeat_at_least_every_64_blocks)
{
	size_t n = 3000;
	struct record *r = any_records(4, n);
	struct segment_facts facts = facts_of(100);
	struct rig_file f = rig_file_make(&facts, r, n, 5);
	unsigned since = 0;
	ck_assert_uint_eq(f.bytes[5], SEGMENT_FACTS);
	for (size_t i = 0; i < f.blocks; i++) {
		since = f.bytes[f.block[i].at + 5] == SEGMENT_FACTS ? 0 : since + 1;
		ck_assert_uint_lt(since, 65);
	}
	ck_assert_uint_gt(f.blocks, 300);
	rig_file_free(&f);
	free(r);
}
END_TEST

/* G33: what the blocks add to the packed records; and the size of a ride. */
START_TEST(a_ride_takes_at_most_3_bytes_a_record)
{
	uint64_t seed = 3;
	size_t n = 200000;
	struct record *r = calloc(n, sizeof *r);
	rig_ride(&seed, r, n);
	struct segment_facts facts = facts_of(2000);
	struct rig_file f = rig_file_make(&facts, r, n, 0);
	size_t payload = 0;
	for (size_t i = 0; i < f.blocks; i++)
		payload += f.block[i].records > 0 ? f.block[i].len - SEGMENT_BLOCK_MIN : 0;
	double bytes = (double)f.len / (double)n, added = (double)f.len / (double)payload;
	printf("segment: %.3f bytes a record, file over payload %.3f\n", bytes, added);
	ck_assert_double_lt(bytes, 3);
	ck_assert_double_lt(added, 1.10);
	rig_file_free(&f);
	free(r);
}
END_TEST

START_TEST(the_block_has_the_layout_of_the_document)
{
	struct segment_facts facts = facts_of(10);
	struct record r = record_make(RECORD_TOOTH, 77, 0, 1);
	struct rig_file f = rig_file_make(&facts, &r, 1, 0);
	const uint8_t *b = f.bytes + f.block[1].at;
	ck_assert_uint_eq(f.blocks, 3);
	ck_assert_mem_eq(b, "\xd3TRM\x01\x02", 6);
	ck_assert_uint_eq(bytes_get_u16(b + 6), f.block[1].len);
	ck_assert_uint_eq(bytes_get_u64(b + 8), facts.file_id);
	ck_assert_uint_eq(bytes_get_u32(b + 16), 1);
	ck_assert_uint_eq(bytes_get_u32(b + 20), 1);
	ck_assert_uint_eq(bytes_get_u64(b + 24), facts.first_record);
	ck_assert_int_eq((int64_t)bytes_get_u64(b + 32), 2000);
	ck_assert_uint_eq(bytes_get_u32(b + 40), 77);
	rig_file_free(&f);
}
END_TEST

START_TEST(a_file_on_disk_reads_like_memory)
{
	size_t n = 120000;
	struct record *r = any_records(9, n);
	struct segment_facts facts = facts_of(5000);
	struct rig_file f = rig_file_make(&facts, r, n, 0);
	char name[] = "/tmp/trammel-segment-XXXXXX";
	struct fault fault;
	int fd = mkstemp(name);
	ck_assert_int_eq(write(fd, f.bytes, f.len), (ssize_t)f.len);
	close(fd);
	ck_assert_uint_gt(f.len, 3 * 262144); /* several windows */
	struct segment_reader *s = segment_reader_open(name, &fault);
	ck_assert_ptr_nonnull(s);
	expect_records(s, r, n);
	segment_reader_free(s);
	unlink(name);
	rig_file_free(&f);
	free(r);
}
END_TEST

START_TEST(what_cannot_be_opened_says_why)
{
	struct fault f;
	ck_assert_ptr_null(segment_reader_open("/nonexistent/a.tram", &f));
	ck_assert_int_eq(f.exit_code, EX_NOINPUT);
	ck_assert_str_eq(f.text, "/nonexistent/a.tram: cannot be opened: No such file or directory");
	ck_assert_ptr_null(segment_reader_open("/tmp", &f));
	ck_assert_ptr_nonnull(strstr(f.text, "Is a directory"));
	ck_assert_ptr_null(segment_reader_open("/dev/null", &f));
	ck_assert_ptr_nonnull(strstr(f.text, "not a regular file"));
	ck_assert_ptr_null(segment_reader_open_memory("x.tram", (const uint8_t *)"hello", 5, &f));
	ck_assert_int_eq(f.exit_code, EX_DATAERR);
	ck_assert_ptr_nonnull(strstr(f.text, "x.tram: not a segment"));
	ck_assert_ptr_null(segment_reader_open_memory("x.tram", (const uint8_t *)"", 0, &f));
}
END_TEST

static size_t put_next(struct segment_writer *w, struct record r, uint8_t *out)
{
	ck_assert(segment_writer_add(w, &r));
	return segment_writer_take(w, 5, out);
}

/* As much of a file as a full disk took, and then a last word about the rest. */
START_TEST(a_file_that_was_cut_goes_on_from_there)
{
	static uint8_t file[8 * SEGMENT_BLOCK_MAX], lost[SEGMENT_BLOCK_MAX];
	struct record want[3];
	struct segment_facts facts = facts_of(SEGMENT_FACTS_CHUNK + 1);
	struct fault fault = {0};
	struct segment_writer *w = segment_writer_new();
	size_t n = 0;
	segment_writer_start(w, &facts);
	for (unsigned i = 0; i < 2; i++) /* facts in two parts */
		n += segment_writer_take(w, 5, file + n);
	for (unsigned i = 0; i < 2; i++) {
		want[i] = record_make(RECORD_SAMPLE, i, 0, 100 + i);
		n += put_next(w, want[i], file + n);
	}
	for (unsigned i = 0; i < 70; i++) /* these have no room; new facts come due among them */
		put_next(w, record_make(RECORD_SAMPLE, i, 0, 7), lost);
	struct record open = record_make(RECORD_SAMPLE, 9, 0, 9);
	ck_assert(segment_writer_add(w, &open));
	segment_writer_cut(w, 4, 2);
	ck_assert_uint_eq(segment_writer_records(w), 2);
	ck_assert_uint_eq(segment_writer_take(w, 5, lost), 0);
	want[2] = record_make(RECORD_GAP, 1, GAP_DISK, 71);
	n += put_next(w, want[2], file + n);
	n += segment_writer_close(w, 5, file + n);
	struct segment_reader *s = segment_reader_open_memory("memory", file, n, &fault);
	ck_assert_msg(s != NULL, "%s", fault.text);
	expect_facts(segment_reader_facts(s), &facts);
	expect_records(s, want, 3);
	segment_reader_free(s);
	segment_writer_free(w);
}
END_TEST

START_TEST(pending_and_totals_count)
{
	struct segment_writer *w = segment_writer_new();
	struct segment_facts facts = facts_of(0);
	struct record r = record_make(RECORD_TOOTH, 1, 0, 1);
	uint8_t block[SEGMENT_BLOCK_MAX];
	segment_writer_start(w, &facts);
	ck_assert(segment_writer_add(w, &r) && segment_writer_add(w, &r));
	ck_assert_uint_eq(segment_writer_pending(w), 2);
	ck_assert_uint_gt(segment_writer_take(w, 5, block), 0);
	ck_assert_uint_eq(block[5], SEGMENT_FACTS);
	ck_assert_uint_eq(segment_writer_pending(w), 2);
	ck_assert_uint_gt(segment_writer_take(w, 5, block), 0);
	ck_assert_uint_eq(block[5], SEGMENT_RECORDS);
	ck_assert_uint_eq(segment_writer_pending(w), 0);
	ck_assert_uint_eq(segment_writer_take(w, 5, block), 0);
	ck_assert(segment_writer_add(w, &r));
	ck_assert_uint_eq(segment_writer_records(w), 3);
	segment_writer_free(w);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("segment");
	TCase *t = tcase_create("segment");
	tcase_add_loop_test(t, any_records_come_back, 0, 8);
	tcase_add_test(t, a_ride_comes_back);
	tcase_add_test(t, every_border_of_the_forms_comes_back);
	tcase_add_test(t, arrivals_come_back_whatever_they_jump_by);
	tcase_add_test(t, an_empty_file_comes_back);
	tcase_add_test(t, facts_repeat_at_least_every_64_blocks);
	tcase_add_test(t, a_ride_takes_at_most_3_bytes_a_record);
	tcase_add_test(t, the_block_has_the_layout_of_the_document);
	tcase_add_test(t, a_file_on_disk_reads_like_memory);
	tcase_add_test(t, what_cannot_be_opened_says_why);
	tcase_add_test(t, a_file_that_was_cut_goes_on_from_there);
	tcase_add_test(t, pending_and_totals_count);
	tcase_set_timeout(t, 60);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
