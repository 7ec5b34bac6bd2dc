/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Reader and salvage while the system fails them: the k-th call to read, write, sync or close fails,
 * for every k until nothing fails any more.  Each failure is told, nothing half-made is left, and
 * an interrupted call is none. */
#include "analyse/salvage.h"
#include "tests/format_rig.h"
#include "tests/logd_rig.h"

#include <check.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <unistd.h>

#define RECORDS 30000

/* --- the calls, ours in place of the C library's --- */

enum call { CALL_READ, CALL_WRITE, CALL_SYNC, CALL_CLOSE, CALLS };

static unsigned count[CALLS], fail_at[CALLS]; /* fail_at 0: never */
static int error_of[CALLS];

static bool fails(enum call c)
{
	if (++count[c] != fail_at[c])
		return false;
	errno = error_of[c];
	return true;
}

ssize_t pread(int fd, void *bytes, size_t n, off_t at)
{
	return fails(CALL_READ) ? -1 : syscall(SYS_pread64, fd, bytes, n, at);
}

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
