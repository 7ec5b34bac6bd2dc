/* SPDX-License-Identifier: GPL-3.0-or-later */
/* CRCs and stuffing against published values. */
#include "common/cobs.h"
#include "common/crc.h"
#include "tests/format_rig.h"

#include <check.h>
#include <stdlib.h>
#include <string.h>

static const uint8_t *bytes_of(const char *s)
{
	return (const uint8_t *)s;
}

START_TEST(crc16_has_the_catalogued_check_value)
{
	/* CRC catalogue (reveng), CRC-16/IBM-3740: check 0x29b1; empty input: the start value */
	ck_assert_uint_eq(crc16(bytes_of("123456789"), 9), 0x29b1);
	ck_assert_uint_eq(crc16(bytes_of(""), 0), 0xffff);
}
END_TEST

START_TEST(crc32c_has_the_values_of_rfc_3720)
{
	/* RFC 3720, appendix B.4; "a", "abc" and the check value are commonly published */
	uint8_t b[48] = {0};
	ck_assert_uint_eq(crc32c(b, 32), 0x8a9136aa);
	memset(b, 0xff, 32);
	ck_assert_uint_eq(crc32c(b, 32), 0x62a8ab43);
	for (unsigned i = 0; i < 32; i++)
		b[i] = (uint8_t)i;
	ck_assert_uint_eq(crc32c(b, 32), 0x46dd794e);
	for (unsigned i = 0; i < 32; i++)
		b[i] = (uint8_t)(31 - i);
	ck_assert_uint_eq(crc32c(b, 32), 0x113fdb5c);
	static const uint8_t read_pdu[48] = {[0] = 0x01,  [1] = 0xc0,  [16] = 0x14, [22] = 0x04,
	                                     [27] = 0x14, [31] = 0x18, [32] = 0x28, [40] = 0x02};
	ck_assert_uint_eq(crc32c(read_pdu, 48), 0xd9963a56);
	ck_assert_uint_eq(crc32c(bytes_of("123456789"), 9), 0xe3069283);
	ck_assert_uint_eq(crc32c(bytes_of("a"), 1), 0xc1d04330);
	ck_assert_uint_eq(crc32c(bytes_of("abc"), 3), 0x364b3fb7);
	ck_assert_uint_eq(crc32c(bytes_of(""), 0), 0);
}
END_TEST

/* The definitions, bit by bit. */
static uint16_t slow16(const uint8_t *p, size_t n)
{
	unsigned crc = 0xffff;
	for (size_t i = 0; i < n; i++) {
		crc ^= (unsigned)p[i] << 8;
		for (int bit = 0; bit < 8; bit++)
			crc = crc & 0x8000 ? (crc << 1 ^ 0x1021) & 0xffff : crc << 1;
	}
	return (uint16_t)crc;
}

static uint32_t slow32(const uint8_t *p, size_t n)
{
	uint32_t crc = UINT32_MAX;
	for (size_t i = 0; i < n; i++) {
		crc ^= p[i];
		for (int bit = 0; bit < 8; bit++)
			crc = crc & 1 ? crc >> 1 ^ 0x82f63b78 : crc >> 1;
	}
	return ~crc;
}

START_TEST(tables_agree_with_the_definition_at_every_length)
{
	uint64_t seed = 1;
	uint8_t b[300];
	for (size_t i = 0; i < sizeof b; i++)
		b[i] = (uint8_t)rig_random(&seed);
	for (size_t n = 0; n <= sizeof b; n++) {
		ck_assert_uint_eq(crc16(b, n), slow16(b, n));
		ck_assert_uint_eq(crc32c(b, n), slow32(b, n));
	}
}
END_TEST

static size_t range(uint8_t *p, unsigned from, unsigned to)
{
	size_t n = 0;
	for (unsigned v = from; v <= to; v++)
		p[n++] = (uint8_t)v;
	return n;
}

static void expect_cobs(const uint8_t *data, size_t n, const uint8_t *encoded, size_t len)
{
	uint8_t out[1024], back[1024];
	ck_assert_uint_eq(cobs_encode(data, n, out), len);
	ck_assert_mem_eq(out, encoded, len);
	ck_assert_int_eq(cobs_decode(out, len, back), (ptrdiff_t)n);
	ck_assert(n == 0 || memcmp(back, data, n) == 0);
}

struct example {
	const char *data, *encoded;
};

/* Cheshire & Baker, IEEE/ACM Trans. Networking 7(2), 1999 (the one with 45 00
 * is figure 3), and examples found in several libraries' own tests. */
static const struct example short_ones[] = {
    {"", "01"},
    {"00", "01 01"},
    {"00 00", "01 01 01"},
    {"00 11 00", "01 02 11 01"},
    {"11 22 00 33", "03 11 22 02 33"},
    {"11 22 33 44", "05 11 22 33 44"},
    {"11 00 00 00", "02 11 01 01 01"},
    {"45 00 00 2C 4C 79 00 00 40 06 4F 37", "02 45 01 04 2C 4C 79 01 05 40 06 4F 37"},
};

START_TEST(cobs_gives_the_published_examples)
{
	uint8_t data[64], encoded[64];
	size_t n = rig_hex(short_ones[_i].data, data, sizeof data);
	size_t len = rig_hex(short_ones[_i].encoded, encoded, sizeof encoded);
	expect_cobs(data, n, encoded, len);
}
END_TEST

START_TEST(cobs_gives_the_published_examples_around_254_bytes)
{
	uint8_t d[256], e[260];
	/* 01..FE -> FF 01..FE */
	size_t n = range(d, 1, 0xfe);
	e[0] = 0xff;
	memcpy(e + 1, d, n);
	expect_cobs(d, n, e, 255);
	/* 01..FF -> FF 01..FE 02 FF */
	n = range(d, 1, 0xff);
	e[255] = 2;
	e[256] = 0xff;
	expect_cobs(d, n, e, 257);
	/* 00 01..FE -> 01 FF 01..FE */
	d[0] = 0;
	n = 1 + range(d + 1, 1, 0xfe);
	e[0] = 1;
	e[1] = 0xff;
	memcpy(e + 2, d + 1, 254);
	expect_cobs(d, n, e, 256);
	/* 02..FF 00 -> FF 02..FF 01 01 */
	n = range(d, 2, 0xff);
	d[n++] = 0;
	e[0] = 0xff;
	memcpy(e + 1, d, 254);
	e[255] = e[256] = 1;
	expect_cobs(d, n, e, 257);
	/* 03..FF 00 01 -> FE 03..FF 02 01 */
	n = range(d, 3, 0xff);
	d[n++] = 0;
	d[n++] = 1;
	e[0] = 0xfe;
	memcpy(e + 1, d, 253);
	e[254] = 2;
	e[255] = 1;
	expect_cobs(d, n, e, 256);
}
END_TEST

START_TEST(cobs_splits_a_long_run_as_in_figure_2)
{
	/* Cheshire & Baker, figure 2: 679 bytes and a zero -> codes FF FF AC, then 01 */
	uint8_t d[680], e[700];
	memset(d, 1, 679);
	d[679] = 0;
	ck_assert_uint_eq(cobs_encode(d, 680, e), 683);
	ck_assert_uint_eq(e[0], 0xff);
	ck_assert_uint_eq(e[255], 0xff);
	ck_assert_uint_eq(e[510], 0xac);
	ck_assert_uint_eq(e[682], 1);
}
END_TEST

START_TEST(cobs_decodes_both_conventions_after_254_bytes)
{
	uint8_t e[256] = {0xff}, out[256];
	range(e + 1, 1, 0xfe);
	e[255] = 1; /* some libraries append an empty group */
	ck_assert_int_eq(cobs_decode(e, 255, out), 254);
	ck_assert_int_eq(cobs_decode(e, 256, out), 254);
}
END_TEST

START_TEST(cobs_refuses_what_is_no_encoding)
{
	static const char *const bad[] = {"", "00", "02", "05 11 22", "03 11 00", "01 00 01"};
	uint8_t b[8], out[8];
	size_t n = rig_hex(bad[_i], b, sizeof b);
	ck_assert_int_eq(cobs_decode(b, n, out), -1);
}
END_TEST

START_TEST(cobs_comes_back_and_never_holds_a_zero)
{
	uint64_t seed = 7;
	uint8_t d[1024], e[COBS_MAX(1024)];
	for (int trial = 0; trial < 2000; trial++) {
		size_t n = rig_below(&seed, sizeof d);
		for (size_t i = 0; i < n; i++)
			d[i] = (uint8_t)(rig_below(&seed, 4) == 0 ? 0 : rig_random(&seed));
		size_t len = cobs_encode(d, n, e);
		ck_assert_uint_le(len, COBS_MAX(n));
		ck_assert_ptr_null(memchr(e, 0, len));
		ck_assert_int_eq(cobs_decode(e, len, e), (ptrdiff_t)n); /* in place */
		ck_assert(n == 0 || memcmp(e, d, n) == 0);
	}
}
END_TEST

int main(void)
{
	Suite *s = suite_create("crc_cobs");
	TCase *t = tcase_create("crc_cobs");
	tcase_add_test(t, crc16_has_the_catalogued_check_value);
	tcase_add_test(t, crc32c_has_the_values_of_rfc_3720);
	tcase_add_test(t, tables_agree_with_the_definition_at_every_length);
	tcase_add_loop_test(t, cobs_gives_the_published_examples, 0, sizeof short_ones / sizeof *short_ones);
	tcase_add_test(t, cobs_gives_the_published_examples_around_254_bytes);
	tcase_add_test(t, cobs_splits_a_long_run_as_in_figure_2);
	tcase_add_test(t, cobs_decodes_both_conventions_after_254_bytes);
	tcase_add_loop_test(t, cobs_refuses_what_is_no_encoding, 0, 6);
	tcase_add_test(t, cobs_comes_back_and_never_holds_a_zero);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
