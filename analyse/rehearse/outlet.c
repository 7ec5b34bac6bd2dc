/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/rehearse/outlet.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#define OUTLET_BUFFER 65536
#define READER_LOOK_MS 20
/* How long a live outlet waits for a slow reader before it throws away. */
#define LIVE_PATIENCE_MS 250
/* Closing a pseudo-terminal takes unread bytes away from its reader. */
#define LIVE_FAREWELL_MS 250

struct outlet {
	int fd;
	bool live; /* a device or pseudo-terminal: never waited for */
	const char *name;
	struct link_encoder *encoder;
	uint8_t buffer[OUTLET_BUFFER];
	size_t len;
	int error; /* errno of the first failure */
};

static struct outlet *outlet_new(int fd, const char *name, bool live, enum link_kind link,
                                 struct fault *fault)
{
	struct outlet *o = calloc(1, sizeof *o);
	if (o != NULL)
		o->encoder = link_encoder_new(link);
	if (o == NULL || o->encoder == NULL) {
		fault_set(fault, EX_OSERR, "out of memory");
		free(o);
		close(fd);
		return NULL;
	}
	o->fd = fd;
	o->name = name;
	o->live = live;
	return o;
}

struct outlet *outlet_file(const char *path, enum link_kind link, struct fault *fault)
{
	if (strcmp(path, "-") == 0)
		return outlet_new(dup(STDOUT_FILENO), "standard output", false, link, fault);
	int fd = open(path, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0666);
	if (fd < 0) {
		fault_set(fault, EX_CANTCREAT, "%s: cannot write: %s", path, strerror(errno));
		return NULL;
	}
	return outlet_new(fd, path, false, link, fault);
}

static void make_raw(int fd)
{
	struct termios t;
	if (tcgetattr(fd, &t) != 0)
		return; /* not a terminal: a FIFO */
	cfmakeraw(&t);
	tcsetattr(fd, TCSANOW, &t);
}

struct outlet *outlet_device(const char *path, enum link_kind link, struct fault *fault)
{
	int fd = open(path, O_WRONLY | O_NOCTTY | O_CLOEXEC);
	if (fd < 0) {
		fault_set(fault, EX_NOINPUT, "%s: cannot open for writing: %s", path, strerror(errno));
		return NULL;
	}
	make_raw(fd);
	fcntl(fd, F_SETFL, O_NONBLOCK);
	return outlet_new(fd, path, true, link, fault);
}

/* The slave is opened once to set it raw; closing it again makes the master
 * report a hang-up until somebody else opens it. */
static int prepare_slave(int master, char *slave, size_t slave_size)
{
	if (grantpt(master) != 0 || unlockpt(master) != 0 || ptsname_r(master, slave, slave_size) != 0)
		return -1;
	int fd = open(slave, O_RDWR | O_NOCTTY | O_CLOEXEC);
	if (fd < 0)
		return -1;
	make_raw(fd);
	return close(fd);
}

struct outlet *outlet_pty(enum link_kind link, char *slave, size_t slave_size, struct fault *fault)
{
	int master = posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC);
	if (master < 0 || prepare_slave(master, slave, slave_size) != 0) {
		fault_set(fault, EX_OSERR, "cannot make a pseudo-terminal: %s", strerror(errno));
		if (master >= 0)
			close(master);
		return NULL;
	}
	fcntl(master, F_SETFL, O_NONBLOCK);
	return outlet_new(master, "pseudo-terminal", true, link, fault);
}

static void pause_ms(long ms)
{
	const struct timespec pause = {.tv_nsec = ms * 1000000L};
	nanosleep(&pause, NULL);
}

int outlet_wait_for_reader(struct outlet *o, struct fault *fault)
{
	for (;;) {
		struct pollfd p = {.fd = o->fd, .events = POLLOUT};
		if (poll(&p, 1, -1) < 0 && errno != EINTR)
			return fault_set(fault, EX_OSERR, "%s: %s", o->name, strerror(errno));
		if ((p.revents & POLLHUP) == 0)
			return 0;
		pause_ms(READER_LOOK_MS);
	}
}

/* Waits a little for room.  False: nobody takes it. */
static bool room_comes(const struct outlet *o)
{
	struct pollfd p = {.fd = o->fd, .events = POLLOUT};
	return poll(&p, 1, LIVE_PATIENCE_MS) > 0 && (p.revents & POLLHUP) == 0;
}

static void write_out(struct outlet *o)
{
	size_t done = 0;
	while (done < o->len && o->error == 0) {
		ssize_t n = write(o->fd, o->buffer + done, o->len - done);
		if (n >= 0)
			done += (size_t)n;
		else if (o->live && (errno == EIO || errno == EPIPE || (errno == EAGAIN && !room_comes(o))))
			break;
		else if (errno != EINTR && errno != EAGAIN)
			o->error = errno;
	}
	o->len = 0;
}

static int take_record(void *ctx, const struct record *r)
{
	struct outlet *o = ctx;
	if (o->len + LINK_ENCODE_MAX > OUTLET_BUFFER)
		write_out(o);
	o->len += link_encode(o->encoder, r, o->buffer + o->len);
	return o->error == 0 ? 0 : -1;
}

struct rehearse_sink outlet_sink(struct outlet *o)
{
	return (struct rehearse_sink){.ctx = o, .record = take_record};
}

int outlet_flush(struct outlet *o, struct fault *fault)
{
	if (o->len + LINK_ENCODE_MAX > OUTLET_BUFFER)
		write_out(o);
	o->len += link_encode_end(o->encoder, o->buffer + o->len);
	write_out(o);
	if (o->error != 0)
		return fault_set(fault, EX_IOERR, "%s: cannot write: %s", o->name, strerror(o->error));
	return 0;
}

int outlet_close(struct outlet *o, struct fault *fault)
{
	int result = outlet_flush(o, fault);
	if (o->live)
		pause_ms(LIVE_FAREWELL_MS);
	if (close(o->fd) != 0 && result == 0)
		result = fault_set(fault, EX_IOERR, "%s: cannot write: %s", o->name, strerror(errno));
	o->fd = -1;
	outlet_abandon(o);
	return result;
}

void outlet_abandon(struct outlet *o)
{
	if (o->fd >= 0)
		close(o->fd);
	link_encoder_free(o->encoder);
	free(o);
}
