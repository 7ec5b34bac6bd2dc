/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The binary link, and what both links have in common. */
#include "common/bytes.h"
#include "common/cobs.h"
#include "common/crc.h"
#include "common/frames.h"
#include "tests/format_rig.h"

#include <check.h>
#include <stdlib.h>
#include <string.h>

static struct rig_capture got, want;

/* A frame on the wire around these record bytes. */
static size_t wire_of(unsigned sequence, uint32_t base, const char *hex, uint8_t *out)
{
	uint8_t raw[FRAMES_RAW_MAX];
	bytes_put_u32(bytes_put_u8(raw, sequence), base);
	size_t n = FRAMES_HEAD + rig_hex(hex, raw + FRAMES_HEAD, sizeof raw - FRAMES_HEAD - 2);
	bytes_put_u16(raw + n, crc16(raw, n));
	size_t len = cobs_encode(raw, n + FRAMES_CHECK, out);
	out[len] = 0;
	return len + 1;
}

static struct link_counts decode(const uint8_t *bytes, size_t n)
{
	struct link_sink sink = rig_sink(&got);
	struct link_decoder *d = link_decoder_new(LINK_FRAMES);
	memset(&got, 0, sizeof got);
	link_decode(d, bytes, n, &sink);
	link_decode_end(d, &sink);
	struct link_counts c = *link_decoder_counts(d);
	link_decoder_free(d);
	return c;
}

struct bad_records {
	const char *hex, *why;
	size_t offset; /* on the wire; one tooth edge stands before it at 6 */
};

static const struct bad_records bad[] = {
    {"11 00 00", "unknown record in the frame", 8},
    {"11 00 90 00", "unknown record in the frame", 8},
    {"11 00 F0", "unknown record in the frame", 8},
    {"11 00 12 00", "unknown record in the frame", 8},
    {"11 00 61 00 00", "unknown record in the frame", 8},
    {"11 00 48 00 00", "unknown record in the frame", 8},
    {"11 00 11", "record cut short in the frame", 8},
    {"11 00 11 80", "record cut short in the frame", 8},
    {"11 00 11 80 80 80 80 80 00", "record cut short in the frame", 8},
    {"11 00 11 FF FF FF FF 10", "record cut short in the frame", 8},
    {"11 00 41 00", "record cut short in the frame", 8},
    {"11 00 43 00 02 50", "record cut short in the frame", 8},
    {"11 00 47 00 02 50 00 F1", "record cut short in the frame", 8},
    {"11 00 43 00 02 00 80", "angle out of range", 8},
    {"11 00 43 FF FF FF FF 10 02 00 80", "record cut short in the frame",
     8}, /* both wrong: the first is told */
    {"11 00 50 00", "record cut short in the frame", 8},
    {"11 00 50 00 80 80 80 80 10", "record cut short in the frame", 8}, /* a value of 33 bits */
    {"11 00 5F 00 10", "record cut short in the frame", 8},
    {"11 00 60 00 02 41", "record cut short in the frame", 8},
    {"11 00 60 00 01 0A", "text is not UTF-8, or holds a control character", 8},
    {"11 00 60 00 01 FF", "text is not UTF-8, or holds a control character", 8},
    {"11 00 80 01", "record cut short in the frame", 8},
    {"11 00 70 00", "record cut short in the frame", 8},
};

START_TEST(a_bad_record_spoils_the_rest_of_its_frame_only)
{
	uint8_t wire[600];
	size_t n = wire_of(0, 50, bad[_i].hex, wire), first = n;
	n += wire_of(1, 60, "10 00", wire + n);
	decode(wire, n);
	ck_assert_uint_eq(got.n, 2);
	ck_assert_uint_eq(got.record[1].t_us, 60);
	ck_assert_uint_eq(got.damages, 1);
	ck_assert_str_eq(got.damage.why, bad[_i].why);
	ck_assert_uint_eq(got.damage.offset, bad[_i].offset);
	ck_assert_uint_eq(got.damage.offset + got.damage.bytes, first);
	ck_assert_uint_eq(got.frames_lost, 0);
}
END_TEST

/* After a replug the decoder goes on: what it tells later is counted from the first byte of all. */
START_TEST(what_the_end_cuts_off_is_told_and_offsets_go_on_behind_it)
{
	uint8_t wire[100];
	struct link_sink sink = rig_sink(&got);
	struct link_decoder *d = link_decoder_new(LINK_FRAMES);
	memset(&got, 0, sizeof got);
	size_t n = wire_of(0, 50, "10 00", wire);
	for (size_t cut = 1; cut <= 3; cut++) {
		link_decode(d, wire, n, &sink);
		link_decode(d, wire, cut, &sink);
		link_decode_end(d, &sink);
		ck_assert_uint_eq(got.damages, cut);
		ck_assert_str_eq(got.damage.why, "frame cut off by the end");
		ck_assert_uint_eq(got.damage.offset, cut * n + cut * (cut - 1) / 2);
		ck_assert_uint_eq(got.damage.bytes, cut);
	}
	link_decode_end(d, &sink);
	ck_assert_uint_eq(got.damages, 3);
	ck_assert_uint_eq(link_decoder_counts(d)->damaged_bytes, 1 + 2 + 3);
	link_decoder_free(d);
}
END_TEST

START_TEST(a_text_longer_than_120_bytes_is_damage)
{
	char hex[400] = "60 00 79";
	uint8_t wire[300];
	for (int i = 0; i < 121; i++)
		strcat(hex, " 41");
	decode(wire, wire_of(0, 0, hex, wire));
	ck_assert_str_eq(got.damage.why, "text is longer than 120 bytes");
}
END_TEST

START_TEST(lost_frames_are_counted_and_a_restart_is_not_a_loss)
{
	uint8_t w[600];
	size_t n = wire_of(250, 0, "11 00", w);
	n += wire_of(251, 0, "10 00", w + n);
	n += wire_of(254, 0, "11 00", w + n); /* 252, 253 missing */
	n += wire_of(255, 0, "10 00", w + n);
	n += wire_of(0, 0, "11 00", w + n);
	n += wire_of(7, 0, "10 00", w + n);          /* 1 to 6 missing */
	n += wire_of(0, 0, "80 01 00 11 00", w + n); /* started again */
	n += wire_of(1, 0, "10 00", w + n);
	struct link_counts c = decode(w, n);
	ck_assert_uint_eq(got.frames_lost, 2 + 6);
	ck_assert_uint_eq(c.frames_lost, 8);
	ck_assert_uint_eq(c.units, 8);
	ck_assert_uint_eq(got.damages, 0);
}
END_TEST

START_TEST(frame_0_is_a_restart_only_with_a_hello)
{
	static const char *const without[] = {"", "11 00", "80 01 00 11 00"};
	uint8_t w[200];
	size_t n = wire_of(7, 0, "10 00", w);
	n += wire_of(0, 0, without[_i], w + n);
	decode(w, n);
	ck_assert_uint_eq(got.frames_lost, _i < 2 ? 248 : 0);
	ck_assert_uint_eq(got.damages, 0);
}
END_TEST

/* Stuffing may let one byte more through than a frame can be long. */
START_TEST(a_frame_of_255_bytes_is_too_long)
{
	for (size_t n = FRAMES_RAW_MAX; n <= FRAMES_RAW_MAX + 1; n++) {
		uint8_t raw[FRAMES_RAW_MAX + 1] = {0}, wire[FRAMES_WIRE_MAX + 1];
		for (size_t i = FRAMES_HEAD; i + 1 < n - FRAMES_CHECK; i += 2)
			raw[i] = 0x10; /* a tooth edge, 0 us later */
		raw[n - FRAMES_CHECK - 1] = 0x10;
		bytes_put_u16(raw + n - FRAMES_CHECK, crc16(raw, n - FRAMES_CHECK));
		size_t len = cobs_encode(raw, n, wire);
		ck_assert_uint_le(len, FRAMES_WIRE_MAX);
		wire[len] = 0;
		decode(wire, len + 1);
		ck_assert_int_eq(strcmp(got.damages > 0 ? got.damage.why : "", "frame is too long") == 0,
		                 n > FRAMES_RAW_MAX);
	}
}
END_TEST

START_TEST(a_frame_of_nothing_is_not_sent)
{
	uint8_t out[LINK_ENCODE_MAX];
	struct frames_encoder e;
	struct record r = record_make(RECORD_TOOTH, 5, 0, 1);
	memset(&e, 0, sizeof e);
	ck_assert_uint_eq(frames_encode_end(&e, out), 0);
	ck_assert_uint_eq(frames_encode(&e, &r, out), 0);
	ck_assert_uint_gt(frames_encode_end(&e, out), 0);
	ck_assert_uint_eq(frames_encode_end(&e, out), 0);
}
END_TEST

START_TEST(zeros_between_frames_are_nothing)
{
	uint8_t w[100] = {0};
	size_t n = 3 + wire_of(0, 9, "11 00", w + 3);
	decode(w, n + 5);
	ck_assert_uint_eq(got.n, 1);
	ck_assert_uint_eq(got.damages, 0);
}
END_TEST

struct bad_frame {
	const char *hex, *why;
};

static const struct bad_frame bad_frames[] = {
    {"05 11 22 00", "frame is not stuffed rightly"},
    {"04 11 22 33 00", "frame is too short"},
    {"02 01 01 02 01 02 11 03 59 0E 00", "checksum does not match"},
    {"02 01 01 02 01 02 11 03 59 0F", "frame cut off by the end"},
    {"02", "frame cut off by the end"},
};

START_TEST(a_bad_frame_is_damage)
{
	uint8_t w[64];
	size_t n = rig_hex(bad_frames[_i].hex, w, sizeof w);
	decode(w, n);
	ck_assert_uint_eq(got.n, 0);
	ck_assert_uint_eq(got.damages, 1);
	ck_assert_str_eq(got.damage.why, bad_frames[_i].why);
	ck_assert_uint_eq(got.damage.bytes, n);
}
END_TEST

/* A frame less full than it may be costs its head and check once more. */
START_TEST(frames_are_filled_to_the_limit_and_not_beyond)
{
	uint8_t out[LINK_ENCODE_MAX], raw[LINK_ENCODE_MAX];
	uint64_t seed = 8;
	size_t longest = 0;
	struct link_encoder *e = link_encoder_new(LINK_FRAMES);
	for (int i = 0; i < 20000; i++) {
		struct record r = rig_record(&seed, true);
		size_t n = link_encode(e, &r, out);
		if (n == 0)
			continue;
		ptrdiff_t len = cobs_decode(out, n - 1, raw);
		ck_assert_int_gt(len, 0);
		longest = (size_t)len > longest ? (size_t)len : longest;
	}
	ck_assert_uint_eq(longest, FRAMES_RAW_MAX);
	link_encoder_free(e);
}
END_TEST

/* A hello has no time; its frame's base is zero, so that the same ride gives the same bytes. */
START_TEST(a_frame_without_times_has_base_0)
{
	uint8_t out[LINK_ENCODE_MAX], raw[LINK_ENCODE_MAX];
	struct link_encoder *e = link_encoder_new(LINK_FRAMES);
	struct record hello = record_make(RECORD_HELLO, 0, 0, 1), tooth = record_make(RECORD_TOOTH, 77, 0, 1);
	for (unsigned frame = 0; frame < 2; frame++) {
		if (frame == 1)
			ck_assert_uint_eq(link_encode(e, &tooth, out), 0);
		ck_assert_uint_eq(link_encode(e, &hello, out), 0);
		ck_assert_int_gt(cobs_decode(out, link_encode_end(e, out) - 1, raw), FRAMES_HEAD);
		ck_assert_uint_eq(raw[0], frame);
		ck_assert_uint_eq(bytes_get_u32(raw + 1), frame == 0 ? 0 : 77);
	}
	link_encoder_free(e);
}
END_TEST

START_TEST(a_flood_without_zeros_is_one_damage)
{
	static uint8_t flood[100000];
	memset(flood, 0x55, sizeof flood);
	size_t n = sizeof flood - 20;
	flood[n++] = 0;
	n += wire_of(0, 1, "11 00", flood + n);
	struct link_counts c = decode(flood, n);
	ck_assert_uint_eq(got.n, 1);
	ck_assert_uint_eq(c.damaged_units, 1);
	ck_assert_uint_eq(c.damaged_bytes, sizeof flood - 19);
	ck_assert_str_eq(got.damage.why, "frame is too long");
}
END_TEST

START_TEST(every_single_bit_of_a_frame_is_guarded)
{
	uint8_t w[64], copy[64];
	size_t n = wire_of(3, 100000, "11 0E 50 64 80 08 47 3B 02 50 00 F1 FF", w);
	for (size_t bit = 0; bit < n * 8; bit++) {
		memcpy(copy, w, n);
		copy[bit / 8] ^= (uint8_t)(1 << bit % 8);
		decode(copy, n);
		ck_assert_uint_eq(got.n, 0);
		ck_assert_uint_ge(got.damages, 1);
	}
}
END_TEST

START_TEST(what_a_link_cannot_carry_is_refused)
{
	uint8_t out[LINK_ENCODE_MAX];
	struct link_encoder *e = link_encoder_new(LINK_LINES);
	struct record r = record_make(RECORD_ARRIVAL, 1, 0, 2);
	ck_assert_uint_eq(link_encode(e, &r, out), 0);
	r = record_make(RECORD_TOOTH, 1, 0, 2);
	ck_assert_uint_eq(link_encode(e, &r, out), 0);
	r = record_make(RECORD_HELLO, 1, 0, 1);
	ck_assert_uint_eq(link_encode(e, &r, out), 0);
	r = record_make(RECORD_MARK, 1, 0, 0);
	r.text = "a\nb";
	r.text_len = 3;
	ck_assert_uint_eq(link_encode(e, &r, out), 0);
	r.text = "ab";
	r.text_len = 2;
	ck_assert_uint_gt(link_encode(e, &r, out), 0);
	link_encoder_free(e);
}
END_TEST

/* --- both links --- */

#define STREAM_MAX 262144
static uint8_t stream[STREAM_MAX];

/* Encodes n random records into `stream`; they are in `want`. */
static size_t encode_stream(enum link_kind kind, uint64_t *seed, size_t n)
{
	struct link_encoder *e = link_encoder_new(kind);
	struct link_sink keep = rig_sink(&want);
	size_t len = 0;
	memset(&want, 0, sizeof want);
	for (size_t i = 0; i < n; i++) {
		struct record r = rig_record(seed, true);
		keep.record(keep.ctx, &r);
		len += link_encode(e, &r, stream + len);
		ck_assert_uint_le(len + LINK_ENCODE_MAX, STREAM_MAX);
	}
	len += link_encode_end(e, stream + len);
	link_encoder_free(e);
	return len;
}

static struct link_counts decode_pieces(enum link_kind kind, size_t len, uint64_t *seed)
{
	struct link_sink sink = rig_sink(&got);
	struct link_decoder *d = link_decoder_new(kind);
	memset(&got, 0, sizeof got);
	for (size_t at = 0; at < len;) {
		size_t piece = 1 + rig_below(seed, rig_below(seed, 2) ? 4 : 600);
		piece = piece < len - at ? piece : len - at;
		link_decode(d, stream + at, piece, &sink);
		at += piece;
	}
	link_decode_end(d, &sink);
	struct link_counts c = *link_decoder_counts(d);
	link_decoder_free(d);
	return c;
}

START_TEST(both_links_carry_the_same_records_in_any_pieces)
{
	static struct rig_capture over_frames;
	for (uint64_t trial = 1; trial <= 20; trial++) {
		uint64_t a = trial, b = trial, pieces = trial + 100;
		decode_pieces(LINK_FRAMES, encode_stream(LINK_FRAMES, &a, 1000), &pieces);
		ck_assert_int_eq(rig_differs(&got, &want), -1);
		ck_assert_uint_eq(got.damages + got.frames_lost, 0);
		over_frames = got;
		struct link_counts c =
		    decode_pieces(LINK_LINES, encode_stream(LINK_LINES, &b, 1000), &pieces);
		ck_assert_int_eq(rig_differs(&got, &over_frames), -1);
		ck_assert_uint_eq(c.units, 1000);
		ck_assert_uint_eq(got.damages, 0);
	}
}
END_TEST

/* How many of `got` are, in order, records of `want`. */
static size_t matched_in_order(void)
{
	size_t at = 0, matched = 0;
	for (size_t i = 0; i < got.n; i++) {
		size_t j = at;
		while (j < want.n && !record_equal(&got.record[i], &want.record[j]))
			j++;
		if (j == want.n)
			continue;
		at = j + 1;
		matched++;
	}
	return matched;
}

/* One damaged byte: frames lose one frame (two when a zero was hit), lines one
 * line (two when a line end was).  Frames give nothing false.  Lines without a
 * hello that binds them may: a line cut in two, or a digit of the checksum's
 * star; then one or two. */
START_TEST(damage_costs_its_own_units_only)
{
	enum link_kind kind = _i == 0 ? LINK_FRAMES : LINK_LINES;
	uint64_t seed = 77 + (unsigned)_i;
	size_t worst = 0;
	for (int trial = 0; trial < 300; trial++) {
		size_t len = encode_stream(kind, &seed, 400), at = rig_below(&seed, len);
		stream[at] ^= (uint8_t)(1 + rig_below(&seed, 255));
		struct link_counts c = decode_pieces(kind, len, &seed);
		size_t lost = want.n - got.n;
		if (kind == LINK_FRAMES)
			ck_assert_uint_eq(matched_in_order(), got.n);
		ck_assert_uint_ge(matched_in_order() + 2, got.n);
		worst = lost > worst ? lost : worst;
		ck_assert_uint_eq(c.bytes, len);
		ck_assert_uint_le(got.damages, 3);
	}
	ck_assert_uint_le(worst, kind == LINK_LINES ? 2 : 2 * 124);
}
END_TEST

START_TEST(noise_gives_no_records)
{
	uint64_t seed = 5;
	for (size_t i = 0; i < STREAM_MAX; i++)
		stream[i] = (uint8_t)rig_random(&seed);
	struct link_counts c = decode_pieces(LINK_FRAMES, STREAM_MAX, &seed);
	ck_assert_uint_eq(got.n, 0);
	c = decode_pieces(LINK_LINES, STREAM_MAX, &seed);
	ck_assert_uint_eq(got.n, 0);
	ck_assert_uint_eq(c.bytes, STREAM_MAX);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("frames");
	TCase *t = tcase_create("frames");
	tcase_add_loop_test(t, a_bad_record_spoils_the_rest_of_its_frame_only, 0, sizeof bad / sizeof *bad);
	tcase_add_test(t, what_the_end_cuts_off_is_told_and_offsets_go_on_behind_it);
	tcase_add_test(t, a_text_longer_than_120_bytes_is_damage);
	tcase_add_test(t, lost_frames_are_counted_and_a_restart_is_not_a_loss);
	tcase_add_loop_test(t, frame_0_is_a_restart_only_with_a_hello, 0, 3);
	tcase_add_test(t, a_frame_of_255_bytes_is_too_long);
	tcase_add_test(t, a_frame_of_nothing_is_not_sent);
	tcase_add_test(t, zeros_between_frames_are_nothing);
	tcase_add_loop_test(t, a_bad_frame_is_damage, 0, sizeof bad_frames / sizeof *bad_frames);
	tcase_add_test(t, frames_are_filled_to_the_limit_and_not_beyond);
	tcase_add_test(t, a_frame_without_times_has_base_0);
	tcase_add_test(t, a_flood_without_zeros_is_one_damage);
	tcase_add_test(t, every_single_bit_of_a_frame_is_guarded);
	tcase_add_test(t, what_a_link_cannot_carry_is_refused);
	tcase_add_test(t, both_links_carry_the_same_records_in_any_pieces);
	tcase_add_loop_test(t, damage_costs_its_own_units_only, 0, 2);
	tcase_add_test(t, noise_gives_no_records);
	tcase_set_timeout(t, 60);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
