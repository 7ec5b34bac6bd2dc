/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The recorder's parts while the system refuses them: calls of the C library and of libserialport that
 * fail at the k-th time, with ours in their place. */
#include "logd/dirlist.h"
#include "logd/log.h"
#include "logd/owner.h"
#include "logd/retention.h"
#include "logd/ring.h"
#include "logd/shelf.h"
#include "logd/socket.h"
#include "logd/source.h"
#include "logd/source_port.h"
#include "logd/store.h"
#include "logd/tail.h"
#include "logd/tty.h"
#include "tests/logd_folder.h"
#include "tests/logd_rig.h"

#include <check.h>
#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <libserialport.h>
#include <linux/serial.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <sys/file.h>
#include <sys/ioctl.h>
#include <sys/mman.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <sys/syscall.h>
#include <sys/wait.h>
#include <sysexits.h>
#include <termios.h>
#include <unistd.h>

/* --- the calls, ours in place of the libraries' --- */

enum call {
	CALL_EVENTFD,
	CALL_MMAP,
	CALL_TCGETATTR,
	CALL_TCSETATTR,
	CALL_GETDENTS,
	CALL_LSEEK,
	CALL_UNLINKAT,
	CALL_FSTATVFS,
	CALL_FACCESSAT,
	CALL_MKDIR,
	CALL_LISTEN,
	CALL_SOCKET,
	CALL_SETSOCKOPT,
	CALL_CONNECT,
	CALL_SERIAL, /* any of libserialport's */
	CALLS
};

static unsigned count[CALLS], fail_at[CALLS]; /* fail_at 0: never */
static int error_of[CALLS];

static bool fails(enum call c)
{
	if (++count[c] != fail_at[c])
		return false;
	errno = error_of[c];
	return true;
}

static void fail_next(enum call c, unsigned k, int error)
{
	memset(count, 0, sizeof count);
	memset(fail_at, 0, sizeof fail_at);
	fail_at[c] = k;
	error_of[c] = error;
}

int eventfd(unsigned value, int flags)
{
	return fails(CALL_EVENTFD) ? -1 : (int)syscall(SYS_eventfd2, value, flags);
}

void *mmap(void *at, size_t n, int protection, int flags, int fd, off_t offset)
{
	if (n >= 4096 && fd < 0 && fails(CALL_MMAP))
		return MAP_FAILED;
	return (void *)syscall(SYS_mmap, at, n, protection, flags, fd, offset);
}

ssize_t getdents64(int fd, void *buffer, size_t n)
{
	return fails(CALL_GETDENTS) ? -1 : syscall(SYS_getdents64, fd, buffer, n);
}

off_t lseek(int fd, off_t at, int from)
{
	return fails(CALL_LSEEK) ? -1 : syscall(SYS_lseek, fd, at, from);
}

int unlinkat(int dir, const char *name, int flags)
{
	return fails(CALL_UNLINKAT) ? -1 : (int)syscall(SYS_unlinkat, dir, name, flags);
}

int faccessat(int dir, const char *name, int mode, int flags)
{
	(void)flags;
	return fails(CALL_FACCESSAT) ? -1 : (int)syscall(SYS_faccessat, dir, name, mode);
}

int mkdir(const char *name, mode_t mode)
{
	return fails(CALL_MKDIR) ? -1 : (int)syscall(SYS_mkdir, name, mode);
}

int listen(int fd, int n)
{
	return fails(CALL_LISTEN) ? -1 : (int)syscall(SYS_listen, fd, n);
}

int socket(int domain, int type, int protocol)
{
	return fails(CALL_SOCKET) ? -1 : (int)syscall(SYS_socket, domain, type, protocol);
}

int setsockopt(int fd, int level, int name, const void *value, socklen_t n)
{
	return fails(CALL_SETSOCKOPT) ? -1 : (int)syscall(SYS_setsockopt, fd, level, name, value, n);
}

int connect(int fd, const struct sockaddr *address, socklen_t n)
{
	return fails(CALL_CONNECT) ? -1 : (int)syscall(SYS_connect, fd, address, n);
}

/* A file system of any size. */
static int64_t disk_free = -1, disk_all;

int fstatvfs(int fd, struct statvfs *v)
{
	(void)fd;
	if (fails(CALL_FSTATVFS))
		return -1;
	*v = (struct statvfs){.f_frsize = 4096,
	                      .f_bavail = (fsblkcnt_t)(disk_free < 0 ? 1 << 30 : disk_free) / 4096,
	                      .f_blocks = (fsblkcnt_t)(disk_free < 0 ? 1 << 30 : disk_all) / 4096};
	return 0;
}

/* --- a terminal of any kind --- */

static struct termios settings;
static struct serial_icounter_struct overruns;
static struct serial_struct driver;
static bool has_counts, has_driver, has_dtr = true;
static char lines[16]; /* what was done to DTR */
static int refuse_speed;

int tcgetattr(int fd, struct termios *t)
{
	(void)fd;
	*t = settings;
	return fails(CALL_TCGETATTR) ? -1 : 0;
}

int tcsetattr(int fd, int when, const struct termios *t)
{
	(void)fd;
	(void)when;
	if (fails(CALL_TCSETATTR))
		return -1;
	settings = *t;
	return 0;
}

#define GET_SPEED 0x802c542au /* TCGETS2, TCSETS2: their header and termios.h exclude each other */
#define SET_SPEED 0x402c542bu

static int answer(bool known, void *to, const void *from, size_t n)
{
	if (known) {
		memcpy(to, from, n);
		return 0;
	}
	errno = ENOTTY;
	return -1;
}

static int dtr(const int *bits, const char *what)
{
	if (*bits == TIOCM_DTR && has_dtr)
		strncat(lines, what, sizeof lines - strlen(lines) - 1);
	errno = ENOTTY;
	return has_dtr ? 0 : -1;
}

int ioctl(int fd, unsigned long request, ...)
{
	va_list args;
	va_start(args, request);
	void *p = va_arg(args, void *);
	va_end(args);
	switch (request) {
	case TIOCGICOUNT:
		return answer(has_counts, p, &overruns, sizeof overruns);
	case TIOCGSERIAL:
		return answer(has_driver, p, &driver, sizeof driver);
	case TIOCSSERIAL:
		return answer(has_driver, &driver, p, sizeof driver);
	case TIOCMBIC:
		return dtr(p, "down ");
	case TIOCMBIS:
		return dtr(p, "up ");
	case GET_SPEED:
		errno = refuse_speed;
		return refuse_speed == 0 ? 0 : -1;
	case SET_SPEED:
	case TIOCEXCL:
		return 0;
	default:
		return (int)syscall(SYS_ioctl, fd, request, p);
	}
}

/* --- libserialport: one port, whose descriptor is any file's --- */

static const char *port_name;
static int port_fd = -1, port_speed;

static enum sp_return serial(void)
{
	return fails(CALL_SERIAL) ? SP_ERR_FAIL : SP_OK;
}

enum sp_return sp_get_port_by_name(const char *name, struct sp_port **port)
{
	*port = NULL;
	errno = ENODEV;
	return port_name != NULL && strcmp(name, port_name) == 0 ? serial() : SP_ERR_ARG;
}

void sp_free_port(struct sp_port *port)
{
	(void)port;
}

enum sp_return sp_open(struct sp_port *port, enum sp_mode mode)
{
	(void)port;
	ck_assert_int_eq(mode, SP_MODE_READ_WRITE);
	return serial();
}

enum sp_return sp_close(struct sp_port *port)
{
	(void)port;
	return SP_OK;
}

enum sp_return sp_set_baudrate(struct sp_port *port, int baud)
{
	(void)port;
	if (port_speed == 0)
		port_speed = baud;
	return serial();
}

enum sp_return sp_set_bits(struct sp_port *port, int bits)
{
	(void)port;
	ck_assert_int_eq(bits, 8);
	return serial();
}

enum sp_return sp_set_parity(struct sp_port *port, enum sp_parity parity)
{
	(void)port;
	ck_assert_int_eq(parity, SP_PARITY_NONE);
	return serial();
}

enum sp_return sp_set_stopbits(struct sp_port *port, int bits)
{
	(void)port;
	ck_assert_int_eq(bits, 1);
	return serial();
}

enum sp_return sp_set_cts(struct sp_port *port, enum sp_cts cts)
{
	(void)port;
	ck_assert_int_eq(cts, SP_CTS_IGNORE);
	return serial();
}

enum sp_return sp_set_xon_xoff(struct sp_port *port, enum sp_xonxoff flow)
{
	(void)port;
	ck_assert_int_eq(flow, SP_XONXOFF_DISABLED);
	return serial();
}

enum sp_return sp_get_port_handle(const struct sp_port *port, void *fd)
{
	(void)port;
	*(int *)fd = port_fd;
	return serial();
}

enum sp_return sp_new_config(struct sp_port_config **config)
{
	*config = NULL;
	return serial();
}

void sp_free_config(struct sp_port_config *config)
{
	(void)config;
}

enum sp_return sp_get_config(struct sp_port *port, struct sp_port_config *config)
{
	(void)port;
	(void)config;
	return serial();
}

enum sp_return sp_get_config_baudrate(const struct sp_port_config *config, int *speed)
{
	(void)config;
	*speed = port_speed;
	return serial();
}

/* --- a place for each test --- */

static struct fault fault;

static void set_up(void)
{
	fail_next(CALL_EVENTFD, 0, 0);
	fault = (struct fault){0};
	logd_folder_make();
}

static void tear_down(void)
{
	fail_next(CALL_EVENTFD, 0, 0);
	logd_folder_remove();
}

/* --- memory --- */

START_TEST(a_ring_or_a_tail_without_memory_is_none)
{
	for (unsigned k = 1; k <= 2; k++) {
		fail_next(CALL_EVENTFD, k, EMFILE);
		ck_assert_ptr_null(ring_new(4096));
		fail_next(CALL_MMAP, k, ENOMEM);
		ck_assert_ptr_null(tail_new(1000));
	}
	fail_next(CALL_MMAP, 1, ENOMEM);
	ck_assert_ptr_null(ring_new(4096));
	ring_free(NULL);
	tail_free(NULL);
	store_free(NULL);
}
END_TEST

START_TEST(a_store_without_memory_is_none)
{
	struct store_config config = {.directory = "x", .engine_text = "", .source = "test"};
	struct status status;
	atomic_bool stop = false;
	struct log *log = log_new(true);
	status_init(&status);
	for (unsigned k = 1; k <= 2; k++) {
		fail_next(CALL_MMAP, k, ENOMEM);
		ck_assert_ptr_null(store_new(&config, &status, log, &stop));
	}
	log_free(log);
}
END_TEST

/* --- ports --- */

/* Opens the port at 9600 baud; its exit code, 0 when it opened.  `s` is closed. */
static int open_port(struct source *s, bool reset)
{
	fault = (struct fault){0};
	port_speed = 0;
	*s = source_make(port_name, 9600, reset);
	int bad = source_open(s, &fault);
	source_close(s);
	return bad == 0 ? 0 : fault.exit_code;
}

/* A character device that the library calls a port. */
static void begin_port(void)
{
	port_name = "/dev/null";
	port_fd = open("/dev/null", O_RDWR);
	lines[0] = '\0';
	settings = (struct termios){.c_cflag = HUPCL, .c_cc[VTIME] = 5};
}

START_TEST(a_port_is_opened_so_that_nothing_restarts_the_board)
{
	struct source s;
	begin_port();
	has_driver = true;
	driver.flags = 0;
	ck_assert_int_eq(open_port(&s, false), 0);
	ck_assert_int_eq(s.kind, SOURCE_PORT);
	ck_assert(s.live);
	ck_assert_str_eq(s.note, "");
	ck_assert_uint_eq(settings.c_cflag & HUPCL, 0);
	ck_assert_int_eq(settings.c_cc[VMIN], 1);
	ck_assert_int_eq(settings.c_cc[VTIME], 0);
	ck_assert_uint_ne((unsigned)driver.flags & ASYNC_LOW_LATENCY, 0);
	ck_assert_str_eq(lines, "");
	ck_assert_int_eq(open_port(&s, true), 0);
	ck_assert_str_eq(lines, "down up ");
	ck_assert(!s.reset_board); /* once is enough */
	has_dtr = false;
	ck_assert_int_eq(open_port(&s, true), 0);
}
END_TEST

START_TEST(a_speed_that_the_driver_did_not_take_is_noted)
{
	struct source s;
	begin_port();
	fault = (struct fault){0};
	s = source_make(port_name, 9600, false);
	port_speed = 9800; /* 2.1 % off */
	ck_assert_int_eq(source_open(&s, &fault), 0);
	ck_assert_str_eq(s.note, "asked for 9600 baud, the driver settled on 9800");
	source_close(&s);
	port_speed = 9700;
	ck_assert_int_eq(source_open(&s, &fault), 0);
	ck_assert_str_eq(s.note, "");
	source_close(&s);
}
END_TEST

/* Each call to the library fails once: the port's name is asked for three times, then it is opened, set up
 * by six calls and taken over; the speed, which the last three ask for, is no reason to fail. */
START_TEST(a_port_that_cannot_be_set_up_says_why)
{
	static const char *const says[] = {
	    [3] = "not a serial port", [4] = "cannot open",
	    [5] = "cannot set speed",  [6] = "cannot set speed",
	    [7] = "cannot set speed",  [8] = "cannot set speed",
	    [9] = "cannot set speed",  [10] = "cannot set speed",
	    [11] = "cannot take over", [14] = NULL,
	};
	struct source s;
	begin_port();
	for (unsigned k = 3; k < sizeof says / sizeof says[0]; k++) {
		fail_next(CALL_SERIAL, k, EIO);
		int code = open_port(&s, false);
		ck_assert_uint_ge(count[CALL_SERIAL], k);
		ck_assert_msg(code == (says[k] == NULL ? 0 : EX_IOERR), "call %u: %d %s", k, code,
		              fault.text);
		ck_assert(says[k] == NULL || strstr(fault.text, says[k]) != NULL);
		ck_assert_str_eq(s.note, "");
	}
}
END_TEST

static const struct {
	int error, code;
	const char *says;
} refusals[] = {
    {EBUSY, EX_TEMPFAIL, "in use by"},     {EACCES, EX_NOPERM, "Permission denied"},
    {EPERM, EX_NOPERM, "not permitted"},   {ENOENT, EX_NOINPUT, "No such file"},
    {ENODEV, EX_NOINPUT, "cannot open"},   {ENXIO, EX_NOINPUT, "cannot open"},
    {EIO, EX_IOERR, "Input/output error"},
};

START_TEST(why_a_port_does_not_open_decides_the_exit_code)
{
	struct source s;
	begin_port();
	fail_next(CALL_SERIAL, 4, refusals[_i].error);
	ck_assert_int_eq(open_port(&s, false), refusals[_i].code);
	ck_assert_msg(strstr(fault.text, refusals[_i].says) != NULL, "%s", fault.text);
}
END_TEST

START_TEST(a_terminal_without_settings_is_refused)
{
	fail_next(CALL_TCGETATTR, 1, EIO);
	ck_assert_int_eq(tty_open("/dev/null", 9600, &fault), -1);
	ck_assert_int_eq(fault.exit_code, EX_IOERR);
	ck_assert_ptr_nonnull(strstr(fault.text, "cannot set raw mode"));
	fail_next(CALL_TCSETATTR, 1, EIO);
	ck_assert_int_eq(tty_open("/dev/null", 9600, &fault), -1);
	fail_next(CALL_TCSETATTR, 0, 0);
	refuse_speed = EINVAL;
	ck_assert_int_eq(tty_open("/dev/null", 9600, &fault), -1);
	refuse_speed = 0;
	int fd = tty_open("/dev/null", 9600, &fault);
	ck_assert_int_ge(fd, 0);
	fail_next(CALL_TCGETATTR, 1, EIO);
	settings.c_cflag = HUPCL;
	tty_settle(fd); /* best effort */
	ck_assert_uint_ne(settings.c_cflag & HUPCL, 0);
	close(fd);
	ck_assert_int_eq(tty_open("/nowhere/at/all", 9600, &fault), -1);
	ck_assert_int_eq(fault.exit_code, EX_NOINPUT);
}
END_TEST

START_TEST(what_the_driver_lost_is_asked_for_as_a_difference)
{
	struct source s;
	begin_port();
	has_counts = true;
	overruns = (struct serial_icounter_struct){.overrun = 3, .buf_overrun = 4};
	s = source_make(port_name, 9600, false);
	ck_assert_int_eq(source_open(&s, &fault), 0);
	ck_assert_int_eq(source_overrun(&s), 0);
	overruns.buf_overrun = 9;
	ck_assert_int_eq(source_overrun(&s), 5);
	ck_assert_int_eq(source_overrun(&s), 0);
	overruns.overrun = 0; /* another adapter: counts from anew */
	ck_assert_int_eq(source_overrun(&s), 0);
	overruns.overrun = 1;
	ck_assert_int_eq(source_overrun(&s), 1);
	has_counts = false;
	ck_assert_int_eq(source_overrun(&s), 0);
	source_close(&s);
}
END_TEST

START_TEST(a_file_without_permission_says_so)
{
	bool root = geteuid() == 0;
	struct source s = source_make(in_folder("secret"), 9600, false);
	make_file("secret");
	ck_assert_int_eq(chmod(in_folder("secret"), 0), 0);
	ck_assert(!root || seteuid(65534) == 0); /* to whom not even the folder is open */
	int bad = source_open(&s, &fault);
	ck_assert(!root || seteuid(0) == 0);
	ck_assert_int_eq(bad, -1);
	ck_assert_int_eq(fault.exit_code, EX_NOPERM);
	ck_assert_ptr_nonnull(strstr(fault.text, "no permission"));
}
END_TEST

/* --- the directory --- */

static void nothing(void *ctx, const char *name)
{
	(void)name;
	++*(unsigned *)ctx;
}

START_TEST(a_directory_that_cannot_be_listed_is_told)
{
	unsigned names = 0;
	int fd = open(logd_folder(), O_RDONLY | O_DIRECTORY);
	ck_assert_int_eq(dirlist_each(fd, nothing, &names), 0);
	ck_assert_uint_eq(names, 2);
	fail_next(CALL_LSEEK, 1, EIO);
	ck_assert_int_eq(dirlist_each(fd, nothing, &names), -1);
	fail_next(CALL_GETDENTS, 1, EIO);
	ck_assert_int_eq(dirlist_each(fd, nothing, &names), -1);
	close(fd);
}
END_TEST

static const struct {
	enum call call;
	int error;
	const char *says;
} shut_out[] = {
    {CALL_MKDIR, ENOENT, "mkdir -p"},      {CALL_MKDIR, EACCES, "not writable"},
    {CALL_MKDIR, EPERM, "not writable"},   {CALL_MKDIR, EROFS, "not writable"},
    {CALL_MKDIR, ENOSPC, "cannot use it"}, {CALL_FACCESSAT, EACCES, "not writable"},
    {CALL_GETDENTS, EIO, "cannot use it"},
};

START_TEST(a_directory_that_cannot_be_used_says_why)
{
	struct shelf s = {.fd = -1};
	fail_next(shut_out[_i].call, 1, shut_out[_i].error);
	ck_assert_int_eq(shelf_open(&s, in_folder("log"), &fault), -1);
	ck_assert_int_eq(fault.exit_code, EX_CANTCREAT);
	ck_assert_msg(strstr(fault.text, shut_out[_i].says) != NULL, "%s", fault.text);
	ck_assert_int_eq(s.fd, -1);
	fail_next(CALL_MKDIR, 0, 0);
	ck_assert_int_eq(shelf_open(&s, in_folder("log"), &fault),
	                 0); /* nothing was left behind, no lock either */
	shelf_close(&s);
}
END_TEST

START_TEST(a_directory_that_another_replaced_has_vanished)
{
	char log[LOGD_RIG_PATH + 32], aside[LOGD_RIG_PATH + 32];
	struct shelf s = {.fd = -1};
	ck_assert(shelf_vanished(&s));
	snprintf(log, sizeof log, "%s", in_folder("log"));
	snprintf(aside, sizeof aside, "%s", in_folder("aside"));
	ck_assert_int_eq(shelf_open(&s, log, &fault), 0);
	ck_assert(!shelf_vanished(&s));
	ck_assert_int_eq(rename(log, aside), 0);
	ck_assert(shelf_vanished(&s));
	ck_assert_int_eq(mkdir(log, 0777), 0);
	ck_assert(shelf_vanished(&s));
	ck_assert_int_eq(rmdir(log), 0);
	ck_assert_int_eq(rename(aside, log), 0);
	ck_assert(!shelf_vanished(&s));
	ck_assert_int_eq(rmdir(log), 0);
	ck_assert(shelf_vanished(&s));
	shelf_close(&s);
}
END_TEST

/* More segments than are remembered, in any order: the oldest go first all the same. */
START_TEST(the_oldest_of_many_go_first)
{
	struct shelf s = {.fd = -1};
	char name[SHELF_NAME_MAX];
	unsigned n = 3 * SHELF_OLDEST;
	for (unsigned i = 0; i < n; i++) {
		shelf_name(1 + (i * 89 % n) / 50, (i * 89 % n) % 50 + 1, name);
		make_file(name);
	}
	ck_assert_int_eq(mkdir(in_folder("000001-0099.tram"), 0777), 0); /* no file, so not ours */
	ck_assert_int_eq(shelf_open(&s, logd_folder(), &fault), 0);
	s.newest.session = 9;
	ck_assert_uint_eq(s.segments, n);
	for (unsigned i = 0; i < n; i++) {
		shelf_name(1 + i / 50, i % 50 + 1, name);
		ck_assert_int_eq(access(in_folder(name), F_OK), 0);
		ck_assert_int_eq(shelf_drop_oldest(&s), 1);
		ck_assert_int_ne(access(in_folder(name), F_OK), 0);
	}
	ck_assert_int_eq(shelf_drop_oldest(&s), 0);
	ck_assert_uint_eq(s.segments, 0);
	shelf_close(&s);
}
END_TEST

/* --- what goes when room is short --- */

struct bench {
	struct shelf shelf;
	struct status status;
	struct retention retention;
};

/* Four segments of one byte, of which the last is being written. */
static void begin_retention(struct bench *b, int64_t keep, int64_t keep_free)
{
	char name[SHELF_NAME_MAX];
	for (unsigned i = 1; i <= 4; i++) {
		shelf_name(1, i, name);
		make_file(name);
	}
	*b = (struct bench){.shelf.fd = -1};
	status_init(&b->status);
	ck_assert_int_eq(shelf_open(&b->shelf, logd_folder(), &fault), 0);
	b->shelf.newest = (struct shelf_newest){.session = 1, .active = 4};
	b->retention = (struct retention){.shelf = &b->shelf,
	                                  .keep_bytes = keep,
	                                  .keep_free_bytes = keep_free,
	                                  .status = &b->status,
	                                  .log = log_new(true)};
}

static void end_retention(struct bench *b)
{
	log_free((struct log *)b->retention.log);
	shelf_close(&b->shelf);
}

START_TEST(the_floor_of_free_space_makes_the_oldest_go)
{
	struct bench b;
	begin_retention(&b, 0, 8192);
	disk_all = 1 << 20;
	disk_free = 16384;
	ck_assert_int_eq(retention_make_room(&b.retention, 4096), 0);
	ck_assert_uint_eq(b.shelf.segments, 4);
	ck_assert_int_eq(retention_make_room(&b.retention, 8193), 0); /* one byte short */
	ck_assert_uint_eq(b.shelf.segments, 3);
	ck_assert_int_eq(status_get(&b.status.segments_deleted), 1);
	disk_free = 4096; /* whatever goes does not help */
	ck_assert_int_eq(retention_make_room(&b.retention, 1), -1);
	ck_assert_int_eq(errno, ENOSPC);
	ck_assert_uint_eq(b.shelf.segments, 1); /* the one being written stays */
	fail_next(CALL_FSTATVFS, 1, EIO);       /* not known: no reason to stop */
	ck_assert_int_eq(retention_make_room(&b.retention, 1), 0);
	end_retention(&b);
}
END_TEST

START_TEST(the_floor_may_be_a_share_of_the_disk)
{
	struct bench b;
	begin_retention(&b, 3, 0);
	b.retention.keep_free_fraction = 0.25;
	disk_all = 1 << 20;
	disk_free = 300 * 1024;
	ck_assert_int_eq(retention_floor(&b.retention, disk_all), 256 * 1024);
	ck_assert_int_eq(retention_make_room(&b.retention, 1), 0); /* over the cap by two, above the floor */
	ck_assert_uint_eq(b.shelf.segments, 2);
	b.retention.keep_free_bytes = 290 * 1024; /* the larger of both counts */
	ck_assert_int_eq(retention_floor(&b.retention, disk_all), 290 * 1024);
	end_retention(&b);
}
END_TEST

START_TEST(a_segment_that_cannot_be_deleted_is_told_and_tried_again_later)
{
	struct bench b;
	begin_retention(&b, 3, 0);
	fail_next(CALL_UNLINKAT, 1, EACCES);
	ck_assert_int_eq(retention_make_room(&b.retention, 1), 0);
	ck_assert_uint_eq(b.shelf.segments, 4);
	unsigned asked = count[CALL_UNLINKAT];
	ck_assert_int_eq(retention_make_room(&b.retention, 1), 0);
	ck_assert_uint_eq(count[CALL_UNLINKAT], asked); /* not at every write */
	b.retention.look_us = 0;
	ck_assert_int_eq(retention_make_room(&b.retention, 1), 0);
	ck_assert_uint_eq(b.shelf.segments, 2);
	b.retention.look_us = 0;
	ck_assert_int_eq(unlink(in_folder("000001-0003.tram")), 0); /* somebody else was quicker */
	ck_assert_int_eq(retention_make_room(&b.retention, 2), 0);
	ck_assert_uint_eq(b.shelf.segments, 1);
	end_retention(&b);
}
END_TEST

/* --- a store without room --- */

struct kept {
	struct status status;
	struct store *store;
	struct log *log;
	struct store_config config;
	atomic_bool stop;
	uint32_t next;
};

static char log_folder[LOGD_RIG_PATH + 32];

static void begin_store(struct kept *k)
{
	snprintf(log_folder, sizeof log_folder, "%s", in_folder("log"));
	*k = (struct kept){.config = {.directory = log_folder,
	                              .segment_bytes = 1 << 22,
	                              .sync_us = 50000,
	                              .keep_free_bytes = 8192,
	                              .live = true,
	                              .timed = true,
	                              .engine_text = "",
	                              .source = "port, lines"}};
	k->log = log_new(true);
	disk_all = 1 << 20;
	disk_free = 1 << 20;
	status_init(&k->status);
	k->store = store_new(&k->config, &k->status, k->log, &k->stop);
	ck_assert_int_eq(store_start(k->store, &fault), 0);
}

static void end_store(struct kept *k, int bad)
{
	ck_assert_int_eq(store_close(k->store), bad);
	store_free(k->store);
	log_free(k->log);
}

/* How many of `n` records were kept. */
static uint32_t add(struct kept *k, uint32_t n)
{
	uint32_t kept = 0;
	for (uint32_t i = 0; i < n; i++) {
		struct record r = logd_rig_record(k->next++);
		kept += store_add(k->store, &r);
	}
	return kept;
}

static void turn_until(struct kept *k, int64_t disk_ok)
{
	for (unsigned i = 0; i < 200 && status_get(&k->status.disk_ok) != disk_ok; i++) {
		logd_rig_sleep_us(10000);
		store_turn(k->store);
	}
	ck_assert_int_eq(status_get(&k->status.disk_ok), disk_ok);
}

#define FITS_IN_RAM 600000u

/* The floor of free space is a full disk: what RAM takes is written later, the rest is told. */
START_TEST(records_without_room_are_counted_where_they_are_missing)
{
	static struct kept k;
	struct logd_account a;
	begin_store(&k);
	disk_free = 4096;
	add(&k, 100);
	turn_until(&k, 0);
	ck_assert_uint_eq(add(&k, FITS_IN_RAM), FITS_IN_RAM - 100);
	ck_assert_int_eq(status_get(&k.status.records_not_kept), 100);
	store_turn(k.store);
	ck_assert_int_eq(status_get(&k.status.records_waiting), FITS_IN_RAM);
	disk_free = 1 << 20;
	turn_until(&k, 1);
	add(&k, 100);
	end_store(&k, 0);
	logd_account_read(log_folder, &a);
	ck_assert_uint_eq(a.records, FITS_IN_RAM + 100);
	ck_assert_uint_eq(a.missing, 100);
	ck_assert_int_eq(a.gap_amount[GAP_DISK], 100);
	ck_assert_uint_eq(a.twice + a.altered + a.damages + a.not_closed, 0);
}
END_TEST

START_TEST(what_never_had_room_is_told_at_the_end)
{
	static struct kept k;
	struct logd_account a;
	begin_store(&k);
	add(&k, 1000);
	logd_rig_sleep_us(60000);
	store_turn(k.store);
	disk_free = 4096;
	add(&k, 500);
	turn_until(&k, 0);
	end_store(&k, -1);
	ck_assert_int_eq(status_get(&k.status.records_not_kept), 500);
	logd_account_read(log_folder, &a);
	ck_assert_uint_eq(a.records, 1000);
	ck_assert_int_eq(a.gap_amount[GAP_DISK], 500);
	ck_assert_uint_eq(a.not_closed, 0);
}
END_TEST

START_TEST(a_segment_that_somebody_deleted_is_written_again)
{
	static struct kept k;
	struct logd_account a;
	begin_store(&k);
	add(&k, 100);
	ck_assert_int_eq(unlink(in_folder("log/000001-0001.tram")), 0);
	turn_until(&k, 0);
	turn_until(&k, 1);
	add(&k, 100);
	end_store(&k, 0);
	logd_account_read(log_folder, &a);
	ck_assert_uint_eq(a.records, 200);
	ck_assert_uint_eq(a.missing + a.twice, 0);
}
END_TEST

/* Its parent is gone, too: tried until somebody makes one. */
START_TEST(a_log_whose_place_is_gone_waits_for_it)
{
	static struct kept k;
	struct logd_account a;
	char parent[LOGD_RIG_PATH + 32];
	snprintf(parent, sizeof parent, "%s", in_folder("card"));
	ck_assert_int_eq(mkdir(parent, 0777), 0);
	begin_store(&k);
	end_store(&k, 0);
	snprintf(log_folder, sizeof log_folder, "%s", in_folder("card/log"));
	k.log = log_new(true);
	k.store = store_new(&k.config, &k.status, k.log, &k.stop);
	ck_assert_int_eq(store_start(k.store, &fault), 0);
	logd_rig_remove(parent);
	add(&k, 100);
	turn_until(&k, 0);
	logd_rig_sleep_us(600000);
	store_turn(k.store);
	ck_assert_int_eq(status_get(&k.status.disk_ok), 0);
	ck_assert_int_eq(mkdir(parent, 0777), 0);
	turn_until(&k, 1);
	end_store(&k, 0);
	logd_account_read(log_folder, &a);
	ck_assert_uint_eq(a.records, 100);
}
END_TEST

START_TEST(another_source_begins_another_segment)
{
	static struct kept k;
	struct logd_account a;
	begin_store(&k);
	store_source(k.store, "port, lines");
	store_turn(k.store);
	ck_assert_int_eq(status_get(&k.status.segment), 1);
	store_source(k.store, "pty, lines");
	add(&k, 10);
	store_turn(k.store);
	ck_assert_int_eq(status_get(&k.status.segment), 2);
	end_store(&k, 0);
	logd_account_read(log_folder, &a);
	ck_assert_uint_eq(a.files, 2);
	ck_assert_uint_eq(a.records, 10);
}
END_TEST

/* --- the status socket --- */

START_TEST(no_status_socket_is_told)
{
	char line[64];
	fail_next(CALL_LISTEN, 1, EADDRINUSE);
	ck_assert_int_eq(socket_listen(in_folder("s"), &fault), -1);
	ck_assert_int_eq(fault.exit_code, EX_CANTCREAT);
	fail_next(CALL_SOCKET, 1, EMFILE);
	ck_assert_int_eq(socket_listen(in_folder("s"), &fault), -1);
	fail_next(CALL_SOCKET, 1, EMFILE);
	ck_assert_int_eq(socket_ask(in_folder("s"), line, sizeof line, &fault), -1);
	fail_next(CALL_SETSOCKOPT, 1, EINVAL);
	ck_assert_int_eq(socket_ask(in_folder("s"), line, sizeof line, &fault), -1);
	ck_assert_int_eq(fault.exit_code, EX_UNAVAILABLE);
	fail_next(CALL_CONNECT, 1, EACCES);
	ck_assert_int_eq(socket_ask(in_folder("s"), line, sizeof line, &fault), -1);
	ck_assert_int_eq(fault.exit_code, EX_NOPERM);
}
END_TEST

START_TEST(an_answer_is_cut_to_the_room_there_is_and_none_is_no_answer)
{
	char line[5];
	int fd = socket_listen(in_folder("s"), &fault), status;
	pid_t child = fork();
	if (child == 0) {
		int bad = socket_ask(in_folder("s"), line, sizeof line, NULL);
		_exit(bad == 0 && strcmp(line, "abcd") == 0 &&
		              socket_ask(in_folder("s"), line, sizeof line, NULL) != 0
		          ? 0
		          : 1);
	}
	int client;
	while ((client = accept(fd, NULL, NULL)) < 0)
		logd_rig_sleep_us(1000);
	ck_assert_int_eq(write(client, "abcdefgh\n", 9), 9);
	close(client);
	while ((client = accept(fd, NULL, NULL)) < 0)
		logd_rig_sleep_us(1000);
	close(client);
	ck_assert_int_eq(waitpid(child, &status, 0), child);
	ck_assert_int_eq(status, 0);
	close(fd);
}
END_TEST

/* --- messages --- */

/* What `log_say` put onto standard error since the last call. */
static int heard[2];

static void listen_to_messages(void)
{
	ck_assert_int_eq(pipe2(heard, O_NONBLOCK), 0);
	ck_assert_int_eq(dup2(heard[1], STDERR_FILENO), STDERR_FILENO);
}

static const char *message(void)
{
	static char text[4096];
	ssize_t n = read(heard[0], text, sizeof text - 1);
	text[n < 0 ? 0 : n] = '\0';
	return text;
}

START_TEST(a_message_is_one_printable_line_once_a_minute)
{
	static char longest[3000];
	struct log *l = log_new(true);
	listen_to_messages();
	log_say(l, LOG_DISK, LOG_LEVEL_ERROR, "a\nb\x7f%s", "c");
	ck_assert_str_eq(message(), "trammeld: a?b?c\n");
	for (unsigned i = 0; i < 3; i++)
		log_say(l, LOG_DISK, LOG_LEVEL_ERROR, "held back");
	log_say(l, LOG_PLAIN, LOG_LEVEL_NOTICE, "quiet");
	ck_assert_str_eq(message(), "");
	memset(longest, 'x', sizeof longest - 1);
	log_say(l, LOG_PLAIN, LOG_LEVEL_WARNING, "%s", longest);
	const char *said = message();
	ck_assert_uint_lt(strlen(said), 1024);
	ck_assert_uint_gt(strlen(said), 900);
	ck_assert_int_eq(said[strlen(said) - 1], '\n');
	log_free(l);
}
END_TEST

START_TEST(the_journal_is_told_the_level)
{
	ck_assert_int_eq(setenv("JOURNAL_STREAM", "1:2", 1), 0);
	struct log *l = log_new(false);
	listen_to_messages();
	log_say(l, LOG_PLAIN, LOG_LEVEL_NOTICE, "started");
	ck_assert_str_eq(message(), "<5>trammeld: started\n");
	log_free(l);
}
END_TEST

START_TEST(whoever_does_not_read_messages_does_not_hold_us_up)
{
	char byte = 'x';
	struct log *l = log_new(false);
	listen_to_messages();
	while (write(heard[1], &byte, 1) == 1)
		;
	errno = ENOSPC;
	log_say(l, LOG_PLAIN, LOG_LEVEL_NOTICE, "lost");
	ck_assert_int_eq(errno, ENOSPC); /* and errno is kept */
	close(heard[0]);
	log_say(l, LOG_PLAIN, LOG_LEVEL_NOTICE, "lost too");
	log_free(l);
}
END_TEST

/* --- who it is --- */

START_TEST(what_cannot_be_looked_at_belongs_to_nobody_known)
{
	make_file("file");
	int fd = open(in_folder("file"), O_RDONLY);
	fail_next(CALL_GETDENTS, 1, EIO);
	ck_assert_int_eq(owner_of_open(in_folder("file")), 0);
	ck_assert_int_eq(owner_of_open("/dev/null"), owner_of_open("/dev/null"));
	close(fd);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("logd calls");
	TCase *t = tcase_create("calls");
	signal(SIGPIPE, SIG_IGN);
	tcase_add_checked_fixture(t, set_up, tear_down);
	tcase_add_test(t, a_ring_or_a_tail_without_memory_is_none);
	tcase_add_test(t, a_store_without_memory_is_none);
	tcase_add_test(t, a_port_is_opened_so_that_nothing_restarts_the_board);
	tcase_add_test(t, a_speed_that_the_driver_did_not_take_is_noted);
	tcase_add_test(t, a_port_that_cannot_be_set_up_says_why);
	tcase_add_loop_test(t, why_a_port_does_not_open_decides_the_exit_code, 0,
	                    sizeof refusals / sizeof refusals[0]);
	tcase_add_test(t, a_terminal_without_settings_is_refused);
	tcase_add_test(t, what_the_driver_lost_is_asked_for_as_a_difference);
	tcase_add_test(t, a_file_without_permission_says_so);
	tcase_add_test(t, a_directory_that_cannot_be_listed_is_told);
	tcase_add_loop_test(t, a_directory_that_cannot_be_used_says_why, 0,
	                    sizeof shut_out / sizeof shut_out[0]);
	tcase_add_test(t, a_directory_that_another_replaced_has_vanished);
	tcase_add_test(t, the_oldest_of_many_go_first);
	tcase_add_test(t, the_floor_of_free_space_makes_the_oldest_go);
	tcase_add_test(t, the_floor_may_be_a_share_of_the_disk);
	tcase_add_test(t, a_segment_that_cannot_be_deleted_is_told_and_tried_again_later);
	tcase_add_test(t, records_without_room_are_counted_where_they_are_missing);
	tcase_add_test(t, what_never_had_room_is_told_at_the_end);
	tcase_add_test(t, a_segment_that_somebody_deleted_is_written_again);
	tcase_add_test(t, a_log_whose_place_is_gone_waits_for_it);
	tcase_add_test(t, another_source_begins_another_segment);
	tcase_add_test(t, no_status_socket_is_told);
	tcase_add_test(t, an_answer_is_cut_to_the_room_there_is_and_none_is_no_answer);
	tcase_add_test(t, a_message_is_one_printable_line_once_a_minute);
	tcase_add_test(t, the_journal_is_told_the_level);
	tcase_add_test(t, whoever_does_not_read_messages_does_not_hold_us_up);
	tcase_add_test(t, what_cannot_be_looked_at_belongs_to_nobody_known);
	tcase_set_timeout(t, 30);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
