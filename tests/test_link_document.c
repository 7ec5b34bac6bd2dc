/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The examples of LINK.md and SEGMENT.md, read out of the documents, give the
 * records that stand beside them. */
#include "common/pack.h"
#include "tests/format_rig.h"

#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct rig_capture got, want;

/* The records table that follows. */
static void read_records(const char **at, struct rig_capture *c)
{
	char text[4096], arg[64], *save = NULL;
	ck_assert(rig_fence(at, "records", arg, sizeof arg, text, sizeof text));
	memset(c, 0, sizeof *c);
	for (char *line = strtok_r(text, "\n", &save); line != NULL; line = strtok_r(NULL, "\n", &save))
		rig_capture_words(c, line);
	ck_assert_uint_gt(c->n, 0);
}

static void decode(enum link_kind kind, const uint8_t *bytes, size_t n)
{
	struct link_sink sink = rig_sink(&got);
	struct link_decoder *d = link_decoder_new(kind);
	ck_assert_ptr_nonnull(d);
	memset(&got, 0, sizeof got);
	link_decode(d, bytes, n, &sink);
	link_decode_end(d, &sink);
	link_decoder_free(d);
}

START_TEST(text_examples_give_their_records)
{
	char *doc = rig_slurp("common/LINK.md"), text[4096], arg[64];
	const char *at = doc;
	ck_assert(rig_fence(&at, "lines", arg, sizeof arg, text, sizeof text));
	decode(LINK_LINES, (const uint8_t *)text, strlen(text));
	read_records(&at, &want);
	ck_assert_int_eq(rig_differs(&got, &want), -1);
	ck_assert_uint_eq(got.damages, 0);
	free(doc);
}
END_TEST

START_TEST(damage_examples_have_their_reasons)
{
	char *doc = rig_slurp("common/LINK.md"), text[4096], arg[64], *save = NULL;
	const char *at = doc;
	int n = 0;
	ck_assert(rig_fence(&at, "damage", arg, sizeof arg, text, sizeof text));
	for (char *line = strtok_r(text, "\n", &save); line != NULL;
	     line = strtok_r(NULL, "\n", &save), n++) {
		char *why = strstr(line, " => ");
		ck_assert_ptr_nonnull(why);
		decode(LINK_LINES, (const uint8_t *)line, (size_t)(why - line));
		ck_assert_msg(got.damages == 1 && got.n == 0, "%s", line);
		ck_assert_str_eq(got.damage.why, why + 4);
		ck_assert_uint_eq(got.damage.bytes, (size_t)(why - line));
	}
	ck_assert_int_ge(n, 10);
	free(doc);
}
END_TEST

START_TEST(frame_examples_give_their_records)
{
	char *doc = rig_slurp("common/LINK.md"), text[4096], arg[64];
	const char *at = doc;
	int frames = 0;
	uint8_t wire[256];
	while (rig_fence(&at, "frame", arg, sizeof arg, text, sizeof text)) {
		decode(LINK_FRAMES, wire, rig_hex(text, wire, sizeof wire));
		read_records(&at, &want);
		ck_assert_int_eq(rig_differs(&got, &want), -1);
		ck_assert_uint_eq(got.damages, 0);
		frames++;
	}
	ck_assert_int_eq(frames, 2);
	free(doc);
}
END_TEST

START_TEST(frame_examples_are_what_the_encoder_makes)
{
	char *doc = rig_slurp("common/LINK.md"), text[4096], arg[64];
	const char *at = doc;
	struct link_encoder *e = link_encoder_new(LINK_FRAMES);
	uint8_t wire[256], out[LINK_ENCODE_MAX];
	while (rig_fence(&at, "frame", arg, sizeof arg, text, sizeof text)) {
		size_t n = rig_hex(text, wire, sizeof wire);
		read_records(&at, &want);
		for (size_t i = 0; i < want.n; i++)
			ck_assert_uint_eq(link_encode(e, &want.record[i], out), 0);
		ck_assert_uint_eq(link_encode_end(e, out), n);
		ck_assert_mem_eq(out, wire, n);
	}
	link_encoder_free(e);
	free(doc);
}
END_TEST

/* The sender time stands behind ```pack. */
static size_t pack_example(const char **at, uint8_t *bytes, size_t size, uint32_t *t_us)
{
	char text[4096], arg[64];
	ck_assert(rig_fence(at, "pack", arg, sizeof arg, text, sizeof text));
	*t_us = (uint32_t)strtoul(arg, NULL, 10);
	return rig_hex(text, bytes, size);
}

START_TEST(pack_example_gives_its_records)
{
	char *doc = rig_slurp("common/SEGMENT.md");
	const char *at = doc;
	uint8_t bytes[256] = {0};
	uint32_t t_us;
	size_t n = pack_example(&at, bytes, sizeof bytes - 4, &t_us);
	read_records(&at, &want);
	struct pack_reader p;
	pack_reader_start(&p, bytes, n, (uint32_t)want.n, t_us);
	for (size_t i = 0; i < want.n; i++) {
		struct record r;
		ck_assert_int_eq(pack_read(&p, &r), 1);
		ck_assert_msg(record_equal(&r, &want.record[i]), "record %zu", i);
	}
	ck_assert_int_eq(pack_read(&p, &want.record[0]), 0);
	free(doc);
}
END_TEST

START_TEST(pack_example_is_what_the_writer_makes)
{
	char *doc = rig_slurp("common/SEGMENT.md");
	const char *at = doc;
	uint8_t bytes[256], out[4096];
	uint32_t t_us;
	size_t n = pack_example(&at, bytes, sizeof bytes, &t_us);
	read_records(&at, &want);
	struct pack_writer w;
	pack_writer_start(&w, out, sizeof out, t_us);
	for (size_t i = 0; i < want.n; i++)
		ck_assert(pack_write(&w, &want.record[i]));
	ck_assert_uint_eq(pack_written(&w), n);
	ck_assert_mem_eq(out, bytes, n);
	free(doc);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("link_document");
	TCase *t = tcase_create("link_document");
	tcase_add_test(t, text_examples_give_their_records);
	tcase_add_test(t, damage_examples_have_their_reasons);
	tcase_add_test(t, frame_examples_give_their_records);
	tcase_add_test(t, frame_examples_are_what_the_encoder_makes);
	tcase_add_test(t, pack_example_gives_its_records);
	tcase_add_test(t, pack_example_is_what_the_writer_makes);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
