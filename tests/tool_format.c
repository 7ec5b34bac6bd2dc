/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What this machine makes of the formats, as text to compare with what another one makes: the
 * checks of a segment and of both links' streams, and the reader's verdicts on damaged copies. */
#include "common/crc.h"
#include "tests/format_rig.h"

#include <check.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define RECORDS 20000
#define DAMAGED 300

static void show_link(enum link_kind kind, const char *name, const struct record *r)
{
	uint8_t out[LINK_ENCODE_MAX + 4];
	uint32_t sum = 0;
	uint64_t bytes = 0;
	struct link_encoder *e = link_encoder_new(kind);
	if (e == NULL)
		abort();
	for (size_t i = 0; i <= RECORDS; i++) {
		size_t n = i < RECORDS ? link_encode(e, &r[i], out + 4) : link_encode_end(e, out + 4);
		for (int k = 0; k < 4; k++)
			out[k] = (uint8_t)(sum >> 8 * k);
		sum = crc32c(out, n + 4);
		bytes += n;
	}
	link_encoder_free(e);
	printf("%s: %" PRIu64 " bytes, check %08" PRIx32 "\n", name, bytes, sum);
}

static void show_damage(void *ctx, const struct segment_damage *d)
{
	(void)ctx;
	printf(" [%" PRIu64 "+%" PRIu64 " lost %" PRIu64 " %s]", d->offset, d->bytes, d->records_lost,
	       d->why);
}

static void show_verdict(const uint8_t *bytes, size_t n)
{
	struct fault fault = {0};
	struct record r;
	struct segment_reader *s = segment_reader_open_memory("copy", bytes, n, &fault);
	if (s == NULL) {
		printf("%s\n", fault.text);
		return;
	}
	segment_reader_on_damage(s, show_damage, NULL);
	while (segment_reader_next(s, &r, &fault) == 1)
		;
	const struct segment_totals *t = segment_reader_totals(s);
	printf(" records %" PRIu64 " closed %d\n", t->records, t->closed);
	segment_reader_free(s);
}

static void show_copy(const struct rig_file *f, uint64_t seed)
{
	uint8_t *copy = malloc(f->len);
	if (copy == NULL)
		abort();
	memcpy(copy, f->bytes, f->len);
	size_t n = seed % 3 == 0 ? rig_below(&seed, f->len + 1) : f->len;
	for (uint64_t i = seed % 5; i > 0; i--)
		copy[rig_below(&seed, f->len)] ^= (uint8_t)(1 + rig_below(&seed, 255));
	show_verdict(copy, n);
	free(copy);
}

/* Like rig_ride, without its sines, whose last digit is the C library's. */
static void plain_ride(struct record *r, size_t n)
{
	uint64_t seed = 5;
	for (size_t i = 0; i < n; i++) {
		uint32_t t_us = (uint32_t)i * 141 + (uint32_t)rig_below(&seed, 7);
		r[i] = i % 16 == 5
		           ? record_make(RECORD_TOOTH, t_us, 0, i / 16 % 2)
		           : record_make(RECORD_SAMPLE, t_us, i & 3, 500 + (int64_t)rig_below(&seed, 9));
	}
}

/* A test, since the rig's own demands need one around them. */
START_TEST(show)
{
	uint64_t seed = 31;
	struct record *r = calloc(RECORDS, sizeof *r);
	struct segment_facts facts = {.file_id = UINT64_C(0x8123456789abcdef),
	                              .session = 7,
	                              .number = 2,
	                              .live = true,
	                              .first_record = UINT64_C(5000000000),
	                              .start_mono_us = -3,
	                              .start_utc_us = INT64_C(1700000000000000),
	                              .engine_text = "[engine]\n",
	                              .engine_len = 9,
	                              .source = "test"};
	if (r == NULL)
		abort();
	for (size_t i = 0; i < RECORDS / 4; i++)
		r[i] = rig_record(&seed, true);
	plain_ride(r + RECORDS / 4, RECORDS - RECORDS / 4);
	struct rig_file f = rig_file_make(&facts, r, RECORDS, 0);
	printf("segment: %zu bytes, check %08" PRIx32 "\n", f.len, crc32c(f.bytes, f.len));
	show_link(LINK_FRAMES, "frames", r);
	show_link(LINK_LINES, "lines", r);
	for (uint64_t i = 1; i <= DAMAGED; i++)
		show_copy(&f, i * 7919);
	rig_file_free(&f);
	free(r);
	fflush(stdout);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("format");
	TCase *t = tcase_create("format");
	tcase_add_test(t, show);
	tcase_set_timeout(t, 600);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_SILENT);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
