/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the recorder meets around it: things that are no port, others that hold what it wants, the
 * status socket, and the status as a person reads it. */
#include "logd/clock.h"
#include "logd/owner.h"
#include "logd/show.h"
#include "logd/socket.h"
#include "logd/source.h"
#include "logd/status.h"
#include "tests/logd_folder.h"
#include "tests/logd_rig.h"

#include <check.h>
#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <sys/wait.h>
#include <sysexits.h>
#include <unistd.h>

static pid_t other;

static void set_up(void)
{
	logd_folder_make();
	other = 0;
}

static void tear_down(void)
{
	if (other > 0) {
		kill(other, SIGKILL);
		waitpid(other, NULL, 0);
	}
	logd_folder_remove();
}

/* Another process that has `what` open, and locked. */
static void held_by_another(const char *what)
{
	int ready[2];
	char byte = 0;
	ck_assert_int_eq(pipe(ready), 0);
	other = fork();
	if (other == 0) {
		int fd = open(what, O_RDWR | O_NOCTTY);
		(void)!write(ready[1], fd >= 0 && flock(fd, LOCK_EX) == 0 ? "y" : "n", 1);
		for (;;)
			pause();
	}
	ck_assert_int_eq(read(ready[0], &byte, 1), 1);
	ck_assert_int_eq(byte, 'y');
	close(ready[0]);
	close(ready[1]);
}

/* --- owners --- */

START_TEST(who_holds_a_lock_is_found_and_named)
{
	char text[OWNER_TEXT], wanted[32];
	make_file("lock");
	int fd = open(in_folder("lock"), O_RDWR);
	ck_assert_int_eq(owner_of_lock(fd), 0);
	ck_assert_int_eq(owner_of_open(in_folder("lock")), 0);
	held_by_another(in_folder("lock"));
	ck_assert_int_eq(owner_of_lock(fd), other);
	ck_assert_int_eq(owner_of_open(in_folder("lock")), other);
	owner_describe(other, text);
	snprintf(wanted, sizeof wanted, "process %d (", (int)other);
	ck_assert_msg(strncmp(text, wanted, strlen(wanted)) == 0, "%s", text);
	close(fd);
}
END_TEST

START_TEST(who_is_not_known_is_another_process)
{
	char text[OWNER_TEXT];
	ck_assert_int_eq(owner_of_lock(-1), 0);
	ck_assert_int_eq(owner_of_open(in_folder("nothing")), 0);
	owner_describe(0, text);
	ck_assert_str_eq(text, "another process");
	owner_describe(2147483646, text); /* no such process: its name is not known */
	ck_assert_str_eq(text, "process 2147483646");
}
END_TEST

/* --- sources --- */

/* Opens `name`; its exit code, 0 when it opened.  `s` is closed. */
static int open_and_close(const char *name, struct source *s, struct fault *fault)
{
	*fault = (struct fault){0};
	*s = source_make(name, 115200, false);
	int bad = source_open(s, fault);
	source_close(s);
	ck_assert_int_eq(s->fd, -1);
	return bad == 0 ? 0 : fault->exit_code;
}

START_TEST(what_is_no_port_says_so)
{
	struct source s;
	struct fault fault;
	ck_assert_int_eq(open_and_close(logd_folder(), &s, &fault), EX_NOINPUT);
	ck_assert_ptr_nonnull(strstr(fault.text, "is a directory"));
	ck_assert_int_eq(open_and_close(in_folder("nothing"), &s, &fault), EX_NOINPUT);
	ck_assert_ptr_nonnull(strstr(fault.text, "no such port"));
	make_file("file");
	ck_assert_int_eq(open_and_close(in_folder("file/below"), &s, &fault), EX_NOINPUT);
	int fd = socket_listen(in_folder("socket"), &fault);
	ck_assert_int_ge(fd, 0);
	ck_assert_int_eq(open_and_close(in_folder("socket"), &s, &fault), EX_NOINPUT);
	ck_assert_ptr_nonnull(strstr(fault.text, "is a socket"));
	close(fd);
	ck_assert_int_eq(symlink("turn", in_folder("turn")), 0); /* a link to itself */
	ck_assert_int_eq(open_and_close(in_folder("turn"), &s, &fault), EX_NOINPUT);
	ck_assert_ptr_nonnull(strstr(fault.text, "cannot open"));
}
END_TEST

START_TEST(files_fifos_and_devices_that_are_no_terminal_are_read_to_their_end)
{
	struct source s;
	struct fault fault;
	make_file("file");
	ck_assert_int_eq(open_and_close(in_folder("file"), &s, &fault), 0);
	ck_assert_int_eq(s.kind, SOURCE_FILE);
	ck_assert(!s.live && source_ends(s.kind));
	ck_assert_int_eq(mkfifo(in_folder("fifo"), 0600), 0);
	ck_assert_int_eq(open_and_close(in_folder("fifo"), &s, &fault), 0);
	ck_assert_int_eq(s.kind, SOURCE_FIFO);
	ck_assert_int_eq(open_and_close("/dev/null", &s, &fault), 0);
	ck_assert_int_eq(s.kind, SOURCE_FILE);
	ck_assert_int_eq(source_overrun(&s), 0);
}
END_TEST

START_TEST(standard_input_is_a_source_unless_it_is_closed)
{
	struct source s;
	struct fault fault;
	int null = open("/dev/null", O_RDONLY);
	ck_assert_int_eq(dup2(null, STDIN_FILENO), STDIN_FILENO);
	ck_assert_int_eq(open_and_close("-", &s, &fault), 0);
	ck_assert_int_eq(s.kind, SOURCE_STDIN);
	close(STDIN_FILENO);
	ck_assert_int_eq(open_and_close("-", &s, &fault), EX_NOINPUT);
	ck_assert_ptr_nonnull(strstr(fault.text, "standard input is closed"));
	ck_assert_int_eq(open("/dev/null", O_WRONLY), STDIN_FILENO);
	ck_assert_int_eq(open_and_close("-", &s, &fault), EX_NOINPUT);
}
END_TEST

START_TEST(a_terminal_that_another_holds_is_busy)
{
	struct source s;
	struct fault fault;
	struct logd_sender sender;
	char wanted[32];
	logd_sender_open(&sender, LINK_LINES, in_folder("board"));
	ck_assert_int_eq(open_and_close(in_folder("board"), &s, &fault), 0);
	ck_assert_int_eq(s.kind, SOURCE_PTY);
	ck_assert(s.live && !source_ends(s.kind));
	ck_assert_str_eq(s.real, sender.slave);
	logd_sender_unclaim(&sender);
	held_by_another(sender.slave);
	ck_assert_int_eq(open_and_close(in_folder("board"), &s, &fault), EX_TEMPFAIL);
	snprintf(wanted, sizeof wanted, "in use by process %d (", (int)other);
	ck_assert_msg(strstr(fault.text, wanted) != NULL, "%s", fault.text);
	logd_sender_close(&sender);
}
END_TEST

START_TEST(sources_are_named)
{
	char label[SOURCE_LABEL_MAX];
	ck_assert_int_eq(source_expected("/dev/pts/7"), SOURCE_PTY);
	ck_assert_int_eq(source_expected("/dev/ttyUSB0"), SOURCE_PORT);
	source_label(SOURCE_PORT, "frames", 500000, label);
	ck_assert_str_eq(label, "port, frames, 500000 baud");
	source_label(SOURCE_PTY, "lines", 500000, label);
	ck_assert_str_eq(label, "pty, lines");
}
END_TEST

/* --- the status socket --- */

START_TEST(a_name_too_long_for_a_socket_is_refused)
{
	char name[300], line[64];
	struct fault fault = {0};
	memset(name, 'x', sizeof name - 1);
	name[sizeof name - 1] = '\0';
	ck_assert_int_eq(socket_listen(name, &fault), -1);
	ck_assert_int_eq(fault.exit_code, EX_USAGE);
	fault = (struct fault){0};
	ck_assert_int_eq(socket_ask(name, line, sizeof line, &fault), -1);
	ck_assert_int_eq(fault.exit_code, EX_USAGE);
}
END_TEST

START_TEST(a_dead_socket_is_replaced_and_a_file_is_not)
{
	char line[64];
	struct fault fault = {0};
	int fd = socket_listen(in_folder("s"), &fault);
	ck_assert_int_ge(fd, 0);
	close(fd);
	ck_assert_int_eq(socket_ask(in_folder("s"), line, sizeof line, &fault), -1);
	ck_assert_int_eq(fault.exit_code, EX_UNAVAILABLE);
	fd = socket_listen(in_folder("s"), &fault);
	ck_assert_int_ge(fd, 0);
	close(fd);
	make_file("file");
	ck_assert_int_eq(socket_listen(in_folder("file"), &fault), -1);
	ck_assert_int_eq(fault.exit_code, EX_CANTCREAT);
	ck_assert_int_eq(access(in_folder("file"), F_OK), 0);
	ck_assert_int_eq(socket_ask(in_folder("nothing"), line, sizeof line, &fault), -1);
	ck_assert_int_eq(fault.exit_code, EX_UNAVAILABLE);
}
END_TEST

static bool answered(void *ctx)
{
	int status;
	socket_answer(*(int *)ctx, "{\"a\":1}\n", 8);
	return waitpid(other, &status, WNOHANG) == other && WIFEXITED(status) && WEXITSTATUS(status) == 0;
}

START_TEST(whoever_asks_gets_the_line)
{
	struct fault fault = {0};
	int fd = socket_listen(in_folder("s"), &fault);
	other = fork();
	if (other == 0) {
		char line[64];
		int bad = socket_ask(in_folder("s"), line, sizeof line, NULL);
		_exit(bad == 0 && strcmp(line, "{\"a\":1}") == 0 ? 0 : 1);
	}
	ck_assert(logd_rig_until(answered, &fd, 5 * CLOCK_SECOND_US));
	other = 0;
	close(fd);
}
END_TEST

/* --- the status for a person --- */

static const char status_engine[] =
    "[engine]\nname = Number 7\nmechanism = oscillating cylinder\npivot distance = 420 mm\n"
    "crank radius = 62.5 mm\nbore = 63 mm\nrod = 20 mm\nclearance cap = 18 ml\nclearance rod = 21 ml\n"
    "ambient = 1 bar\n"
    "[sensor 0]\nrole = supply\nlow = 0 counts, 0 bar gauge\nhigh = 1000 counts, 10 bar gauge\n"
    "[sensor 1]\nrole = battery\nlow = 0 counts, 0 V\nhigh = 1000 counts, 20 V\n"
    "[sensor 2]\nrole = throttle\nlow = 0 counts, 0 %\nhigh = 1000 counts, 100 %\n";

static struct status status;
static struct status_about about;
static struct engine engine;
static char shown[8192];

static void begin_status(void)
{
	struct fault fault = {0};
	ck_assert_msg(engine_parse("e.ini", status_engine, sizeof status_engine - 1, &engine, &fault) == 0,
	              "%s", fault.text);
	status_init(&status);
	about = (struct status_about){.port = "/dev/ttyUSB0",
	                              .link = "frames",
	                              .directory = "rides \"here\"",
	                              .baud = 500000,
	                              .engine = &engine,
	                              .start_us = clock_mono_us()};
}

static void show(void)
{
	char line[STATUS_JSON_MAX];
	struct status_rates rates = {.records_s = 7000, .bytes_s = 21000, .ring_used = 2048};
	size_t n = status_json(&status, &about, &rates, line, sizeof line - 1);
	line[n] = '\0';
	FILE *out = fmemopen(shown, sizeof shown, "w");
	ck_assert_ptr_nonnull(out);
	show_status(line, out);
	ck_assert_int_eq(fclose(out), 0);
}

static void expect(const char *text)
{
	ck_assert_msg(strstr(shown, text) != NULL, "'%s' is not in\n%s", text, shown);
}

START_TEST(a_status_of_nothing_yet)
{
	begin_status();
	status_set(&status.bytes_free, -1);
	show();
	expect("link       DOWN: port /dev/ttyUSB0 at 500000 baud, frames; came back 0 times");
	expect("no data yet");
	expect("alarms     0 raised; none now");
	expect("log        rides \"here\":");
	expect("DISK FAILS");
	ck_assert_ptr_null(strstr(shown, "free"));
	ck_assert_ptr_null(strstr(shown, "supply"));
	engine_free(&engine);
}
END_TEST

START_TEST(a_status_with_everything)
{
	int64_t now = clock_mono_us();
	begin_status();
	about.start_us = now - 3 * 3600 * (int64_t)CLOCK_SECOND_US;
	status_set(&status.source_kind, SOURCE_PTY);
	status_set(&status.link_up, 1);
	status_set(&status.disk_ok, 1);
	status_set(&status.last_record_us, now - 600 * (int64_t)CLOCK_SECOND_US);
	status_set(&status.last_sync_us, now);
	status_set(&status.bytes_kept, 5 * (int64_t)1024 * 1024 * 1024);
	status_set(&status.bytes_free, 512);
	status_set(&status.speed_mrpm, 151500);
	status_set(&status.sensor_milli[0], 501000000); /* Pa absolute */
	status_set(&status.sensor_milli[1], 12400);
	status_set(&status.sensor_milli[2], 500);
	for (unsigned i = 1; i < 4; i++)
		status_set(&status.alarm_until_us[i], now + 60 * (int64_t)CLOCK_SECOND_US);
	show();
	expect("running for 3.0 h");
	expect("link       up: pty /dev/ttyUSB0, frames;");
	expect("last data 10.0 min ago");
	expect("speed 151.50 rpm  supply 4.01 bar gauge  battery 12.40 V  throttle 0.50 of 1");
	expect("SUPPLY PRESSURE SPEED TEETH MISSED\n");
	expect("disk works");
	expect("5.0 GiB in segments, 512 B free");
	expect("buffer     2.0 KiB of 0 B used");
	engine_free(&engine);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("logd places");
	TCase *t = tcase_create("places");
	tcase_add_checked_fixture(t, set_up, tear_down);
	tcase_add_test(t, who_holds_a_lock_is_found_and_named);
	tcase_add_test(t, who_is_not_known_is_another_process);
	tcase_add_test(t, what_is_no_port_says_so);
	tcase_add_test(t, files_fifos_and_devices_that_are_no_terminal_are_read_to_their_end);
	tcase_add_test(t, standard_input_is_a_source_unless_it_is_closed);
	tcase_add_test(t, a_terminal_that_another_holds_is_busy);
	tcase_add_test(t, sources_are_named);
	tcase_add_test(t, a_name_too_long_for_a_socket_is_refused);
	tcase_add_test(t, a_dead_socket_is_replaced_and_a_file_is_not);
	tcase_add_test(t, whoever_asks_gets_the_line);
	tcase_add_test(t, a_status_of_nothing_yet);
	tcase_add_test(t, a_status_with_everything);
	tcase_set_timeout(t, 60);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
