/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Reader and salvage while the system fails them: the k-th call to read, write, sync or close fails,
 * for every k until nothing fails any more.  Each failure is told, nothing half-made is left, and
 * an interrupted call is none. */
#include "analyse/salvage.h"
#include "common/segment_block.h"
#include "tests/format_rig.h"
#include "tests/logd_rig.h"

#include <check.h>
#include <dlfcn.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <unistd.h>

#define RECORDS 30000

/* --- the calls, ours in place of the C library's --- */

enum call { CALL_READ, CALL_WRITE, CALL_SYNC, CALL_CLOSE, CALL_STAT, CALL_HEAP, CALLS };

static unsigned count[CALLS], fail_at[CALLS]; /* fail_at 0: never */
static int error_of[CALLS];

static bool fails(enum call c)
{
	if (++count[c] != fail_at[c])
		return false;
	errno = error_of[c];
	return true;
}

static unsigned spoil_read; /* this one comes back with one byte changed; 0: none */
static ssize_t spoil_at;    /* below 0: from the end */

ssize_t pread(int fd, void *bytes, size_t n, off_t at)
{
	if (fails(CALL_READ))
		return -1;
	ssize_t got = syscall(SYS_pread64, fd, bytes, n, at);
	ssize_t spoiled = spoil_at + (spoil_at < 0 ? got : 0);
	if (count[CALL_READ] == spoil_read && spoiled >= 0 && spoiled < got)
		((uint8_t *)bytes)[spoiled] ^= 1;
	return got;
}

int fstat(int fd, struct stat *st)
{
	return fails(CALL_STAT) ? -1 : (int)syscall(SYS_fstat, fd, st);
}

/* A sanitizer has a heap of its own; make coverage runs without one. */
#ifdef __SANITIZE_ADDRESS__
#define HEAP_IS_OURS false
#else
#define HEAP_IS_OURS true
void *malloc(size_t n)
{
	static void *(*next)(size_t);
	if (next == NULL)
		next = (void *(*)(size_t))dlsym(RTLD_NEXT, "malloc");
	return fails(CALL_HEAP) ? NULL : next(n);
}

void *calloc(size_t n, size_t size)
{
	static void *(*next)(size_t, size_t);
	static _Alignas(16) char first[4096]; /* dlsym itself may ask */
	static bool asking;
	if (asking)
		return first;
	asking = next == NULL;
	if (next == NULL)
		next = (void *(*)(size_t, size_t))dlsym(RTLD_NEXT, "calloc");
	asking = false;
	return fails(CALL_HEAP) ? NULL : next(n, size);
}
#endif

ssize_t write(int fd, const void *bytes, size_t n)
{
	return fails(CALL_WRITE) ? -1 : syscall(SYS_write, fd, bytes, n);
}

int fsync(int fd)
{
	return fails(CALL_SYNC) ? -1 : (int)syscall(SYS_fsync, fd);
}

int close(int fd)
{
	int bad = (int)syscall(SYS_close, fd);
	return fails(CALL_CLOSE) ? -1 : bad;
}

static void no_failure(void)
{
	memset(count, 0, sizeof count);
	memset(fail_at, 0, sizeof fail_at);
	spoil_read = 0;
}

static void fail_next(enum call c, unsigned k, int error)
{
	no_failure();
	fail_at[c] = k;
	error_of[c] = error;
}

/* --- a log --- */

static char folder[LOGD_RIG_PATH], in[LOGD_RIG_PATH + 8], out[LOGD_RIG_PATH + 8];

static void set_up(void)
{
	uint64_t seed = 4;
	struct record *r = calloc(RECORDS, sizeof *r);
	struct segment_facts facts = {
	    .file_id = 9, .session = 1, .number = 1, .engine_text = "", .source = "test"};
	rig_ride(&seed, r, RECORDS);
	struct rig_file f = rig_file_make(&facts, r, RECORDS, 0);
	logd_rig_directory(folder);
	snprintf(in, sizeof in, "%.250s/in", folder);
	snprintf(out, sizeof out, "%.250s/out", folder);
	FILE *file = fopen(in, "wb");
	ck_assert(file != NULL && fwrite(f.bytes, 1, f.len, file) == f.len && fclose(file) == 0);
	rig_file_free(&f);
	free(r);
	no_failure();
}

static void tear_down(void)
{
	no_failure();
	logd_rig_remove(folder);
}

/* --- the reader --- */

/* Records read, or -1 with `fault`. */
static int64_t read_all(struct fault *fault)
{
	struct record r;
	int64_t n = 0;
	int got;
	*fault = (struct fault){0};
	struct segment_reader *s = segment_reader_open(in, fault);
	if (s == NULL)
		return -1;
	while ((got = segment_reader_next(s, &r, fault)) == 1)
		n++;
	segment_reader_free(s);
	return got < 0 ? -1 : n;
}

START_TEST(a_read_that_fails_is_told)
{
	struct fault fault;
	unsigned k = 0;
	do {
		ck_assert_uint_lt(++k, 1000);
		fail_next(CALL_READ, k, EIO);
		int64_t n = read_all(&fault);
		if (count[CALL_READ] < k) {
			ck_assert_int_eq(n, RECORDS);
			break;
		}
		ck_assert_int_eq(n, -1);
		ck_assert_ptr_nonnull(strstr(fault.text, strerror(EIO)));
	} while (true);
	ck_assert_uint_ge(k, 3); /* facts, then the records */
}
END_TEST

START_TEST(an_interrupted_read_goes_on)
{
	struct fault fault;
	for (unsigned k = 1; k <= 3; k++) {
		fail_next(CALL_READ, k, EINTR);
		ck_assert_int_eq(read_all(&fault), RECORDS);
	}
}
END_TEST

START_TEST(a_file_that_cannot_be_looked_at_is_not_read)
{
	struct fault fault;
	fail_next(CALL_STAT, 1, EIO);
	ck_assert_int_eq(read_all(&fault), -1);
	ck_assert_ptr_nonnull(strstr(fault.text, "cannot be opened"));
}
END_TEST

START_TEST(a_reader_without_memory_says_so)
{
	static const uint8_t nothing[1];
	struct fault fault;
	unsigned k = 1, failed = 0;
	do {
		fail_next(CALL_HEAP, k, ENOMEM);
		int64_t n = read_all(&fault);
		if (count[CALL_HEAP] < k) {
			ck_assert_int_eq(n, RECORDS);
			break;
		}
		ck_assert_int_eq(n, -1);
		ck_assert(strstr(fault.text, "out of memory") != NULL ||
		          strstr(fault.text, strerror(ENOMEM)) != NULL);
		failed++;
	} while (++k < 100);
	ck_assert_uint_ge(failed, 3); /* itself, its window, the engine's text */
	fail_next(CALL_HEAP, 1, ENOMEM);
	ck_assert_ptr_null(segment_reader_open_memory("memory", nothing, 1, &fault));
	ck_assert_ptr_nonnull(strstr(fault.text, "out of memory"));
}
END_TEST

/* --- salvage --- */

static bool there(const char *path)
{
	struct stat st;
	return stat(path, &st) == 0;
}

static const struct {
	enum call call;
	int error;
	const char *says;
} failures[] = {
    {CALL_READ, EIO, "cannot be read"},
    {CALL_WRITE, ENOSPC, "cannot be written"},
    {CALL_SYNC, EIO, "cannot be synced"},
};

START_TEST(a_salvage_that_fails_is_told_and_leaves_nothing)
{
	struct fault fault;
	unsigned k = 0;
	for (;;) {
		ck_assert_uint_lt(++k, 1000);
		fail_next(failures[_i].call, k, failures[_i].error);
		fault = (struct fault){0};
		int bad = salvage(in, out, &fault);
		if (count[failures[_i].call] < k) {
			ck_assert_msg(bad == 0, "%s", fault.text);
			break;
		}
		ck_assert_int_eq(bad, -1);
		ck_assert_msg(strstr(fault.text, failures[_i].says) != NULL, "%s", fault.text);
		ck_assert(!there(out));
	}
	ck_assert_uint_gt(k, 1);
	ck_assert(there(out));
}
END_TEST

/* Damage in the middle, twice with nothing but facts between, and at the end. */
static void hurt(void)
{
	FILE *f = fopen(in, "r+b");
	ck_assert_ptr_nonnull(f);
	for (long at = 9000; at < 50000; at += 13000)
		ck_assert(fseek(f, at, SEEK_SET) == 0 && fwrite("damage", 1, 6, f) == 6);
	ck_assert_int_eq(fclose(f), 0);
	struct stat st;
	ck_assert(stat(in, &st) == 0 && truncate(in, st.st_size - 100) == 0);
}

START_TEST(a_salvage_of_damage_that_fails_is_told_and_leaves_nothing)
{
	struct fault fault;
	unsigned k = 0;
	hurt();
	for (;;) {
		ck_assert_uint_lt(++k, 1000);
		fail_next(CALL_WRITE, k, ENOSPC);
		fault = (struct fault){0};
		if (salvage(in, out, &fault) == 0)
			break;
		ck_assert_msg(strstr(fault.text, "cannot be written") != NULL, "%s", fault.text);
		ck_assert(!there(out));
	}
	ck_assert_uint_gt(k, 10);
}
END_TEST

START_TEST(a_salvage_without_memory_says_so)
{
	struct fault fault;
	unsigned k = 0;
	for (;;) {
		ck_assert_uint_lt(++k, 100);
		fail_next(CALL_HEAP, k, ENOMEM);
		fault = (struct fault){0};
		int bad = salvage(in, out, &fault);
		if (count[CALL_HEAP] < k) {
			ck_assert_int_eq(bad, 0);
			break;
		}
		ck_assert_int_eq(bad, -1);
		ck_assert(!there(out));
	}
	ck_assert_uint_ge(k, 7);
}
END_TEST

/* The disk gives back something else than what it was given: in the middle, and where the file is closed. */
START_TEST(a_result_that_does_not_read_back_is_no_result)
{
	unsigned refused = 0;
	static const ssize_t places[] = {30000, -20};
	for (size_t p = 0; p < 2; p++)
		for (unsigned k = 1; k < 20; k++) {
			struct fault fault = {0};
			no_failure();
			spoil_read = k;
			spoil_at = places[p];
			if (salvage(in, out, &fault) != 0) {
				ck_assert_msg(strstr(fault.text, "does not read back whole") != NULL, "%s",
				              fault.text);
				ck_assert(!there(out));
				refused++;
			}
			unlink(out);
		}
	ck_assert_uint_ge(refused, 2);
}
END_TEST

/* Facts and `n` blocks of one record each, all finished at `mono_us`; where each block begins in `at`. */
static size_t make_blocks(unsigned n, int64_t mono_us, uint8_t *file, size_t *at)
{
	struct segment_facts facts = {
	    .file_id = 9, .session = 1, .number = 1, .engine_text = "", .source = "test"};
	struct segment_writer *w = segment_writer_new();
	segment_writer_start(w, &facts);
	at[0] = segment_writer_take(w, mono_us, file);
	for (unsigned i = 0; i < n; i++) {
		struct record r = record_make(RECORD_SAMPLE, 1000 * i, 0, i);
		ck_assert(segment_writer_add(w, &r));
		at[i + 1] = at[i] + segment_writer_take(w, mono_us, file + at[i]);
	}
	size_t len = at[n] + segment_writer_close(w, mono_us, file + at[n]);
	segment_writer_free(w);
	return len;
}

/* A good check around what no writer makes: a record of a stream that was never begun. */
static void make_senseless(uint8_t *block)
{
	struct segment_block b;
	ck_assert(segment_block_head(block, &b));
	block[SEGMENT_HEAD] = 0x07;
	segment_block_seal(&b, block);
}

static void write_in(const uint8_t *file, size_t n)
{
	FILE *f = fopen(in, "wb");
	ck_assert(f != NULL && fwrite(file, 1, n, f) == n && fclose(f) == 0);
	unlink(out);
}

/* Gap records of the salvaged file, and what they say was lost. */
static unsigned gaps_after_salvage(int64_t *lost)
{
	struct fault fault = {0};
	struct record r;
	unsigned gaps = 0;
	ck_assert_msg(salvage(in, out, &fault) == 0, "%s", fault.text);
	struct segment_reader *s = segment_reader_open(out, &fault);
	for (*lost = 0; segment_reader_next(s, &r, &fault) == 1;)
		if (r.kind == RECORD_GAP) {
			gaps++;
			*lost += r.value;
		}
	segment_reader_free(s);
	return gaps;
}

START_TEST(a_salvage_marks_what_is_lost_where_it_is_lost_and_nothing_else)
{
	static uint8_t file[16 * 1024], other[16 * 1024];
	size_t at[8];
	int64_t lost;
	/* A block is there twice: nothing is lost. */
	size_t n = make_blocks(5, 77, file, at);
	memcpy(other, file, at[3]);
	memcpy(other + at[3], file + at[2], n - at[2]);
	write_in(other, n + at[3] - at[2]);
	ck_assert_uint_eq(gaps_after_salvage(&lost), 0);
	/* A block is missing, and no block tells a time. */
	n = make_blocks(5, 0, file, at);
	memcpy(other, file, at[2]);
	memcpy(other + at[2], file + at[3], n - at[3]);
	write_in(other, n - (at[3] - at[2]));
	ck_assert_uint_eq(gaps_after_salvage(&lost), 1);
	ck_assert_int_eq(lost, 1);
	/* Two kinds of damage with no record between them are one gap. */
	n = make_blocks(5, 77, file, at);
	make_senseless(file + at[1]);
	file[at[2] + 50] ^= 1;
	write_in(file, n);
	ck_assert_uint_eq(gaps_after_salvage(&lost), 1);
	ck_assert_int_eq(lost, 2);
}
END_TEST

START_TEST(a_second_failure_does_not_hide_the_first)
{
	struct fault fault = {0};
	fail_next(CALL_WRITE, 1, ENOSPC);
	fail_at[CALL_CLOSE] = 1;
	error_of[CALL_CLOSE] = EIO;
	ck_assert_int_eq(salvage(in, out, &fault), -1);
	ck_assert_ptr_nonnull(strstr(fault.text, "cannot be written"));
	ck_assert(!there(out));
}
END_TEST

START_TEST(an_interrupted_write_goes_on)
{
	struct fault fault = {0};
	fail_next(CALL_WRITE, 2, EINTR);
	ck_assert_int_eq(salvage(in, out, &fault), 0);
	ck_assert_uint_gt(count[CALL_WRITE], 2);
}
END_TEST

START_TEST(a_close_that_fails_is_a_failed_salvage)
{
	struct fault fault = {0};
	bool told = false;
	for (unsigned k = 1; k < 20 && !told; k++) { /* the readers close files too, to no harm */
		fail_next(CALL_CLOSE, k, EIO);
		told = salvage(in, out, &fault) != 0;
		ck_assert_int_eq(told, !there(out));
		unlink(out);
	}
	ck_assert(told);
	ck_assert_ptr_nonnull(strstr(fault.text, "cannot be closed"));
}
END_TEST

START_TEST(what_cannot_be_opened_or_created_is_told)
{
	struct fault fault = {0};
	char nowhere[LOGD_RIG_PATH + 32];
	snprintf(nowhere, sizeof nowhere, "%.250s/no/such", folder);
	ck_assert_int_eq(salvage(nowhere, out, &fault), -1);
	ck_assert_ptr_nonnull(strstr(fault.text, "cannot be opened"));
	ck_assert_int_eq(salvage(in, nowhere, &fault), -1);
	ck_assert_ptr_nonnull(strstr(fault.text, "cannot be created"));
}
END_TEST

START_TEST(an_empty_file_is_not_salvaged)
{
	struct fault fault = {0};
	ck_assert_int_eq(truncate(in, 0), 0);
	ck_assert_int_eq(salvage(in, out, &fault), -1);
	ck_assert_ptr_nonnull(strstr(fault.text, "no whole facts block"));
	ck_assert(!there(out));
}
END_TEST

int main(void)
{
	Suite *s = suite_create("segment io");
	TCase *t = tcase_create("io");
	tcase_add_checked_fixture(t, set_up, tear_down);
	tcase_add_test(t, a_read_that_fails_is_told);
	tcase_add_test(t, an_interrupted_read_goes_on);
	tcase_add_loop_test(t, a_salvage_that_fails_is_told_and_leaves_nothing, 0,
	                    sizeof failures / sizeof *failures);
	tcase_add_test(t, a_file_that_cannot_be_looked_at_is_not_read);
	tcase_add_loop_test(t, a_reader_without_memory_says_so, 0, HEAP_IS_OURS);
	tcase_add_test(t, a_salvage_of_damage_that_fails_is_told_and_leaves_nothing);
	tcase_add_loop_test(t, a_salvage_without_memory_says_so, 0, HEAP_IS_OURS);
	tcase_add_test(t, a_result_that_does_not_read_back_is_no_result);
	tcase_add_test(t, a_salvage_marks_what_is_lost_where_it_is_lost_and_nothing_else);
	tcase_add_test(t, a_second_failure_does_not_hide_the_first);
	tcase_add_test(t, an_interrupted_write_goes_on);
	tcase_add_test(t, a_close_that_fails_is_a_failed_salvage);
	tcase_add_test(t, what_cannot_be_opened_or_created_is_told);
	tcase_add_test(t, an_empty_file_is_not_salvaged);
	tcase_set_timeout(t, 60);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
