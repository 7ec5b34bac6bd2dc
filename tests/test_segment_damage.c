/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Segment files under damage.  The short form samples; TRAMMEL_FULL=1 tries
 * every length and every bit, and takes minutes.  One line a goal:
 * "goal, trials, failures, worst loss", the loss in blocks beyond those that
 * the damage touched. */
#include "common/segment_scan.h"
#include "tests/format_rig.h"

#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

/* --- a log, and what must come back of it --- */

static struct record *record;
static struct rig_file file;
static bool *alive; /* blocks that no byte was changed of */

static void make_log(size_t records, size_t flush_every, uint64_t file_id)
{
	uint64_t seed = file_id;
	struct segment_facts facts = {.file_id = file_id,
	                              .session = 1,
	                              .number = 1,
	                              .first_record = 50,
	                              .engine_text = "[engine]\n",
	                              .engine_len = 9,
	                              .source = "test"};
	record = calloc(records, sizeof *record);
	ck_assert_ptr_nonnull(record);
	rig_ride(&seed, record, records);
	file = rig_file_make(&facts, record, records, flush_every);
	alive = calloc(file.blocks, sizeof *alive);
	ck_assert_ptr_nonnull(alive);
}

static void free_log(void)
{
	free(record);
	free(alive);
	rig_file_free(&file);
}

/* A log at least this long. */
static void make_log_of_bytes(size_t bytes, uint64_t file_id)
{
	make_log(bytes / 2, 0, file_id);
	ck_assert_uint_ge(file.len, bytes);
}

static void all_alive(void)
{
	for (size_t i = 0; i < file.blocks; i++)
		alive[i] = true;
}

/* Blocks that share a byte with [from, to) die. */
static size_t kill_touched(size_t from, size_t to)
{
	size_t killed = 0;
	for (size_t i = 0; i < file.blocks; i++) {
		const struct rig_block *b = &file.block[i];
		if (from < b->at + b->len && to > b->at && alive[i]) {
			alive[i] = false;
			killed++;
		}
	}
	return killed;
}

struct outcome {
	bool opened, false_record;
	size_t lost_blocks; /* alive ones that did not come back */
	struct segment_totals totals;
};

/* True when these are the records of block `b`, read on from the first. */
static bool same_block(struct segment_reader *s, const struct rig_block *b, struct record *first)
{
	struct fault fault;
	const struct record *want = record + (b->first_record - 50);
	if (!record_equal(first, want))
		return false;
	for (size_t i = 1; i < b->records; i++)
		if (segment_reader_next(s, first, &fault) != 1 || !record_equal(first, want + i))
			return false;
	return true;
}

/* Reads the bytes; every record must belong to a living block, in order. */
static struct outcome examine(const uint8_t *bytes, size_t n)
{
	struct outcome o = {0};
	struct fault fault;
	struct record r;
	size_t at = 0;
	struct segment_reader *s = segment_reader_open_memory("damaged", bytes, n, &fault);
	o.opened = s != NULL;
	while (s != NULL && !o.false_record && segment_reader_next(s, &r, &fault) == 1) {
		while (at < file.blocks && (!alive[at] || file.block[at].records == 0 ||
		                            !record_equal(&r, record + (file.block[at].first_record - 50)))) {
			o.lost_blocks += alive[at] && file.block[at].records > 0;
			at++;
		}
		o.false_record = at == file.blocks || !same_block(s, &file.block[at], &r);
		at++;
	}
	for (; at < file.blocks; at++)
		o.lost_blocks += alive[at] && file.block[at].records > 0;
	if (s != NULL)
		o.totals = *segment_reader_totals(s);
	segment_reader_free(s);
	return o;
}

/* --- the tally of a goal --- */

struct tally {
	const char *goal;
	unsigned long long trials, failures;
	size_t worst;
};

/* `lost`: whole blocks that did not come back. */
static void count(struct tally *t, bool good, size_t lost)
{
	t->trials++;
	t->failures += !good;
	t->worst = lost > t->worst ? lost : t->worst;
}

static void conclude(const struct tally *t)
{
	printf("%s, %llu trials, %llu failures, worst loss %zu blocks beyond those touched\n", t->goal,
	       t->trials, t->failures, t->worst);
	fflush(stdout);
	ck_assert_uint_gt(t->trials, 0);
	ck_assert_uint_eq(t->failures, 0);
}

/* What the reader's search finds from the start of block i on.  At a block's
 * border the search knows nothing but the place, so this is what it does when
 * it has read the file up to there. */
static int search_from(size_t i, const uint8_t *bytes, size_t n, struct segment_found *found)
{
	struct segment_scan s;
	segment_scan_memory(&s, bytes, n);
	s.at = file.block[i].at;
	return segment_scan_next(&s, found);
}

/* --- G1: cut at every length --- */

static bool cut_gives_nothing_of_block(size_t i, size_t n)
{
	struct segment_found f;
	return search_from(i, file.bytes, n, &f) == 0 && f.offset == n;
}

static void try_lengths(struct tally *t, size_t step)
{
	for (size_t i = 0; i < file.blocks; i++) {
		const struct rig_block *b = &file.block[i];
		for (size_t n = b->at; n < b->at + b->len; n += i < 4 ? 1 : step)
			count(t, cut_gives_nothing_of_block(i, n), 0);
	}
}

/* The whole reader at some lengths, all of a file's borders among them. */
static void read_at_length(struct tally *t, size_t n)
{
	all_alive();
	kill_touched(n, file.len);
	struct outcome o = examine(file.bytes, n);
	bool must_open = n >= file.block[0].len;
	bool good = o.opened == must_open && !o.false_record && (!must_open || o.lost_blocks == 0) &&
	            (!o.opened || o.totals.truncated == (n < file.len));
	count(t, good, o.lost_blocks);
}

START_TEST(g1_any_truncation_returns_the_blocks_wholly_inside)
{
	struct tally t = {.goal = "G1 truncation"};
	uint64_t seed = 1;
	make_log_of_bytes(1 << 20, 21);
	try_lengths(&t, rig_full() ? 1 : 97);
	for (size_t i = 0; i < file.blocks; i += rig_full() ? 1 : 16)
		for (size_t off = 0; off < 3; off++)
			read_at_length(&t, file.block[i].at + off);
	for (int i = 0; i < (rig_full() ? 2000 : 10); i++)
		read_at_length(&t, rig_below(&seed, file.len + 1));
	conclude(&t);
	free_log();
}
END_TEST

/* --- G2: cut between blocks --- */

START_TEST(g2_a_cut_between_blocks_is_reported_as_not_closed)
{
	struct tally t = {.goal = "G2 cut between blocks"};
	make_log(20000, 60, 22);
	all_alive();
	for (size_t i = 1; i < file.blocks; i++) {
		struct fault fault;
		struct record r;
		struct segment_reader *s =
		    segment_reader_open_memory("cut", file.bytes, file.block[i].at, &fault);
		ck_assert_ptr_nonnull(s);
		while (segment_reader_next(s, &r, &fault) == 1)
			;
		const struct segment_totals *got = segment_reader_totals(s);
		count(&t, got->truncated && !got->closed && got->damages == 0, 0);
		segment_reader_free(s);
	}
	conclude(&t);
	free_log();
}
END_TEST

/* --- G3: flipped bits --- */

/* After damage inside block i the search must come to the next block. */
static bool only_block_lost(size_t i, const uint8_t *bytes)
{
	struct segment_found f;
	size_t next = i + 1 < file.blocks ? file.block[i + 1].at : file.len;
	size_t n = i + 1 < file.blocks ? next + file.block[i + 1].len : file.len;
	int got = search_from(i, bytes, n, &f);
	return f.offset == next && got == (i + 1 < file.blocks);
}

/* Not to find the next block is to lose it. */
static void count_search(struct tally *t, bool good)
{
	count(t, good, !good);
}

static void flip(size_t bit)
{
	file.bytes[bit / 8] ^= (uint8_t)(1 << bit % 8);
}

static void flip_every_bit(struct tally *t, size_t step)
{
	for (size_t i = 0; i < file.blocks; i++) {
		const struct rig_block *b = &file.block[i];
		for (size_t bit = b->at * 8; bit < (b->at + b->len) * 8; bit += i < 1 ? 1 : step) {
			flip(bit);
			count_search(t, only_block_lost(i, file.bytes));
			flip(bit);
		}
	}
}

/* 2 or 3 bits within one block. */
static void flip_some_bits(struct tally *t, uint64_t *seed)
{
	size_t i = rig_below(seed, file.blocks), n = 2 + rig_below(seed, 2), bit[3] = {0};
	const struct rig_block *b = &file.block[i];
	for (size_t k = 0; k < n; k++) {
		bit[k] = b->at * 8 + rig_below(seed, b->len * 8);
		flip(bit[k]);
	}
	bool changed = n == 3 || bit[0] != bit[1];
	count_search(t, !changed || only_block_lost(i, file.bytes));
	for (size_t k = 0; k < n; k++)
		flip(bit[k]);
}

/* A burst of up to 64 random bytes within one block. */
static void burst(struct tally *t, uint64_t *seed)
{
	uint8_t kept[64];
	size_t i = rig_below(seed, file.blocks), n = 1 + rig_below(seed, 64);
	const struct rig_block *b = &file.block[i];
	n = n < b->len ? n : b->len;
	uint8_t *p = file.bytes + b->at + rig_below(seed, b->len - n + 1);
	memcpy(kept, p, n);
	for (size_t k = 0; k < n; k++)
		p[k] = (uint8_t)rig_random(seed);
	count_search(t, memcmp(kept, p, n) == 0 || only_block_lost(i, file.bytes));
	memcpy(p, kept, n);
}

static void read_flipped(struct tally *t, uint64_t *seed)
{
	size_t bit = rig_below(seed, file.len * 8);
	all_alive();
	kill_touched(bit / 8, bit / 8 + 1);
	flip(bit);
	struct outcome o = examine(file.bytes, file.len);
	flip(bit);
	count(t, o.opened && !o.false_record && o.lost_blocks == 0 && o.totals.damages == 1, o.lost_blocks);
}

START_TEST(g3_flipped_bits_cost_their_block_and_alter_nothing)
{
	struct tally one = {.goal = "G3 single bits"}, some = {.goal = "G3 2 or 3 bits"},
	             bursts = {.goal = "G3 bursts"};
	struct tally whole = {.goal = "G3 single bits, whole reader"};
	uint64_t seed = 2;
	make_log_of_bytes(300 << 10, 23);
	flip_every_bit(&one, rig_full() ? 1 : 199);
	for (int i = 0; i < (rig_full() ? 10000000 : 5000); i++)
		flip_some_bits(&some, &seed);
	for (int i = 0; i < (rig_full() ? 1000000 : 2000); i++)
		burst(&bursts, &seed);
	for (int i = 0; i < (rig_full() ? 2000 : 20); i++)
		read_flipped(&whole, &seed);
	conclude(&one);
	conclude(&some);
	conclude(&bursts);
	conclude(&whole);
	free_log();
}
END_TEST

/* --- G4: bytes inserted, deleted, overwritten --- */

enum edit { INSERT, DELETE, OVERWRITE };

/* Noise may happen to be what stood there: such a block is not damaged. */
static bool survives(enum edit edit, size_t at, size_t n, const struct rig_block *b, const uint8_t *copy)
{
	if (edit == INSERT)
		return !(at > b->at && at < b->at + b->len);
	if (edit == DELETE)
		return at >= b->at + b->len || at + n <= b->at;
	return memcmp(copy + b->at, file.bytes + b->at, b->len) == 0;
}

/* Makes the edit in a copy; the blocks it touches die. */
static size_t edit_copy(enum edit edit, size_t at, size_t n, uint64_t *seed, uint8_t *copy)
{
	size_t out = edit == INSERT ? n : 0, skip = edit == INSERT ? 0 : n, noise = edit == DELETE ? 0 : n;
	memcpy(copy, file.bytes, at);
	for (size_t k = 0; k < noise; k++)
		copy[at + k] = (uint8_t)rig_random(seed);
	memcpy(copy + at + noise, file.bytes + at + skip, file.len - at - skip);
	for (size_t i = 0; i < file.blocks; i++)
		alive[i] = survives(edit, at, n, &file.block[i], copy);
	return file.len + out - (edit == DELETE ? n : 0);
}

START_TEST(g4_edits_cost_the_blocks_they_touch)
{
	static const char *const names[] = {"G4 inserted", "G4 deleted", "G4 overwritten"};
	struct tally t = {.goal = names[_i]};
	uint64_t seed = 40 + (unsigned)_i;
	make_log_of_bytes(320 << 10, 24);
	uint8_t *copy = malloc(file.len + 65536);
	for (int i = 0; i < (rig_full() ? 33400 : 15); i++) {
		size_t n = 1 + rig_below(&seed, UINT64_C(1) << rig_below(&seed, 17));
		n = n < 65536 ? n : 65536;
		size_t len = edit_copy((enum edit)_i, rig_below(&seed, file.len - n), n, &seed, copy);
		struct outcome o = examine(copy, len);
		count(&t, o.opened && !o.false_record && o.lost_blocks == 0, o.lost_blocks);
	}
	conclude(&t);
	free(copy);
	free_log();
}
END_TEST

/* --- G5: torn tails --- */

enum tail { OLD, ZERO, NOISE };

/* Sectors of the tail whose bit is not set never reached the disk. */
static void tear(uint8_t *copy, size_t sector, unsigned kept, enum tail tail, const uint8_t *old,
                 uint64_t *seed)
{
	size_t from = file.len < 8 * sector ? 0 : (file.len - 8 * sector) / sector * sector;
	memcpy(copy, file.bytes, file.len);
	all_alive();
	for (unsigned k = 0; k < 9; k++) {
		size_t at = from + k * sector, end = at + sector < file.len ? at + sector : file.len;
		if (at >= file.len || (k < 8 && kept >> k & 1) || k == 8)
			continue;
		for (size_t i = at; i < end; i++)
			copy[i] = (uint8_t)(tail == ZERO ? 0 : tail == OLD ? old[i] : rig_random(seed));
		kill_touched(at, end);
	}
}

/* Every choice of sectors, of one log. */
static void tear_every_way(struct tally *t, size_t sector, enum tail tail, const uint8_t *old, unsigned step)
{
	uint8_t *copy = malloc(file.len);
	uint64_t seed = 50;
	for (unsigned kept = 0; kept < 256; kept += step) {
		tear(copy, sector, kept, tail, old, &seed);
		struct outcome o = examine(copy, file.len);
		count(t, o.opened && !o.false_record && o.lost_blocks == 0, o.lost_blocks);
	}
	free(copy);
}

/* `old`: another file's bytes, as on a disk whose space is used again. */
static uint8_t *another_files_bytes(size_t records)
{
	make_log(records + records / 4 + 500, 0, 999);
	uint8_t *old = file.bytes;
	file.bytes = NULL;
	free_log();
	return old;
}

START_TEST(g5_a_torn_tail_costs_what_was_torn)
{
	static const size_t sectors[] = {512, 4096};
	struct tally t = {.goal = "G5 torn tails"};
	for (unsigned log = 0; log < (rig_full() ? 20u : 2u); log++) {
		size_t records = 20000 + 517 * log;
		uint8_t *old = another_files_bytes(records);
		make_log(records, log % 3 == 0 ? 0 : 700 * log, 100 + log);
		for (unsigned s = 0; s < 2; s++)
			for (unsigned tail = OLD; tail <= NOISE; tail++)
				tear_every_way(&t, sectors[s], (enum tail)tail, old, rig_full() ? 1 : 41);
		free(old);
		free_log();
	}
	conclude(&t);
}
END_TEST

/* --- single cases --- */

static struct segment_damage last;
static unsigned told;

static void keep(void *ctx, const struct segment_damage *d)
{
	(void)ctx;
	last = *d;
	told++;
}

/* Reads bytes to the end; the last damage is in `last`. */
static struct segment_totals read_through(const uint8_t *bytes, size_t n)
{
	struct fault fault;
	struct record r;
	struct segment_reader *s = segment_reader_open_memory("case", bytes, n, &fault);
	ck_assert_msg(s != NULL, "%s", fault.text);
	told = 0;
	segment_reader_on_damage(s, keep, NULL);
	while (segment_reader_next(s, &r, &fault) == 1)
		;
	struct segment_totals t = *segment_reader_totals(s);
	segment_reader_free(s);
	return t;
}

START_TEST(a_removed_block_is_missing_with_its_records_and_time)
{
	make_log(20000, 0, 31);
	const struct rig_block *b = &file.block[4];
	memmove(file.bytes + b->at, file.bytes + b->at + b->len, file.len - b->at - b->len);
	struct segment_totals t = read_through(file.bytes, file.len - b->len);
	ck_assert_uint_eq(told, 1);
	ck_assert_str_eq(last.why, "blocks are missing");
	ck_assert_uint_eq(last.records_lost, b->records);
	ck_assert_uint_eq(last.bytes, 0);
	ck_assert_int_eq(last.from_mono_us, 4000);
	ck_assert_int_eq(last.to_mono_us, 6000);
	ck_assert(t.closed);
	ck_assert_uint_eq(t.records_lost, b->records);
	free_log();
}
END_TEST

START_TEST(a_file_whose_first_facts_are_lost_opens)
{
	make_log(20000, 100, 32);
	memset(file.bytes, 0xaa, file.block[0].len);
	struct segment_totals t = read_through(file.bytes, file.len);
	ck_assert_uint_eq(told, 1);
	ck_assert_uint_eq(last.offset, 0);
	ck_assert_uint_eq(last.bytes, file.block[0].len);
	ck_assert_uint_eq(t.records, 20000);
	ck_assert_uint_eq(t.records_lost, 0);
	free_log();
}
END_TEST

START_TEST(a_tail_of_zeros_is_called_zeros)
{
	make_log(20000, 0, 33);
	size_t n = file.block[5].at;
	memset(file.bytes + n, 0, file.len - n);
	struct segment_totals t = read_through(file.bytes, file.len);
	ck_assert_str_eq(last.why, "zeros: space that was never written");
	ck_assert_uint_eq(last.offset, n);
	ck_assert_uint_eq(last.bytes, file.len - n);
	ck_assert(t.truncated);
	file.bytes[file.len - 1] = 1; /* one byte that is none */
	t = read_through(file.bytes, file.len);
	ck_assert_str_eq(last.why, "no block begins here");
	ck_assert_uint_eq(last.bytes, file.len - n);
	free_log();
}
END_TEST

START_TEST(a_cut_block_is_called_cut_short)
{
	make_log(20000, 0, 34);
	size_t n = file.block[5].at + 1000;
	struct segment_totals t = read_through(file.bytes, n);
	ck_assert_str_eq(last.why, "block cut short by the end of the file");
	ck_assert_uint_eq(last.bytes, 1000);
	ck_assert(t.truncated);
	free_log();
}
END_TEST

static void expect_reason_after_appending(const uint8_t *more, size_t n, size_t keep_blocks, const char *why)
{
	size_t at = keep_blocks < file.blocks ? file.block[keep_blocks].at : file.len;
	uint8_t *bytes = malloc(at + n);
	memcpy(bytes, file.bytes, at);
	memcpy(bytes + at, more, n);
	read_through(bytes, at + n);
	ck_assert_uint_eq(told, 1);
	ck_assert_str_eq(last.why, why);
	ck_assert_uint_eq(last.offset, at);
	free(bytes);
}

START_TEST(blocks_that_do_not_belong_are_told_apart)
{
	make_log(20000, 0, 35);
	struct rig_file other = file;
	file.bytes = NULL;
	free_log();
	make_log(20000, 0, 36);
	expect_reason_after_appending(other.bytes, 3000, 5, "block of another file");
	expect_reason_after_appending(file.bytes, file.block[3].at, 5, "block repeated or out of order");
	expect_reason_after_appending(file.bytes, file.block[1].at, SIZE_MAX,
	                              "block after the closing block");
	free(other.bytes);
	free_log();
}
END_TEST

/* --- G24: hostile files cost no more than honest ones --- */

static double seconds_to_read(const uint8_t *bytes, size_t n)
{
	struct timespec a, b;
	clock_gettime(CLOCK_MONOTONIC, &a);
	read_through(bytes, n);
	clock_gettime(CLOCK_MONOTONIC, &b);
	return (double)(b.tv_sec - a.tv_sec) + (double)(b.tv_nsec - a.tv_nsec) * 1e-9;
}

static double best_of(int n, const uint8_t *bytes, size_t len)
{
	double best = seconds_to_read(bytes, len);
	for (int i = 1; i < n; i++) {
		double t = seconds_to_read(bytes, len);
		best = t < best ? t : best;
	}
	return best;
}

/* Good heads in a row, each announcing 4096 bytes that are not there. */
static void fill_with_heads(uint8_t *p, size_t n)
{
	uint8_t block[SEGMENT_BLOCK_MAX] = {0};
	struct segment_block b = {
	    .type = SEGMENT_RECORDS, .length = SEGMENT_BLOCK_MAX, .file_id = 37, .number = 7};
	segment_block_seal(&b, block);
	for (size_t at = 0; at + SEGMENT_HEAD <= n; at += SEGMENT_HEAD)
		memcpy(p + at, block, SEGMENT_HEAD);
}

static void fill_with_magic(uint8_t *p, size_t n)
{
	for (size_t at = 0; at < n; at++)
		p[at] = file.bytes[at % 8];
}

static void fill_with_first_byte(uint8_t *p, size_t n)
{
	memset(p, SEGMENT_MAGIC_FIRST, n);
}

START_TEST(g24_hostile_files_take_no_longer_than_three_times_an_honest_one)
{
	static void (*const fills[])(uint8_t * p, size_t n) = {fill_with_heads, fill_with_magic,
	                                                       fill_with_first_byte};
	static const char *const names[] = {"heads without bodies", "magic", "first byte of the magic"};
	make_log_of_bytes(rig_full() ? 16 << 20 : 2 << 20, 37);
	double honest = best_of(3, file.bytes, file.len);
	uint8_t *copy = malloc(file.len);
	memcpy(copy, file.bytes, file.len);
	fills[_i](copy + file.block[1].at, file.len - file.block[1].at);
	double hostile = best_of(3, copy, file.len);
	printf("G24 %s: %.2f times an honest file (%.0f MB/s)\n", names[_i], hostile / honest,
	       (double)file.len / honest * 1e-6);
	/* Clocks on a busy machine: the bound is firm only where it is asked for. */
	ck_assert_double_lt(hostile / honest, rig_full() ? 3 : 10);
	free(copy);
	free_log();
}
END_TEST

int main(void)
{
	Suite *s = suite_create("segment_damage");
	TCase *t = tcase_create("segment_damage");
	tcase_add_test(t, g1_any_truncation_returns_the_blocks_wholly_inside);
	tcase_add_test(t, g2_a_cut_between_blocks_is_reported_as_not_closed);
	tcase_add_test(t, g3_flipped_bits_cost_their_block_and_alter_nothing);
	tcase_add_loop_test(t, g4_edits_cost_the_blocks_they_touch, INSERT, OVERWRITE + 1);
	tcase_add_test(t, g5_a_torn_tail_costs_what_was_torn);
	tcase_add_test(t, a_removed_block_is_missing_with_its_records_and_time);
	tcase_add_test(t, a_file_whose_first_facts_are_lost_opens);
	tcase_add_test(t, a_tail_of_zeros_is_called_zeros);
	tcase_add_test(t, a_cut_block_is_called_cut_short);
	tcase_add_test(t, blocks_that_do_not_belong_are_told_apart);
	tcase_add_loop_test(t, g24_hostile_files_take_no_longer_than_three_times_an_honest_one, 0, 3);
	tcase_set_timeout(t, rig_full() ? 3600 : 60);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
