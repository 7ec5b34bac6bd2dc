/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logd/source.h"

#include "logd/owner.h"
#include "logd/source_port.h"
#include "logd/tty.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sysexits.h>
#include <unistd.h>

#define SPEED_TOLERANCE_PERCENT 2 /* an asynchronous receiver stands about 4 % between both ends */

struct source source_make(const char *path, int baud, bool reset_board)
{
	return (struct source){
	    .path = path, .baud = baud, .reset_board = reset_board, .fd = -1, .overruns = -1};
}

bool source_ends(enum source_kind kind)
{
	return kind == SOURCE_FIFO || kind == SOURCE_FILE || kind == SOURCE_STDIN;
}

const char *source_kind_name(enum source_kind kind)
{
	static const char *const names[] = {"port", "pty", "fifo", "file", "stdin"};
	return names[kind];
}

/* Terminals whose other end is a program (devpts): no baud, no modem lines. */
static bool is_pty(const char *path)
{
	return strncmp(path, "/dev/pts/", 9) == 0;
}

enum source_kind source_expected(const char *path)
{
	return is_pty(path) ? SOURCE_PTY : SOURCE_PORT;
}

void source_label(enum source_kind kind, const char *link, int baud, char label[SOURCE_LABEL_MAX])
{
	if (kind == SOURCE_PORT)
		snprintf(label, SOURCE_LABEL_MAX, "%s, %s, %d baud", source_kind_name(kind), link, baud);
	else
		snprintf(label, SOURCE_LABEL_MAX, "%s, %s", source_kind_name(kind), link);
}

static int classify(struct source *s, const struct stat *st, struct fault *fault)
{
	if (S_ISDIR(st->st_mode))
		return fault_set(fault, EX_NOINPUT,
		                 "%s: is a directory; --port takes a serial port, FIFO or file", s->path);
	if (S_ISSOCK(st->st_mode))
		return fault_set(fault, EX_NOINPUT, "%s: is a socket; pipe its data into --port -", s->path);
	if (S_ISFIFO(st->st_mode))
		s->kind = SOURCE_FIFO;
	else if (S_ISCHR(st->st_mode) && is_pty(s->real))
		s->kind = SOURCE_PTY;
	else
		s->kind = SOURCE_FILE; /* a character device may still prove a terminal */
	return 0;
}

static int explain_open(const struct source *s, int error, struct fault *fault)
{
	if (error == EACCES || error == EPERM)
		return fault_set(fault, EX_NOPERM,
		                 "%s: no permission; add this user to the group that owns it (often dialout)",
		                 s->path);
	return fault_set(fault, EX_NOINPUT, "%s: cannot open: %s", s->path, strerror(error));
}

static int explain_missing(const struct source *s, int error, struct fault *fault)
{
	if (error == ENOENT || error == ENOTDIR || error == ENODEV || error == ENXIO)
		return fault_set(
		    fault, EX_NOINPUT,
		    "%s: no such port; is the cable in? (ls /dev/serial/by-id lists ports; --wait "
		    "keeps trying)",
		    s->path);
	return explain_open(s, error, fault);
}

/* Busy: libserialport and the kernel say so without a name. */
static int name_owner(const struct source *s, struct fault *fault)
{
	char owner[OWNER_TEXT];
	if (fault->exit_code != EX_TEMPFAIL)
		return -1;
	owner_describe(owner_of_open(s->real), owner);
	return fault_set(fault, EX_TEMPFAIL, "%s: in use by %s; stop it, or name another port", s->path,
	                 owner);
}

static void note_speed(struct source *s, int speed)
{
	if (speed > 0 &&
	    llabs((long long)speed - s->baud) * 100 > (long long)s->baud * SPEED_TOLERANCE_PERCENT)
		snprintf(s->note, sizeof s->note, "asked for %d baud, the driver settled on %d", s->baud,
		         speed);
}

static int open_terminal(struct source *s, struct fault *fault)
{
	int speed = 0;
	bool by_library = s->kind != SOURCE_PTY && source_port_known(s->real);
	s->fd = by_library ? source_port_open(s->real, s->baud, &speed, fault)
	                   : tty_open(s->real, s->baud, fault);
	if (s->fd < 0)
		return name_owner(s, fault);
	if (tty_claim(s->fd, s->path, fault) != 0) {
		source_close(s);
		return -1;
	}
	tty_settle(s->fd);
	note_speed(s, speed);
	if (s->reset_board)
		tty_reset_board(s->fd);
	s->reset_board = false; /* once: a replugged board has reset itself */
	tty_forget_input(s->fd);
	s->live = true;
	s->overruns = tty_overruns(s->fd);
	return 0;
}

static int open_plain(struct source *s, struct fault *fault)
{
	s->fd = open(s->real, O_RDONLY | O_NONBLOCK | O_NOCTTY | O_CLOEXEC);
	if (s->fd < 0)
		return explain_open(s, errno, fault);
	s->live = false;
	return 0;
}

static int open_stdin(struct source *s, struct fault *fault)
{
	s->kind = SOURCE_STDIN;
	s->live = false;
	snprintf(s->real, sizeof s->real, "standard input");
	int mode = fcntl(STDIN_FILENO, F_GETFL);
	s->fd = mode < 0 || (mode & O_ACCMODE) == O_WRONLY ? -1 : fcntl(STDIN_FILENO, F_DUPFD_CLOEXEC, 0);
	if (s->fd < 0)
		return fault_set(fault, EX_NOINPUT, "standard input is closed");
	return 0;
}

static bool is_terminal_device(const struct source *s, const struct stat *st)
{
	if (!S_ISCHR(st->st_mode))
		return false;
	return s->kind == SOURCE_PTY || source_port_known(s->real) || strncmp(s->real, "/dev/tty", 8) == 0;
}

int source_open(struct source *s, struct fault *fault)
{
	struct stat st;
	s->note[0] = '\0';
	if (strcmp(s->path, "-") == 0)
		return open_stdin(s, fault);
	if (realpath(s->path, s->real) == NULL || stat(s->real, &st) != 0)
		return explain_missing(s, errno, fault);
	if (classify(s, &st, fault) != 0)
		return -1;
	if (!is_terminal_device(s, &st))
		return open_plain(s, fault);
	if (s->kind != SOURCE_PTY)
		s->kind = SOURCE_PORT;
	return open_terminal(s, fault);
}

void source_close(struct source *s)
{
	if (s->fd >= 0)
		close(s->fd);
	s->fd = -1;
}

int64_t source_overrun(struct source *s)
{
	if (s->overruns < 0)
		return 0;
	int now = tty_overruns(s->fd);
	int64_t lost = now > s->overruns ? now - s->overruns : 0;
	if (now >= 0)
		s->overruns = now;
	return lost;
}
