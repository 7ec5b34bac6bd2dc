/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The recorder's three turns in this process: the receiver between a source and the ring, the writer
 * between the ring and a log, and the supervisor. */
#include "logd/clock.h"
#include "logd/receiver.h"
#include "logd/recorder.h"
#include "logd/watch.h"
#include "tests/logd_folder.h"
#include "tests/logd_rig.h"

#include <check.h>
#include <errno.h>
#include <fcntl.h>
#include <linux/serial.h>
#include <pthread.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <sys/ioctl.h>
#include <sys/signalfd.h>
#include <sys/socket.h>
#include <sys/syscall.h>
#include <sys/un.h>
#include <termios.h>
#include <unistd.h>

static struct status status;
static struct ring *ring;

static void set_up(void)
{
	logd_folder_make();
	status_init(&status);
}

static void tear_down(void)
{
	logd_folder_remove();
}

/* A driver that counts what it lost. */
static atomic_int driver_lost = -1; /* -1: it does not */

int ioctl(int fd, unsigned long request, ...)
{
	va_list args;
	va_start(args, request);
	void *p = va_arg(args, void *);
	va_end(args);
	if (request != TIOCGICOUNT || driver_lost < 0)
		return (int)syscall(SYS_ioctl, fd, request, p);
	*(struct serial_icounter_struct *)p = (struct serial_icounter_struct){.overrun = driver_lost};
	return 0;
}

/* --- the receiver --- */

static struct source source;
static struct receiver receiver;
static pthread_t thread;
static int stop_fd;

static void receive_from(int fd, enum source_kind kind, size_t ring_bytes)
{
	source = source_make(in_folder("port"), 9600, false);
	source.fd = fd;
	source.kind = kind;
	source.live = !source_ends(kind);
	stop_fd = eventfd(0, EFD_NONBLOCK);
	ring = ring_new(ring_bytes);
	receiver = (struct receiver){.source = &source, .ring = ring, .status = &status, .wake_fd = stop_fd};
	ck_assert_int_eq(pthread_create(&thread, NULL, receiver_run, &receiver), 0);
}

static void tell_to_stop(void)
{
	uint64_t one = 1;
	ck_assert_int_eq(write(stop_fd, &one, sizeof one), sizeof one);
}

static void end_receiver(void)
{
	pthread_join(thread, NULL);
	ring_free(ring);
	close(stop_fd);
	ck_assert_int_eq(source.fd, -1);
}

/* Next entry within 5 s; released, but its numbers and text stay.  For data: `bytes` of them. */
static struct ring_view next(size_t *bytes)
{
	struct ring_view v;
	int64_t end = clock_mono_us() + 5 * CLOCK_SECOND_US;
	while (!ring_peek(ring, &v)) {
		ck_assert_int_lt(clock_mono_us(), end);
		ring_wait_data(ring, 10);
	}
	*bytes = v.kind == RING_DATA ? v.span[0].iov_len + v.span[1].iov_len : 0;
	ring_release(ring);
	return v;
}

static struct ring_view expect_event(enum ring_kind kind)
{
	size_t n;
	struct ring_view v = next(&n);
	ck_assert_int_eq(v.kind, kind);
	return v;
}

static size_t data_until(enum ring_kind kind, struct ring_view *v)
{
	size_t all = 0, n;
	while ((*v = next(&n)).kind == RING_DATA)
		all += n;
	ck_assert_int_eq(v->kind, kind);
	return all;
}

static void open_line(int line[2])
{
	ck_assert_int_eq(socketpair(AF_UNIX, SOCK_STREAM | SOCK_NONBLOCK, 0, line), 0);
}

static void send_all(int fd, size_t n)
{
	static const uint8_t bytes[1024];
	while (n > 0) {
		ssize_t put = write(fd, bytes, n < sizeof bytes ? n : sizeof bytes);
		n -= put > 0 ? (size_t)put : 0;
		if (put < 0)
			logd_rig_sleep_us(1000);
	}
}

static bool all_received(void *bytes)
{
	return status_get(&status.bytes_received) >= *(int64_t *)bytes;
}

START_TEST(what_finds_no_room_is_counted_in_its_place)
{
	int line[2];
	struct ring_view v;
	int64_t sent = 400000;
	open_line(line);
	receive_from(line[0], SOURCE_PTY, 128 * 1024);
	send_all(line[1], (size_t)sent);
	ck_assert(logd_rig_until(all_received, &sent, 5 * CLOCK_SECOND_US)); /* nobody takes it */
	ck_assert_int_gt(status_get(&status.bytes_dropped), 0);
	size_t before = 0, n;
	struct ring_view first;
	while (ring_peek(ring, &first) && first.kind == RING_DATA) {
		next(&n);
		before += n;
	}
	send_all(line[1], 3000);
	size_t more = data_until(RING_DROPPED, &v);
	ck_assert_uint_eq(before + more + (uint64_t)v.value, (uint64_t)sent);
	ck_assert_int_eq(v.value, status_get(&status.bytes_dropped));
	sent += 3000;
	ck_assert(logd_rig_until(all_received, &sent, 5 * CLOCK_SECOND_US));
	tell_to_stop();
	ck_assert_uint_eq(data_until(RING_END, &v), 3000);
	ck_assert_int_eq(v.value, 0);
	end_receiver();
	close(line[1]);
}
END_TEST

/* Not even an event has room: they come one after the other when there is some. */
START_TEST(events_wait_for_room_and_come_in_order)
{
	int line[2];
	struct ring_view v;
	int64_t sent = 30000;
	open_line(line);
	receive_from(line[0], SOURCE_PTY, 4096);
	send_all(line[1], (size_t)sent);
	ck_assert(logd_rig_until(all_received, &sent, 5 * CLOCK_SECOND_US));
	close(line[1]);
	logd_rig_sleep_us(CLOCK_SECOND_US / 20);
	tell_to_stop();
	logd_rig_sleep_us(CLOCK_SECOND_US / 20);
	size_t kept = data_until(RING_DROPPED, &v);
	int64_t dropped = v.value;
	size_t n;
	while ((v = next(&n)).kind == RING_DATA || v.kind == RING_DROPPED) {
		kept += n;
		dropped += v.kind == RING_DROPPED ? v.value : 0;
	}
	ck_assert_int_eq(v.kind, RING_LINK_DOWN);
	ck_assert_str_eq(v.text, "the port hung up");
	ck_assert_int_eq((int64_t)kept + dropped, sent);
	expect_event(RING_END);
	end_receiver();
}
END_TEST

START_TEST(a_port_that_comes_later_is_taken_when_it_is_there)
{
	struct logd_sender sender;
	struct ring_view v;
	receive_from(-1, SOURCE_PTY, 65536);
	v = expect_event(RING_LINK_DOWN);
	ck_assert_str_eq(v.text, "the port is not there");
	ck_assert_int_eq(status_get(&status.link_up), 0);
	logd_sender_open(&sender, LINK_FRAMES, in_folder("port"));
	v = expect_event(RING_LINK_UP);
	ck_assert_str_eq(v.text, sender.slave);
	ck_assert_int_gt(v.value, 0);
	ck_assert_int_eq(status_get(&status.link_up), 1);
	send_all(sender.fd, 100);
	size_t n;
	ck_assert_int_eq(next(&n).kind, RING_DATA);
	logd_sender_close(&sender); /* hangs up */
	while ((v = next(&n)).kind == RING_DATA)
		;
	ck_assert_int_eq(v.kind, RING_LINK_DOWN);
	tell_to_stop();
	expect_event(RING_END);
	end_receiver();
}
END_TEST

START_TEST(bytes_that_the_driver_lost_are_told)
{
	int line[2];
	struct ring_view v;
	open_line(line);
	driver_lost = 5;
	receive_from(line[0], SOURCE_PORT, 65536);
	source.overruns = 5;
	driver_lost = 12;
	v = expect_event(RING_OVERRUN);
	ck_assert_int_ge(v.value, 7);
	ck_assert_int_eq(status_get(&status.bytes_overrun), v.value);
	tell_to_stop();
	expect_event(RING_END);
	end_receiver();
	driver_lost = -1;
	close(line[1]);
}
END_TEST

START_TEST(a_descriptor_that_is_none_is_a_port_that_hung_up_or_an_end)
{
	struct ring_view v;
	receive_from(999, SOURCE_PTY, 65536);
	v = expect_event(RING_LINK_DOWN);
	ck_assert_str_eq(v.text, "the port hung up");
	tell_to_stop();
	expect_event(RING_END);
	end_receiver();
	receive_from(999, SOURCE_FIFO, 65536); /* the read fails */
	v = expect_event(RING_END);
	ck_assert_str_eq(v.text, strerror(EBADF));
	end_receiver();
}
END_TEST

START_TEST(a_file_waits_for_room_and_loses_nothing)
{
	struct ring_view v;
	FILE *f = fopen(in_folder("file"), "w+");
	for (unsigned i = 0; i < 50000; i++)
		fputc('x', f);
	ck_assert_int_eq(fflush(f), 0);
	rewind(f);
	receive_from(dup(fileno(f)), SOURCE_FILE, 4096);
	logd_rig_sleep_us(CLOCK_SECOND_US / 20);
	ck_assert_uint_eq(data_until(RING_END, &v), 50000);
	ck_assert_int_eq(v.value, 1);
	ck_assert_str_eq(v.text, "");
	ck_assert_int_eq(status_get(&status.bytes_dropped), 0);
	end_receiver();
	fclose(f);
}
END_TEST

START_TEST(a_file_that_cannot_be_read_further_says_why)
{
	receive_from(open(logd_folder(), O_RDONLY | O_DIRECTORY), SOURCE_FILE, 4096);
	struct ring_view v = expect_event(RING_END);
	ck_assert_int_eq(v.value, 1);
	ck_assert_str_eq(v.text, strerror(EISDIR));
	end_receiver();
}
END_TEST

/* --- the writer --- */

static const char engine_text[] =
    "[engine]\nname = a\nmechanism = oscillating cylinder\npivot distance = 420 mm\n"
    "crank radius = 62.5 mm\nbore = 63 mm\nrod = 20 mm\nclearance cap = 18 ml\n"
    "clearance rod = 21 ml\nambient = 1.013 bar\nair temperature = 18 degC\n"
    "[teeth]\ncount = 36\nedges = rising\nindex angle = 14.5 deg\n"
    "[sensor 2]\nrole = supply\nlow = 100 counts, 0 bar gauge\nhigh = 900 counts, 8 bar gauge\n"
    "[limits]\nsupply = 6 bar gauge\nspeed = 240 rpm\n";

struct writer {
	struct link_encoder *encoder;
	uint8_t bytes[65536];
	size_t used;
};

static void put(struct writer *w, struct record r)
{
	w->used += link_encode(w->encoder, &r, w->bytes + w->used);
}

static void end_frame(struct writer *w)
{
	w->used += link_encode_end(w->encoder, w->bytes + w->used);
}

static void put_hello(struct writer *w)
{
	struct record r = record_make(RECORD_HELLO, 0, 0, 1);
	r.text = "test";
	r.text_len = 4;
	put(w, r);
}

static void give(struct writer *w)
{
	struct iovec span[2];
	ck_assert_uint_ge(ring_reserve(ring, w->used, span), w->used);
	memcpy(span[0].iov_base, w->bytes, w->used);
	ring_commit(ring, clock_mono_us(), w->used);
	w->used = 0;
}

/* A turn of 36 teeth but `missing`, in `turn_us`, and the index. */
static void put_turn(struct writer *w, uint32_t *t_us, uint32_t turn_us, unsigned missing)
{
	for (unsigned i = missing; i < 36; i++)
		put(w, record_make(RECORD_TOOTH, *t_us + i * turn_us / 36, 0, 1));
	*t_us += turn_us;
	put(w, record_make(RECORD_INDEX, *t_us - 10, 0, 1));
	put(w, record_make(RECORD_SAMPLE, *t_us - 5, 2, 400));
}

struct found {
	int64_t gap[GAP_END], alarm[4];
	unsigned gaps, alarms, arrivals, hellos;
};

static struct found read_log(const char *name)
{
	struct found f = {0};
	struct fault fault = {0};
	struct record r;
	struct segment_reader *s = segment_reader_open(name, &fault);
	ck_assert_msg(s != NULL, "%s", fault.text);
	while (segment_reader_next(s, &r, &fault) == 1) {
		f.gaps += r.kind == RECORD_GAP;
		f.alarms += r.kind == RECORD_ALARM;
		f.arrivals += r.kind == RECORD_ARRIVAL;
		f.hellos += r.kind == RECORD_HELLO;
		if (r.kind == RECORD_GAP)
			f.gap[r.channel] += r.value + (r.value == 0);
		if (r.kind == RECORD_ALARM)
			f.alarm[r.channel] = r.value;
	}
	segment_reader_free(s);
	return f;
}

START_TEST(whatever_befalls_the_link_stands_in_the_log)
{
	static struct writer w;
	static struct recorder recorder;
	struct engine engine;
	struct fault fault = {0};
	atomic_bool stop = false, rotate = false;
	uint32_t t_us = 1000;
	ck_assert_int_eq(engine_parse("a.ini", engine_text, sizeof engine_text - 1, &engine, &fault), 0);
	struct store_config config = {.directory = in_folder("log"),
	                              .segment_bytes = 1 << 20,
	                              .sync_us = 1000000,
	                              .live = true,
	                              .engine_text = "",
	                              .source = "test"};
	struct log *log = log_new(true);
	struct store *store = store_new(&config, &status, log, &stop);
	ck_assert_int_eq(store_start(store, &fault), 0);
	ring = ring_new(1 << 20);
	w.encoder = link_encoder_new(LINK_FRAMES);
	put_hello(&w);
	for (unsigned i = 0; i < 3; i++)
		put_turn(&w, &t_us, 400000, 0); /* 150 rpm */
	put_turn(&w, &t_us, 400000, 3);
	put(&w, record_make(RECORD_SAMPLE, t_us, 2, 750)); /* 6.5 bar */
	put_turn(&w, &t_us, 200000, 0);                    /* 300 rpm */
	put_turn(&w, &t_us, 200000, 0);
	end_frame(&w);
	size_t arrived = w.used;
	for (unsigned i = 0; i < 2; i++) { /* two frames that nobody sees */
		put(&w, record_make(RECORD_SAMPLE, t_us, 0, 1));
		end_frame(&w);
	}
	w.used = arrived;
	put(&w, record_make(RECORD_SAMPLE, t_us, 0, 1));
	end_frame(&w);
	memset(w.bytes + w.used, 0x55, 30); /* noise */
	w.bytes[w.used + 30] = 0;
	w.used += 31;
	link_encoder_free(w.encoder); /* and started again */
	w.encoder = link_encoder_new(LINK_FRAMES);
	put_hello(&w);
	put(&w, record_make(RECORD_SAMPLE, 77, 0, 1));
	end_frame(&w);
	give(&w);
	(void)ring_event(ring, RING_DROPPED, clock_mono_us(), 1111, "");
	(void)ring_event(ring, RING_OVERRUN, clock_mono_us(), 22, "");
	(void)ring_event(ring, RING_LINK_DOWN, clock_mono_us(), 0, "pulled");
	(void)ring_event(ring, RING_LINK_UP, clock_mono_us(), 333333, "/dev/x");
	(void)ring_event(ring, RING_END, clock_mono_us(), 0, "broken");
	recorder = (struct recorder){.ring = ring,
	                             .decoder = link_decoder_new(LINK_FRAMES),
	                             .store = store,
	                             .status = &status,
	                             .log = log,
	                             .engine = &engine,
	                             .link = "frames",
	                             .live = true,
	                             .rotate = &rotate,
	                             .done_fd = eventfd(0, EFD_NONBLOCK)};
	recorder_run(&recorder);
	ck_assert_str_eq(recorder.why, "broken");
	ck_assert(!recorder.lost);
	struct found f = read_log(in_folder("log/000001-0001.tram"));
	ck_assert_int_eq(f.gap[GAP_RING_FULL], 1111);
	ck_assert_int_eq(f.gap[GAP_OVERRUN], 22);
	ck_assert_int_eq(f.gap[GAP_FRAMES_LOST], 2);
	ck_assert_int_eq(f.gap[GAP_DAMAGED], 31);
	ck_assert_int_eq(f.gap[GAP_SENDER_RESET], 1);
	ck_assert_int_eq(f.gap[GAP_LINK_DOWN], 1);
	ck_assert_int_eq(f.gap[GAP_LINK_UP], 333333);
	ck_assert_uint_eq(f.gaps, 7);
	ck_assert_int_eq(f.alarm[ALARM_TEETH_MISSED], 3);
	ck_assert_int_eq(f.alarm[ALARM_SUPPLY], 650000);
	ck_assert_int_gt(f.alarm[ALARM_SPEED], 240000);
	ck_assert_uint_eq(f.hellos, 2);
	ck_assert_uint_ge(f.arrivals, 1);
	ck_assert_int_eq(status_get(&status.sender_resets), 1);
	ck_assert_int_eq(status_get(&status.frames_lost), 2);
	link_decoder_free(recorder.decoder);
	link_encoder_free(w.encoder);
	close(recorder.done_fd);
	ring_free(ring);
	store_free(store);
	log_free(log);
	engine_free(&engine);
}
END_TEST

/* --- the supervisor --- */

struct supervised {
	struct watch watch;
	struct engine engine;
	atomic_bool stop, rotate;
	int signals[2];
};

static void supervise(struct supervised *s)
{
	memset(s, 0, sizeof *s);
	ring = ring_new(4096);
	ck_assert_int_eq(pipe2(s->signals, O_NONBLOCK), 0);
	s->watch = (struct watch){.done_fd = eventfd(0, EFD_NONBLOCK),
	                          .stop_fd = eventfd(0, EFD_NONBLOCK),
	                          .signal_fd = s->signals[0],
	                          .listen_fd = -1,
	                          .stop = &s->stop,
	                          .rotate = &s->rotate,
	                          .ring = ring,
	                          .status = &status,
	                          .about = {.engine = &s->engine}};
}

static void end_supervision(struct supervised *s)
{
	close(s->watch.done_fd);
	close(s->watch.stop_fd);
	close(s->signals[0]);
	close(s->signals[1]);
	ring_free(ring);
}

static void signal_it(const struct supervised *s, uint32_t number)
{
	struct signalfd_siginfo info = {.ssi_signo = number};
	ck_assert_int_eq(write(s->signals[1], &info, sizeof info), sizeof info);
}

START_TEST(a_signal_to_end_ends_within_a_second_whatever_the_disk_does)
{
	struct supervised s;
	uint64_t told;
	supervise(&s);
	signal_it(&s, SIGHUP);
	signal_it(&s, SIGTERM);
	signal_it(&s, SIGTERM); /* again is no more */
	int64_t start = clock_mono_us();
	ck_assert_int_eq(watch_run(&s.watch), WATCH_STUCK);
	ck_assert_int_lt(clock_mono_us() - start, CLOCK_SECOND_US * 3 / 2);
	ck_assert_int_ge(clock_mono_us() - start, CLOCK_SECOND_US * 8 / 10);
	ck_assert(s.stop && s.rotate);
	ck_assert_int_eq(read(s.watch.stop_fd, &told, sizeof told), sizeof told);
	ck_assert_uint_eq(told, 1);
	end_supervision(&s);
}
END_TEST

START_TEST(it_ends_when_the_writer_is_done)
{
	struct supervised s;
	uint64_t one = 1;
	supervise(&s);
	ck_assert_int_eq(write(s.watch.done_fd, &one, sizeof one), sizeof one);
	ck_assert_int_eq(watch_run(&s.watch), WATCH_DONE);
	ck_assert(!s.stop);
	end_supervision(&s);
}
END_TEST

/* Whether the manager heard `word` while the supervisor ran for a good second. */
static bool manager_hears(const char *word, int64_t tick_age_us)
{
	struct supervised s;
	struct sockaddr_un a = {.sun_family = AF_UNIX};
	char heard[4096];
	bool found = false;
	ssize_t n;
	int fd = socket(AF_UNIX, SOCK_DGRAM | SOCK_NONBLOCK, 0);
	snprintf(a.sun_path, sizeof a.sun_path, "%.90s", in_folder("manager"));
	unlink(a.sun_path);
	ck_assert_int_eq(bind(fd, (const struct sockaddr *)&a, sizeof a), 0);
	ck_assert_int_eq(setenv("NOTIFY_SOCKET", a.sun_path, 1), 0);
	supervise(&s);
	s.watch.watchdog_us = 20000000;
	status_set(&status.receiver_tick_us, clock_mono_us() - tick_age_us);
	ck_assert_int_eq(pthread_create(&thread, NULL, (void *(*)(void *))(uintptr_t)watch_run, &s.watch), 0);
	logd_rig_sleep_us(CLOCK_SECOND_US * 5 / 4);
	uint64_t one = 1;
	ck_assert_int_eq(write(s.watch.done_fd, &one, sizeof one), sizeof one);
	pthread_join(thread, NULL);
	while ((n = recv(fd, heard, sizeof heard - 1, 0)) > 0) {
		heard[n] = '\0';
		found |= strstr(heard, word) != NULL;
	}
	close(fd);
	end_supervision(&s);
	return found;
}

START_TEST(a_receiver_that_moves_is_a_sign_of_life_and_one_that_stands_is_none)
{
	ck_assert(manager_hears("WATCHDOG=1", 0));
	ck_assert(!manager_hears("WATCHDOG=1", 11 * CLOCK_SECOND_US));
}
END_TEST

int main(void)
{
	Suite *s = suite_create("logd turns");
	TCase *t = tcase_create("turns");
	tcase_add_checked_fixture(t, set_up, tear_down);
	tcase_add_test(t, what_finds_no_room_is_counted_in_its_place);
	tcase_add_test(t, events_wait_for_room_and_come_in_order);
	tcase_add_test(t, a_port_that_comes_later_is_taken_when_it_is_there);
	tcase_add_test(t, bytes_that_the_driver_lost_are_told);
	tcase_add_test(t, a_descriptor_that_is_none_is_a_port_that_hung_up_or_an_end);
	tcase_add_test(t, a_file_waits_for_room_and_loses_nothing);
	tcase_add_test(t, a_file_that_cannot_be_read_further_says_why);
	tcase_add_test(t, whatever_befalls_the_link_stands_in_the_log);
	tcase_add_test(t, a_signal_to_end_ends_within_a_second_whatever_the_disk_does);
	tcase_add_test(t, it_ends_when_the_writer_is_done);
	tcase_add_test(t, a_receiver_that_moves_is_a_sign_of_life_and_one_that_stands_is_none);
	tcase_set_timeout(t, 30);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
