/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The store: what stays and what goes when room is short, and how sessions follow
 * one another.  Faults of the disk have drivers of their own (tests/faults.h). */
#include "logd/store.h"
#include "logd/shelf.h"
#include "tests/logd_rig.h"

#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sysexits.h>
#include <unistd.h>

struct bench {
	char base[LOGD_RIG_PATH], into[LOGD_RIG_PATH + 8];
	struct status status;
	struct log *log;
	atomic_bool stop;
	struct store *store;
	struct store_config config;
	uint32_t next;
};

static struct bench *bench_make(int64_t keep)
{
	struct bench *b = calloc(1, sizeof *b);
	logd_rig_directory(b->base);
	snprintf(b->into, sizeof b->into, "%s/log", b->base);
	b->log = log_new(true);
	b->config = (struct store_config){.directory = b->into,
	                                  .segment_bytes = 32768,
	                                  .sync_us = 1000000,
	                                  .keep_bytes = keep,
	                                  .engine_text = "",
	                                  .source = "test"};
	return b;
}

static void bench_free(struct bench *b)
{
	log_free(b->log);
	logd_rig_remove(b->base);
	free(b);
}

static void begin(struct bench *b)
{
	struct fault fault = {0};
	b->store = store_new(&b->config, &b->status, b->log, &b->stop);
	ck_assert_msg(store_start(b->store, &fault) == 0, "%s", fault.text);
}

static void add(struct bench *b, uint32_t records)
{
	for (uint32_t i = 0; i < records; i++) {
		struct record r = logd_rig_record(b->next++);
		ck_assert(store_add(b->store, &r));
	}
}

static void end(struct bench *b)
{
	ck_assert_int_eq(store_close(b->store), 0);
	store_free(b->store);
}

static bool there(const struct bench *b, uint32_t session, uint32_t number)
{
	char name[SHELF_NAME_MAX], path[LOGD_RIG_PATH * 2];
	shelf_name(session, number, name);
	snprintf(path, sizeof path, "%s/%s", b->into, name);
	return access(path, F_OK) == 0;
}

START_TEST(a_session_follows_the_highest_there_is)
{
	struct bench *b = bench_make(0);
	for (uint32_t session = 1; session <= 3; session++) {
		begin(b);
		add(b, 10);
		end(b);
		ck_assert(there(b, session, 1));
	}
	char path[LOGD_RIG_PATH * 2];
	snprintf(path, sizeof path, "%s/000041-0003.tram", b->into);
	FILE *f = fopen(path, "w"); /* a damaged file counts too */
	fclose(f);
	begin(b);
	end(b);
	ck_assert(there(b, 42, 1));
	bench_free(b);
}
END_TEST

START_TEST(the_files_of_a_session_name_one_another)
{
	struct bench *b = bench_make(0);
	begin(b);
	add(b, 40000);
	end(b);
	uint64_t previous = 0, first = 0;
	for (uint32_t number = 1; there(b, 1, number); number++) {
		char path[LOGD_RIG_PATH * 2];
		struct record r;
		snprintf(path, sizeof path, "%s/000001-%04u.tram", b->into, number);
		struct segment_reader *s = segment_reader_open(path, NULL);
		ck_assert_ptr_nonnull(s);
		ck_assert_uint_eq(segment_reader_facts(s)->previous_file_id, previous);
		ck_assert_uint_eq(segment_reader_facts(s)->first_record, first);
		previous = segment_reader_facts(s)->file_id;
		while (segment_reader_next(s, &r, NULL) == 1)
			;
		ck_assert(segment_reader_totals(s)->closed);
		ck_assert_uint_le(segment_reader_totals(s)->bytes, 32768);
		first += segment_reader_totals(s)->records;
		segment_reader_free(s);
	}
	ck_assert_uint_eq(first, 40000);
	bench_free(b);
}
END_TEST

START_TEST(the_ride_before_stays_until_the_crank_turns)
{
	struct bench *b = bench_make(262144);
	begin(b);
	store_riding(b->store, false);
	add(b, 30000);
	end(b);
	begin(b);
	add(b, 90000); /* at rest: samples alone, more than the cap takes */
	ck_assert(there(b, 1, 1));
	store_riding(b->store, true);
	add(b, 30000);
	ck_assert(!there(b, 1, 1));
	end(b);
	ck_assert_int_le(status_get(&b->status.bytes_kept), 262144);
	bench_free(b);
}
END_TEST

START_TEST(starts_without_a_ride_do_not_push_the_last_ride_out)
{
	struct bench *b = bench_make(262144);
	begin(b);
	add(b, 30000); /* with teeth among the records */
	end(b);
	for (unsigned i = 0; i < 6; i++) {
		begin(b);
		for (unsigned k = 0; k < 20000; k++) {
			struct record r =
			    record_make(RECORD_SAMPLE, k * 1000, k & 3, 500 + (int)(k * 7919 % 400));
			ck_assert(store_add(b->store, &r));
		}
		end(b);
	}
	ck_assert(there(b, 1, 1));
	ck_assert(!there(b, 2, 1));
	ck_assert_int_le(status_get(&b->status.bytes_kept), 262144);
	bench_free(b);
}
END_TEST

START_TEST(the_newest_ride_is_kept_whole_even_over_the_cap)
{
	struct bench *b = bench_make(262144);
	struct logd_account a;
	begin(b);
	for (unsigned i = 0; i < 15; i++) {
		store_riding(b->store, i == 0);
		add(b, 10000);
	}
	end(b);
	ck_assert_int_gt(status_get(&b->status.bytes_kept), 262144);
	logd_account_read(b->into, &a);
	ck_assert_uint_eq(a.records, 150000);
	bench_free(b);
}
END_TEST

START_TEST(an_earlier_ride_of_the_session_goes_first)
{
	struct bench *b = bench_make(262144);
	begin(b);
	for (unsigned ride = 0; ride < 5; ride++) {
		store_riding(b->store, true);
		add(b, 30000);
		store_riding(b->store, false);
	}
	ck_assert(!there(b, 1, 1));
	end(b);
	ck_assert_int_le(status_get(&b->status.bytes_kept), 262144);
	bench_free(b);
}
END_TEST

START_TEST(a_second_store_is_told_who_holds_the_directory)
{
	struct bench *b = bench_make(0);
	struct fault fault = {0};
	char owner[32];
	begin(b);
	struct store *second = store_new(&b->config, &b->status, b->log, &b->stop);
	ck_assert_int_eq(store_start(second, &fault), -1);
	ck_assert_int_eq(fault.exit_code, EX_TEMPFAIL);
	snprintf(owner, sizeof owner, "process %d", (int)getpid());
	ck_assert_ptr_nonnull(strstr(fault.text, owner));
	store_free(second);
	end(b);
	bench_free(b);
}
END_TEST

START_TEST(a_removed_directory_is_made_again_and_nothing_new_is_lost)
{
	struct bench *b = bench_make(0);
	struct logd_account a;
	b->config.timed = true;
	b->config.sync_us = 50000;
	begin(b);
	add(b, 1000);
	logd_rig_sleep_us(60000);
	store_turn(b->store);
	logd_rig_remove(b->into);
	add(b, 500);
	for (unsigned i = 0; i < 60 && !there(b, 1, 2); i++) {
		logd_rig_sleep_us(50000);
		store_turn(b->store);
	}
	end(b);
	logd_account_read(b->into, &a);
	ck_assert_uint_eq(a.records, 500);
	ck_assert_uint_eq(a.first, 1000);
	bench_free(b);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("logd store");
	TCase *t = tcase_create("store");
	tcase_set_timeout(t, 30);
	tcase_add_test(t, a_session_follows_the_highest_there_is);
	tcase_add_test(t, the_files_of_a_session_name_one_another);
	tcase_add_test(t, the_ride_before_stays_until_the_crank_turns);
	tcase_add_test(t, starts_without_a_ride_do_not_push_the_last_ride_out);
	tcase_add_test(t, the_newest_ride_is_kept_whole_even_over_the_cap);
	tcase_add_test(t, an_earlier_ride_of_the_session_goes_first);
	tcase_add_test(t, a_second_store_is_told_who_holds_the_directory);
	tcase_add_test(t, a_removed_directory_is_made_again_and_nothing_new_is_lost);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
