/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The controller's sender against the recorder's decoder: what comes out is
 * what went in, less what was reported lost. */
#include "firmware/trammel_print.h"
#include "tests/format_rig.h"

/* Compiled in here: the firmware is in none of the host's libraries, and the
 * interrupt below needs to know where it holds its lock. */
static void interrupt_may_hit(void);
static unsigned lock_depth;
#define TRAMMEL_SEND_LOCK()                                                                                  \
	interrupt_may_hit();                                                                                 \
	lock_depth++
#define TRAMMEL_SEND_UNLOCK()                                                                                \
	lock_depth--;                                                                                        \
	interrupt_may_hit()
#include "firmware/trammel_send.c"

#include <check.h>
#include <stdlib.h>
#include <string.h>

/* ck_assert tells its place to the runner each time, which is slow in loops. */
#define must(condition)                                                                                      \
	do {                                                                                                 \
		if (!(condition))                                                                            \
			ck_abort_msg("not so: %s", #condition);                                              \
	} while (0)

/* --- the engine's side: records in, and a model of what must come out --- */

struct feed {
	struct trammel_send send;
	uint8_t *memory; /* of its own, so that the sanitizer sees its ends */
	struct record fed[RIG_CAPTURE_MAX];
	char text[RIG_CAPTURE_MAX][RECORD_TEXT_MAX];
	size_t n;                                 /* taken */
	uint64_t dropped;                         /* so far */
	uint64_t dropped_at[RIG_CAPTURE_MAX + 1]; /* before record n was taken */
	uint8_t wire[1 << 20];
	size_t wire_len;
	uint32_t now_us;
};

static struct feed feed;
static struct rig_capture got;

static void feed_make(struct feed *f, size_t size)
{
	free(f->memory);
	f->n = f->wire_len = 0;
	f->dropped = 0;
	f->now_us = 0;
	f->memory = malloc(size);
	ck_assert_ptr_nonnull(f->memory);
	ck_assert_int_eq(trammel_send_init(&f->send, f->memory, size), TRAMMEL_INIT_OK);
}

static enum trammel_put_result put_record(struct trammel_send *s, const struct record *r)
{
	char text[RECORD_TEXT_MAX + 1] = "";
	if (r->text_len > 0)
		memcpy(text, r->text, r->text_len);
	switch (r->kind) {
	case RECORD_TOOTH:
		return trammel_send_tooth(s, r->t_us, r->value == 1);
	case RECORD_TOOTH2:
		return trammel_send_tooth2(s, r->t_us, r->value == 1);
	case RECORD_INDEX:
		return trammel_send_index(s, r->t_us, r->value == 1);
	case RECORD_VALVE:
		return trammel_send_valve(s, r->t_us, r->channel, r->value == 1, r->intended_ddeg,
		                          r->controller_ddeg);
	case RECORD_SAMPLE:
		return trammel_send_sample(s, r->t_us, r->channel, (int32_t)r->value);
	case RECORD_MARK:
		return trammel_send_mark(s, r->t_us, text);
	default:
		must(r->kind == RECORD_HELLO);
		return trammel_send_hello(s, text);
	}
}

static void remember(struct feed *f, const struct record *r)
{
	must(f->n < RIG_CAPTURE_MAX);
	f->dropped_at[f->n] = f->dropped;
	f->fed[f->n] = *r;
	if (r->text_len > 0) {
		memcpy(f->text[f->n], r->text, r->text_len);
		f->fed[f->n].text = f->text[f->n];
	}
	f->n++;
}

static enum trammel_put_result feed_put(struct feed *f, const struct record *r)
{
	enum trammel_put_result result = put_record(&f->send, r);
	if (result == TRAMMEL_PUT_OK)
		remember(f, r);
	f->dropped += result == TRAMMEL_PUT_DROPPED;
	return result;
}

/* One look at the sender; takes up to `most` bytes.  Returns what was ready. */
static size_t feed_take(struct feed *f, size_t most)
{
	const uint8_t *bytes = NULL;
	size_t ready = trammel_send_poll(&f->send, f->now_us, &bytes), n = ready < most ? ready : most;
	must(f->wire_len + n <= sizeof f->wire);
	if (n > 0)
		memcpy(f->wire + f->wire_len, bytes, n);
	f->wire_len += n;
	trammel_send_done(&f->send, n);
	return ready;
}

/* Until the sender has been empty for longer than a frame waits. */
static void feed_drain(struct feed *f)
{
	for (int quiet = 0; quiet < 20; f->now_us += TRAMMEL_SEND_FLUSH_US / 4)
		quiet = feed_take(f, SIZE_MAX) > 0 ? 0 : quiet + 1;
}

static void decode(const struct feed *f, enum link_kind kind)
{
	struct link_sink sink = rig_sink(&got);
	struct link_decoder *d = link_decoder_new(kind);
	ck_assert_ptr_nonnull(d);
	got.n = got.damages = 0;
	got.frames_lost = 0;
	link_decode(d, f->wire, f->wire_len, &sink);
	link_decode_end(d, &sink);
	link_decoder_free(d);
	ck_assert_msg(got.damages == 0, "damage: %s", got.damage.why);
	ck_assert_uint_eq(got.frames_lost, 0);
}

/* The decoded records are those taken, in order; the lost ones are reported
 * after they happened, and in the end all of them. */
static void compare(const struct feed *f)
{
	uint64_t reported = 0;
	size_t n = 0;
	for (size_t i = 0; i < got.n; i++) {
		if (got.record[i].kind == RECORD_LOST) {
			reported += (uint64_t)got.record[i].value;
			must(got.record[i].value > 0);
			must(reported <= (n < f->n ? f->dropped_at[n] : f->dropped));
			continue;
		}
		must(n < f->n);
		must(record_equal(&got.record[i], &f->fed[n]));
		n++;
	}
	ck_assert_uint_eq(n, f->n);
	ck_assert_uint_eq(reported, f->dropped);
	ck_assert_uint_eq(f->send.lost_total, f->dropped);
}

/* Any record that this sender's functions can express and carry. */
static struct record any_record(uint64_t *random, const struct trammel_send *s)
{
	struct record r;
	do
		r = rig_record(random, true);
	while (r.kind == RECORD_LOST || r.text_len > trammel_send_text_max(s));
	if (r.kind == RECORD_HELLO)
		r.value = TRAMMEL_SEND_VERSION;
	return r;
}

/* A ride's record, a little after the one before: short times, short counts. */
static struct record plain_record(uint64_t *random, uint32_t *t_us)
{
	*t_us += (uint32_t)rig_below(random, 600);
	if (rig_below(random, 2))
		return record_make(RECORD_TOOTH, *t_us, 0, (int64_t)rig_below(random, 2));
	return record_make(RECORD_SAMPLE, *t_us, (unsigned)rig_below(random, 6),
	                   (int64_t)rig_below(random, 1024));
}

static void random_calls(uint64_t *random, size_t size, unsigned calls)
{
	uint32_t t_us = (uint32_t)rig_random(random);
	uint64_t greed = 1 + rig_below(random, 40); /* how much the port takes */
	feed_make(&feed, size);
	feed.now_us = t_us;
	for (unsigned i = 0; i < calls; i++) {
		struct record r =
		    rig_below(random, 4) == 0 ? any_record(random, &feed.send) : plain_record(random, &t_us);
		feed_put(&feed, &r);
		if (rig_below(random, 50) == 0)
			trammel_send_finish(&feed.send);
		feed.now_us += (uint32_t)rig_below(random, 2000);
		feed_take(&feed, rig_below(random, greed));
	}
	feed_drain(&feed);
	decode(&feed, LINK_FRAMES);
	compare(&feed);
}

START_TEST(every_buffer_size_gives_what_was_fed_less_what_was_lost)
{
	uint64_t random = 20240229, lost = 0;
	for (size_t size = TRAMMEL_SEND_BUFFER_MIN; size < 620; size++) {
		random_calls(&random, size, 300);
		lost += feed.dropped;
	}
	ck_assert_uint_gt(lost, 10000); /* the test is about full buffers */
}
END_TEST

START_TEST(random_calls_give_what_was_fed_less_what_was_lost)
{
	uint64_t random = 77;
	for (int i = 0; i < (rig_full() ? 3000 : 150); i++)
		random_calls(&random, TRAMMEL_SEND_BUFFER_MIN + rig_below(&random, 3000), 1500);
	random_calls(&random, UINT16_MAX, 2000);
}
END_TEST

/* --- the document --- */

static void put_documented(struct feed *f, const struct record *r)
{
	if (r->kind == RECORD_LOST) {
		trammel_send_lost(&f->send, (uint32_t)r->value);
		f->now_us = r->t_us; /* the next look reports it */
		feed_take(f, SIZE_MAX);
		return;
	}
	ck_assert_int_eq(put_record(&f->send, r), TRAMMEL_PUT_OK);
}

START_TEST(the_documented_frames_come_out_byte_for_byte)
{
	char *doc = rig_slurp("common/LINK.md"), text[4096], arg[64];
	const char *at = doc;
	uint8_t want[256] = {0}; /* a zero first */
	size_t want_len = 1;
	feed_make(&feed, 1024);
	while (rig_fence(&at, "frame", arg, sizeof arg, text, sizeof text)) {
		static struct rig_capture said;
		char *save = NULL;
		want_len += rig_hex(text, want + want_len, sizeof want - want_len);
		ck_assert(rig_fence(&at, "records", arg, sizeof arg, text, sizeof text));
		memset(&said, 0, sizeof said);
		for (char *l = strtok_r(text, "\n", &save); l != NULL; l = strtok_r(NULL, "\n", &save))
			rig_capture_words(&said, l);
		for (size_t i = 0; i < said.n; i++)
			put_documented(&feed, &said.record[i]);
		trammel_send_finish(&feed.send);
		feed_drain(&feed);
	}
	ck_assert_uint_gt(want_len, 61);
	ck_assert_uint_eq(feed.wire_len, want_len);
	ck_assert_mem_eq(feed.wire, want, want_len);
	free(doc);
}
END_TEST

/* --- time --- */

START_TEST(a_full_buffer_refuses_at_once_and_says_how_much)
{
	feed_make(&feed, 64);
	for (uint32_t i = 0; i < 1000; i++) {
		struct record r = record_make(RECORD_TOOTH, i * 300, 0, i & 1);
		feed_put(&feed, &r);
	}
	ck_assert_uint_eq(feed.n + feed.dropped, 1000);
	ck_assert_uint_gt(feed.dropped, 900);
	feed_drain(&feed);
	decode(&feed, LINK_FRAMES);
	compare(&feed);
}
END_TEST

START_TEST(one_look_seals_no_more_than_a_slice)
{
	feed_make(&feed, 1024);
	for (uint32_t i = 0; i < 100; i++)
		ck_assert_int_eq(trammel_send_tooth(&feed.send, i * 333, i & 1), TRAMMEL_PUT_OK);
	feed_take(&feed, SIZE_MAX); /* the zero at the start */
	unsigned looks = 0;
	while (feed.wire_len == 1 && looks++ < 100)
		feed_take(&feed, SIZE_MAX);
	/* The first frame of 100 edges of 3 bytes is full: 251 to 254 bytes. */
	ck_assert_uint_ge(feed.wire_len, 1 + 251);
	ck_assert_uint_ge(looks, 251 / TRAMMEL_SEND_SLICE);
	ck_assert_uint_le(looks, 254 / TRAMMEL_SEND_SLICE + 1);
}
END_TEST

START_TEST(a_lonely_record_goes_out_after_its_time)
{
	feed_make(&feed, 256);
	feed.now_us = UINT32_MAX - 5000; /* the counter wraps while it waits */
	struct record r = record_make(RECORD_INDEX, feed.now_us, 0, 1);
	feed_put(&feed, &r);
	feed_take(&feed, SIZE_MAX);
	ck_assert_uint_eq(feed.wire_len, 1);
	feed.now_us += TRAMMEL_SEND_FLUSH_US - 1;
	feed_take(&feed, SIZE_MAX);
	ck_assert_uint_eq(feed.wire_len, 1);
	feed.now_us++;
	feed_take(&feed, SIZE_MAX);
	decode(&feed, LINK_FRAMES);
	compare(&feed);
}
END_TEST

START_TEST(losses_are_reported_even_when_nothing_more_happens)
{
	feed_make(&feed, 64);
	trammel_send_lost(&feed.send, UINT32_MAX - 1);
	trammel_send_lost(&feed.send, 7); /* more than a report can say: the most it can */
	feed_drain(&feed);
	decode(&feed, LINK_FRAMES);
	ck_assert_uint_eq(got.n, 1);
	ck_assert_int_eq(got.record[0].kind, RECORD_LOST);
	ck_assert_int_eq(got.record[0].value, UINT32_MAX);
}
END_TEST

/* --- misuse --- */

START_TEST(buffers_that_cannot_work_are_refused)
{
	struct trammel_send s;
	uint8_t memory[TRAMMEL_SEND_BUFFER_MIN];
	ck_assert_int_eq(trammel_send_init(&s, NULL, 100), TRAMMEL_INIT_BAD_BUFFER);
	ck_assert_int_eq(trammel_send_init(&s, memory, sizeof memory - 1), TRAMMEL_INIT_BAD_BUFFER);
	ck_assert_int_eq(trammel_send_init(&s, memory, UINT16_MAX + 1), TRAMMEL_INIT_BAD_BUFFER);
	ck_assert_int_eq(trammel_send_init(&s, memory, sizeof memory), TRAMMEL_INIT_OK);
}
END_TEST

START_TEST(the_longest_text_travels_and_one_byte_more_is_refused)
{
	char text[TRAMMEL_SEND_TEXT_MAX + 2];
	for (size_t size = TRAMMEL_SEND_BUFFER_MIN; size <= 300; size++) {
		feed_make(&feed, size);
		size_t most = trammel_send_text_max(&feed.send);
		memset(text, 'x', sizeof text);
		text[most] = '\0';
		struct record r = record_make(size & 1 ? RECORD_MARK : RECORD_HELLO, 0, 0, size & 1 ? 0 : 1);
		r.text = text;
		r.text_len = (uint16_t)most;
		ck_assert_int_eq(feed_put(&feed, &r), TRAMMEL_PUT_OK);
		text[most] = 'x';
		text[most + 1] = '\0';
		ck_assert_int_eq(trammel_send_mark(&feed.send, 5, text), TRAMMEL_PUT_TOO_LONG);
		feed_drain(&feed);
		decode(&feed, LINK_FRAMES);
		compare(&feed);
	}
	ck_assert_uint_eq(trammel_send_text_max(&feed.send), TRAMMEL_SEND_TEXT_MAX);
	feed_make(&feed, 264);
	ck_assert_uint_lt(trammel_send_text_max(&feed.send), TRAMMEL_SEND_TEXT_MAX);
	feed_make(&feed, 265);
	ck_assert_uint_eq(trammel_send_text_max(&feed.send), TRAMMEL_SEND_TEXT_MAX);
}
END_TEST

START_TEST(control_characters_are_refused)
{
	feed_make(&feed, 256);
	ck_assert_int_eq(trammel_send_mark(&feed.send, 5, "line\nfeed"), TRAMMEL_PUT_BAD_TEXT);
	ck_assert_int_eq(trammel_send_hello(&feed.send, "\x7f"), TRAMMEL_PUT_BAD_TEXT);
	ck_assert_int_eq(trammel_send_hello(&feed.send, NULL), TRAMMEL_PUT_OK);
	feed_drain(&feed);
	decode(&feed, LINK_FRAMES);
	ck_assert_uint_eq(got.n, 1);
}
END_TEST

START_TEST(done_takes_no_more_than_was_ready)
{
	const uint8_t *bytes;
	feed_make(&feed, 100);
	trammel_send_done(&feed.send, 5000);
	trammel_send_tooth(&feed.send, 1, true);
	trammel_send_finish(&feed.send);
	ck_assert_uint_gt(trammel_send_poll(&feed.send, 1, &bytes), 0);
	trammel_send_done(&feed.send, SIZE_MAX);
	ck_assert_uint_eq(trammel_send_poll(&feed.send, 1, &bytes), 0);
}
END_TEST

/* --- interrupts: at every place where the lock lets them --- */

static struct {
	bool on, inside;
	uint64_t random;
	uint32_t count, taken, dropped;
} interrupt;

/* Puts numbered samples on channel 9. */
static void interrupt_may_hit(void)
{
	if (!interrupt.on || interrupt.inside || lock_depth > 0 || rig_below(&interrupt.random, 3) > 0)
		return;
	interrupt.inside = true;
	bool ok = trammel_send_sample(&feed.send, feed.now_us, 9, (int32_t)interrupt.count) == TRAMMEL_PUT_OK;
	interrupt.count++;
	interrupt.taken += ok;
	interrupt.dropped += !ok;
	interrupt.inside = false;
}

static void interrupted_calls(uint64_t *random, size_t size)
{
	uint32_t t_us = 0;
	feed_make(&feed, size);
	memset(&interrupt, 0, sizeof interrupt);
	interrupt.random = rig_random(random) | 1;
	interrupt.on = true;
	for (int i = 0; i < 400; i++) {
		struct record r = plain_record(random, &t_us);
		feed.now_us = t_us;
		feed_put(&feed, &r);
		feed_take(&feed, rig_below(random, 25));
	}
	interrupt.on = false;
	feed_drain(&feed);
}

/* Both sources came through in their own order, and the losses add up. */
static void check_both_sources(void)
{
	uint64_t reported = 0;
	uint32_t samples = 0;
	int64_t last = -1;
	size_t n = 0;
	for (size_t i = 0; i < got.n; i++) {
		const struct record *r = &got.record[i];
		if (r->kind == RECORD_LOST) {
			reported += (uint64_t)r->value;
		} else if (r->kind == RECORD_SAMPLE && r->channel == 9) {
			must(r->value > last);
			last = r->value;
			samples++;
		} else {
			must(n < feed.n && record_equal(r, &feed.fed[n]));
			n++;
		}
	}
	ck_assert_uint_eq(n, feed.n);
	ck_assert_uint_eq(samples, interrupt.taken);
	ck_assert_uint_eq(reported, feed.dropped + interrupt.dropped);
}

START_TEST(interrupts_between_any_two_locks_do_no_harm)
{
	uint64_t random = 4711;
	for (int i = 0; i < 200; i++) {
		interrupted_calls(&random, TRAMMEL_SEND_BUFFER_MIN + rig_below(&random, 400));
		ck_assert_uint_gt(interrupt.count, 100);
		decode(&feed, LINK_FRAMES);
		check_both_sources();
	}
}
END_TEST

/* --- text lines --- */

static void print_record(struct trammel_line *l, const struct record *r, const char *text)
{
	switch (r->kind) {
	case RECORD_VALVE:
		trammel_valve(l, r->t_us, r->channel, r->value == 1);
		break;
	case RECORD_SAMPLE:
		trammel_sample(l, r->t_us, r->channel, (uint16_t)r->value);
		break;
	case RECORD_MARK:
		trammel_mark(l, r->t_us, text);
		break;
	case RECORD_HELLO:
		trammel_hello(l, text);
		break;
	default:
		trammel_event(l, record_kind_name(r->kind), r->t_us, (uint32_t)r->value);
	}
}

static void print_to_wire(struct feed *f, const struct record *r)
{
	struct trammel_line l;
	char text[RECORD_TEXT_MAX + 1] = "";
	if (r->text_len > 0)
		memcpy(text, r->text, r->text_len);
	print_record(&l, r, text);
	must(l.len <= TRAMMEL_LINE_MAX);
	memcpy(f->wire + f->wire_len, l.text, l.len);
	f->wire_len += l.len;
}

/* The lines carry no angles, no negative counts, and shorter texts. */
static bool printable(const struct record *r)
{
	return r->text_len <= 60 && (r->kind != RECORD_SAMPLE || (r->value >= 0 && r->value <= UINT16_MAX));
}

START_TEST(printed_lines_are_read_as_what_was_printed)
{
	uint64_t random = 99;
	feed_make(&feed, 64);
	while (feed.n < 2000) {
		struct record r = rig_record(&random, true);
		r.intended_ddeg = r.controller_ddeg = RECORD_ANGLE_NONE;
		if (r.kind == RECORD_HELLO)
			r.value = 1;
		if (r.kind == RECORD_SAMPLE && rig_below(&random, 2))
			r.value &= 1023;
		if (!printable(&r))
			continue;
		remember(&feed, &r);
		print_to_wire(&feed, &r);
	}
	decode(&feed, LINK_LINES);
	ck_assert_uint_eq(got.n, feed.n);
	for (size_t i = 0; i < feed.n; i++)
		must(record_equal(&got.record[i], &feed.fed[i]));
}
END_TEST

START_TEST(a_line_that_is_too_long_is_cut_and_still_whole)
{
	struct trammel_line l;
	char text[300];
	memset(text, 'y', sizeof text);
	text[sizeof text - 1] = '\0';
	trammel_mark(&l, UINT32_MAX, text);
	ck_assert_uint_eq(l.len, TRAMMEL_LINE_MAX);
	feed_make(&feed, 64);
	memcpy(feed.wire, l.text, l.len);
	feed.wire_len = l.len;
	decode(&feed, LINK_LINES);
	ck_assert_uint_eq(got.n, 1);
	ck_assert_int_eq(got.record[0].kind, RECORD_MARK);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("sender");
	TCase *t = tcase_create("frames");
	tcase_set_timeout(t, 120);
	tcase_add_test(t, every_buffer_size_gives_what_was_fed_less_what_was_lost);
	tcase_add_test(t, random_calls_give_what_was_fed_less_what_was_lost);
	tcase_add_test(t, the_documented_frames_come_out_byte_for_byte);
	tcase_add_test(t, a_full_buffer_refuses_at_once_and_says_how_much);
	tcase_add_test(t, one_look_seals_no_more_than_a_slice);
	tcase_add_test(t, a_lonely_record_goes_out_after_its_time);
	tcase_add_test(t, losses_are_reported_even_when_nothing_more_happens);
	tcase_add_test(t, buffers_that_cannot_work_are_refused);
	tcase_add_test(t, the_longest_text_travels_and_one_byte_more_is_refused);
	tcase_add_test(t, control_characters_are_refused);
	tcase_add_test(t, done_takes_no_more_than_was_ready);
	tcase_add_test(t, interrupts_between_any_two_locks_do_no_harm);
	suite_add_tcase(s, t);
	TCase *lines = tcase_create("lines");
	tcase_add_test(lines, printed_lines_are_read_as_what_was_printed);
	tcase_add_test(lines, a_line_that_is_too_long_is_cut_and_still_whole);
	suite_add_tcase(s, lines);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
