/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Blocks whose checks are right and whose content no writer makes: each rule of SEGMENT.md that a
 * reader has to hold them to, one at a time. */
#include "common/bytes.h"
#include "common/crc.h"
#include "common/segment_block.h"
#include "tests/format_rig.h"

#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define FILE_ID 5

/* --- a file put together by hand --- */

static uint8_t bytes[64 * SEGMENT_BLOCK_MAX];
static size_t len;
static uint32_t next_number;
static uint64_t next_record;

static void begin(void)
{
	len = next_number = 0;
	next_record = 0;
}

static void put(enum segment_type type, uint64_t file_id, uint32_t records, const uint8_t *payload, size_t n)
{
	struct segment_block b = {.type = type,
	                          .length = SEGMENT_BLOCK_MIN + n,
	                          .file_id = file_id,
	                          .number = next_number++,
	                          .records = records,
	                          .first_record = next_record};
	ck_assert_uint_le(len + b.length, sizeof bytes);
	memmove(bytes + len + SEGMENT_HEAD, payload, n);
	segment_block_seal(&b, bytes + len);
	len += b.length;
	next_record += records;
}

static void put_facts(uint64_t file_id, const char *engine, unsigned part)
{
	struct segment_facts f = {.engine_text = engine, .engine_len = strlen(engine), .session = 1};
	uint8_t payload[SEGMENT_PAYLOAD_MAX];
	put(SEGMENT_FACTS, file_id, 0, payload, segment_facts_put(&f, part, payload));
}

static void put_close(uint64_t records, uint32_t blocks, size_t n)
{
	uint8_t payload[16] = {0};
	bytes_put_u32(bytes_put_u64(payload, records), blocks);
	put(SEGMENT_CLOSE, FILE_ID, 0, payload, n);
}

static char why[80];
static unsigned told;
static uint64_t lost;

static void on_damage(void *ctx, const struct segment_damage *d)
{
	(void)ctx;
	snprintf(why, sizeof why, "%s", d->why);
	told++;
	lost += d->records_lost;
}

/* Records read; the last damage is in `why`. */
static struct segment_totals read_it(void)
{
	struct fault fault = {0};
	struct record r;
	struct segment_reader *s = segment_reader_open_memory("made", bytes, len, &fault);
	ck_assert_msg(s != NULL, "%s", fault.text);
	why[0] = '\0';
	told = 0;
	lost = 0;
	segment_reader_on_damage(s, on_damage, NULL);
	while (segment_reader_next(s, &r, &fault) == 1)
		;
	struct segment_totals t = *segment_reader_totals(s);
	segment_reader_free(s);
	return t;
}

/* --- records --- */

/* A full sample at 1000 us, channel 0, value 512: begins stream 0. */
#define SAMPLE "2b 00 00 80 08 "
/* An arrival, so that there is a stream whose value is predicted. */
#define ARRIVAL "4b 00 00 e2 a2 f3 ad 07 "
/* A tooth at the same time, level 1. */
#define TOOTH "0b 00 00 02 "

static const struct {
	const char *hex;
	uint32_t records; /* that the head announces */
	uint32_t whole;   /* of them, before what is wrong */
} payloads[] = {
    {"", 1, 0},                                       /* announced and not there */
    {SAMPLE, 2, 1},                                   /* the second is not there */
    {SAMPLE SAMPLE, 1, 1},                            /* bytes after the last record */
    {"00 00", 1, 0},                                  /* short, middle, long form of a stream not begun */
    {SAMPLE "02 00", 2, 1},                           /* ... */
    {"01 00 00", 1, 0},                               /* ... */
    {SAMPLE "05 00 00", 2, 1},                        /* ... */
    {"07 00 00", 1, 0},                               /* ... */
    {SAMPLE "0f 00 00", 2, 1},                        /* ... */
    {SAMPLE "87 00 00", 2, 1},                        /* long form with bit 7 set: stream 16 */
    {SAMPLE "00", 2, 1},                              /* forms that end with the payload */
    {SAMPLE "01 00", 2, 1},                           /* ... */
    {SAMPLE "07", 2, 1},                              /* ... */
    {SAMPLE "07 02", 2, 1},                           /* ... a sample's long form lacks its value */
    {ARRIVAL "07 02", 2, 1},                          /* ... and an arrival's */
    {TOOTH "07", 2, 1},                               /* ... and an edge's lacks its time */
    {"2b 00 00", 1, 0},                               /* full form cut short */
    {"2b", 1, 0},                                     /* ... */
    {"03 00 00 00", 1, 0},                            /* kind 0 */
    {"ab 04 00 00 00 00 00 00", 1, 0},                /* flags that mean nothing */
    {"ab 01 00 00 00 50", 1, 0},                      /* angles cut short */
    {"ab 02 00 00 00 00", 1, 0},                      /* a text of no bytes */
    {"ab 02 00 00 00 03 61 62", 1, 0},                /* a text longer than the payload */
    {"2b 80 80 80 80 80 00 00", 1, 0},                /* a time of more than 32 bits */
    {"2b ff ff ff ff 7f 00 00", 1, 0},                /* ... */
    {"2b 00 00 ff ff ff ff ff ff ff ff ff 7f", 1, 0}, /* a value of more than 64 bits */
};

START_TEST(records_that_no_writer_makes_end_their_block)
{
	uint8_t payload[256];
	size_t n = rig_hex(payloads[_i].hex, payload, sizeof payload);
	begin();
	put_facts(FILE_ID, "x", 0);
	put(SEGMENT_RECORDS, FILE_ID, payloads[_i].records, payload, n);
	n = rig_hex(SAMPLE, payload, sizeof payload);
	put(SEGMENT_RECORDS, FILE_ID, 1, payload, n); /* the next block is none the worse */
	struct segment_totals t = read_it();
	ck_assert_msg(strcmp(why, "records of the block make no sense") == 0, "'%s': %s", payloads[_i].hex,
	              why);
	ck_assert_uint_eq(told, 1);
	ck_assert_uint_eq(t.records, payloads[_i].whole + 1);
	ck_assert_uint_eq(lost, payloads[_i].records - payloads[_i].whole);
}
END_TEST

/* SEGMENT.md, Prediction, by hand: 255 us late make the interval 255 x 8 = 2040 and the next time
 * 2040 + 255 x 96 = 26520, in 1/256 us; then each record on time adds an interval. */
START_TEST(prediction_follows_the_document)
{
	static const uint32_t times[] = {0, 255, 26520 / 256, (26520 + 2040) / 256, (26520 + 2 * 2040) / 256};
	uint8_t payload[64];
	struct fault fault = {0};
	struct record r;
	begin();
	put_facts(FILE_ID, "x", 0);
	put(SEGMENT_RECORDS, FILE_ID, 5, payload,
	    rig_hex("2b 00 00 00 c1 3f 00 00 00 00 00 00 00", payload, sizeof payload));
	struct segment_reader *s = segment_reader_open_memory("made", bytes, len, &fault);
	ck_assert_ptr_nonnull(s);
	for (unsigned i = 0; i < 5; i++) {
		ck_assert_int_eq(segment_reader_next(s, &r, &fault), 1);
		ck_assert_uint_eq(r.t_us, times[i]);
		ck_assert_int_eq(r.value, 0);
	}
	ck_assert_int_eq(segment_reader_next(s, &r, &fault), 0);
	segment_reader_free(s);
}
END_TEST

START_TEST(a_text_of_121_bytes_is_refused)
{
	uint8_t payload[256] = {0xab, 0x02, 0, 0, 0, 121};
	memset(payload + 6, 'a', 121);
	begin();
	put_facts(FILE_ID, "x", 0);
	put(SEGMENT_RECORDS, FILE_ID, 1, payload, 6 + 121);
	ck_assert_uint_eq(read_it().records, 0);
	ck_assert_str_eq(why, "records of the block make no sense");
	payload[5] = 120;
	begin();
	put_facts(FILE_ID, "x", 0);
	put(SEGMENT_RECORDS, FILE_ID, 1, payload, 6 + 120);
	ck_assert_uint_eq(read_it().records, 1);
	ck_assert_uint_eq(told, 0);
}
END_TEST

/* --- facts --- */

static char two_parts[SEGMENT_FACTS_CHUNK + 100];

static void fill_engine(void)
{
	memset(two_parts, 'e', sizeof two_parts - 1);
	two_parts[sizeof two_parts - 1] = '\0';
}

static void expect_not_a_segment(void)
{
	struct fault fault = {0};
	struct segment_reader *s = segment_reader_open_memory("made", bytes, len, &fault);
	ck_assert_ptr_null(s);
	ck_assert_ptr_nonnull(strstr(fault.text, "no whole facts block"));
}

/* Offsets in the payload, what is put there, its width. */
static const struct {
	size_t at;
	uint32_t value;
	unsigned width;
} bad_facts[] = {
    {0, 1, 2},                      /* part 1 of 1 */
    {2, 2, 2},                      /* 2 parts for a text that needs one */
    {2, 0, 2},                      /* no parts */
    {4, SEGMENT_ENGINE_MAX + 1, 4}, /* a text that no segment holds */
    {4, 2, 4},                      /* a length that is not that of the chunk */
    {4, 0, 4},
};

START_TEST(facts_that_no_writer_makes_are_none)
{
	struct segment_facts f = {.engine_text = "x", .engine_len = 1};
	uint8_t payload[SEGMENT_PAYLOAD_MAX];
	size_t n = segment_facts_put(&f, 0, payload);
	if (bad_facts[_i].width == 2)
		bytes_put_u16(payload + bad_facts[_i].at, bad_facts[_i].value);
	else
		bytes_put_u32(payload + bad_facts[_i].at, bad_facts[_i].value);
	begin();
	put(SEGMENT_FACTS, FILE_ID, 0, payload, n);
	expect_not_a_segment();
}
END_TEST

/* One byte more than a segment holds, and every part as such a text would have it. */
START_TEST(a_text_of_65537_bytes_is_none)
{
	static char text[SEGMENT_ENGINE_MAX + 1];
	struct segment_facts f = {.engine_text = text};
	memset(text, 'e', sizeof text);
	for (f.engine_len = SEGMENT_ENGINE_MAX; f.engine_len <= sizeof text; f.engine_len++) {
		unsigned good = 0, parts = segment_facts_parts(&f);
		for (unsigned part = 0; part < parts; part++) {
			uint8_t payload[SEGMENT_PAYLOAD_MAX];
			struct segment_facts_part got;
			good += segment_facts_get(payload, segment_facts_put(&f, part, payload), &got);
		}
		ck_assert_uint_eq(good, f.engine_len > SEGMENT_ENGINE_MAX ? 0 : parts);
	}
}
END_TEST

START_TEST(facts_too_short_are_none)
{
	struct segment_facts f = {.engine_text = "", .engine_len = 0};
	uint8_t payload[SEGMENT_PAYLOAD_MAX];
	size_t n = segment_facts_put(&f, 0, payload);
	begin();
	put(SEGMENT_FACTS, FILE_ID, 0, payload, n - 1);
	expect_not_a_segment();
	begin();
	put(SEGMENT_FACTS, FILE_ID, 0, payload, n);
	ck_assert_uint_eq(read_it().blocks, 1);
}
END_TEST

START_TEST(a_set_is_whole_with_every_part_once)
{
	fill_engine();
	begin();
	put_facts(FILE_ID, two_parts, 0);
	put_facts(FILE_ID, two_parts, 0);
	expect_not_a_segment();
	put_facts(FILE_ID, "of another length", 0);
	expect_not_a_segment();
	put_facts(FILE_ID, two_parts, 1);
	struct fault fault = {0};
	struct segment_reader *s = segment_reader_open_memory("made", bytes, len, &fault);
	ck_assert_msg(s != NULL, "%s", fault.text);
	ck_assert_uint_eq(segment_reader_facts(s)->engine_len, strlen(two_parts));
	ck_assert_mem_eq(segment_reader_facts(s)->engine_text, two_parts, strlen(two_parts));
	segment_reader_free(s);
}
END_TEST

/* The first block tells whose file it is; where that file's facts are not whole, another's serve. */
START_TEST(facts_of_another_file_serve_when_its_own_are_not_whole)
{
	uint8_t payload[64];
	size_t n = rig_hex(SAMPLE, payload, sizeof payload);
	fill_engine();
	begin();
	put(SEGMENT_RECORDS, 77, 1, payload, n);
	put_facts(77, two_parts, 1); /* half of a set, of the first file */
	next_number = 0;
	next_record = 0;
	put_facts(FILE_ID, "x", 0);
	put_facts(77, two_parts, 1);
	struct fault fault = {0};
	struct segment_reader *s = segment_reader_open_memory("made", bytes, len, &fault);
	ck_assert_msg(s != NULL, "%s", fault.text);
	ck_assert_uint_eq(segment_reader_facts(s)->file_id, FILE_ID);
	segment_reader_free(s);
}
END_TEST

/* --- close, and the order of blocks --- */

START_TEST(a_close_that_does_not_agree_does_not_close)
{
	static const struct {
		uint64_t records;
		uint32_t blocks;
		size_t n;
		bool good;
	} closes[] = {
	    {1, 2, 12, true}, {2, 2, 12, false}, {1, 1, 12, false}, {1, 2, 11, false}, {1, 2, 13, false}};
	uint8_t payload[64];
	size_t n = rig_hex(SAMPLE, payload, sizeof payload);
	for (size_t i = 0; i < sizeof closes / sizeof *closes; i++) {
		begin();
		put_facts(FILE_ID, "x", 0);
		put(SEGMENT_RECORDS, FILE_ID, 1, payload, n);
		put_close(closes[i].records, closes[i].blocks, closes[i].n);
		struct segment_totals t = read_it();
		ck_assert_uint_eq(t.records, 1);
		ck_assert_int_eq(t.closed, closes[i].good);
		ck_assert_int_eq(t.truncated, !closes[i].good);
		ck_assert_str_eq(why, closes[i].good ? "" : "totals of the closing block do not agree");
	}
}
END_TEST

START_TEST(numbers_that_jump_are_missing_blocks_and_numbers_that_fall_are_out_of_order)
{
	uint8_t payload[64];
	size_t n = rig_hex(SAMPLE, payload, sizeof payload);
	begin();
	put_facts(FILE_ID, "x", 0);
	next_number = 4; /* blocks without records went missing */
	put(SEGMENT_RECORDS, FILE_ID, 1, payload, n);
	ck_assert_uint_eq(read_it().records, 1);
	ck_assert_str_eq(why, "blocks are missing");
	ck_assert_uint_eq(lost, 0);
	next_record = 0; /* the block's number rises, its records do not */
	put(SEGMENT_RECORDS, FILE_ID, 1, payload, n);
	ck_assert_uint_eq(read_it().records, 1);
	ck_assert_str_eq(why, "block repeated or out of order");
}
END_TEST

/* No good block follows that would tell how many records it held: none is claimed. */
START_TEST(a_damaged_last_block_says_no_number_of_records)
{
	uint8_t payload[64];
	size_t n = rig_hex(SAMPLE, payload, sizeof payload);
	begin();
	put_facts(FILE_ID, "x", 0);
	put(SEGMENT_RECORDS, FILE_ID, 1, payload, n);
	put(SEGMENT_RECORDS, FILE_ID, 1, payload, n);
	bytes[len - 1] ^= 1;
	struct segment_totals t = read_it();
	ck_assert_uint_eq(t.records, 1);
	ck_assert_uint_eq(told, 1);
	ck_assert_uint_eq(lost, 0);
	ck_assert_uint_eq(t.records_lost, 0);
	ck_assert_uint_eq(t.damaged_bytes, SEGMENT_BLOCK_MIN + n);
}
END_TEST

/* Is this the head of a block?  With the check of SEGMENT.md over it, so that nothing else is wrong. */
static bool is_head(uint8_t block[SEGMENT_BLOCK_MAX], struct segment_block *got)
{
	uint32_t crc = crc32c(block, 44);
	bytes_put_u32(block + 44, (crc >> 15 | crc << 17) + 0x5eed7ab1u);
	return segment_block_head(block, got);
}

static void longest_block(uint8_t block[SEGMENT_BLOCK_MAX])
{
	struct segment_block b = {.type = SEGMENT_RECORDS, .length = SEGMENT_BLOCK_MAX};
	memset(block, 0, SEGMENT_BLOCK_MAX);
	segment_block_seal(&b, block);
}

static bool head_with(size_t at, unsigned byte, struct segment_block *got)
{
	uint8_t block[SEGMENT_BLOCK_MAX];
	longest_block(block);
	block[at] = (uint8_t)byte;
	return is_head(block, got);
}

static bool head_with_length(unsigned length)
{
	uint8_t block[SEGMENT_BLOCK_MAX];
	struct segment_block got;
	longest_block(block);
	bytes_put_u16(block + 6, length);
	return is_head(block, &got) && got.length == length;
}

START_TEST(a_head_of_another_make_version_or_type_is_none)
{
	struct segment_block got;
	ck_assert(head_with(5, SEGMENT_RECORDS, &got));
	ck_assert_uint_eq(got.type, SEGMENT_RECORDS);
	for (size_t i = 0; i < 4; i++)
		ck_assert(!head_with(i, 0, &got)); /* the magic */
	for (unsigned byte = 0; byte < 256; byte++) {
		ck_assert_int_eq(head_with(4, byte, &got), byte == 1);
		ck_assert_int_eq(head_with(5, byte, &got), byte >= SEGMENT_FACTS && byte <= SEGMENT_CLOSE);
	}
}
END_TEST

START_TEST(a_head_announces_52_to_4096_bytes)
{
	ck_assert(head_with_length(52));
	ck_assert(head_with_length(4096));
	ck_assert(!head_with_length(51));
	ck_assert(!head_with_length(4097));
	ck_assert(!head_with_length(0));
	ck_assert(!head_with_length(65535));
}
END_TEST

int main(void)
{
	Suite *s = suite_create("segment refuse");
	TCase *t = tcase_create("refuse");
	tcase_add_loop_test(t, records_that_no_writer_makes_end_their_block, 0,
	                    sizeof payloads / sizeof *payloads);
	tcase_add_test(t, prediction_follows_the_document);
	tcase_add_test(t, a_text_of_121_bytes_is_refused);
	tcase_add_loop_test(t, facts_that_no_writer_makes_are_none, 0, sizeof bad_facts / sizeof *bad_facts);
	tcase_add_test(t, a_text_of_65537_bytes_is_none);
	tcase_add_test(t, facts_too_short_are_none);
	tcase_add_test(t, a_set_is_whole_with_every_part_once);
	tcase_add_test(t, facts_of_another_file_serve_when_its_own_are_not_whole);
	tcase_add_test(t, a_close_that_does_not_agree_does_not_close);
	tcase_add_test(t, numbers_that_jump_are_missing_blocks_and_numbers_that_fall_are_out_of_order);
	tcase_add_test(t, a_damaged_last_block_says_no_number_of_records);
	tcase_add_test(t, a_head_of_another_make_version_or_type_is_none);
	tcase_add_test(t, a_head_announces_52_to_4096_bytes);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
