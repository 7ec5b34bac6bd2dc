/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logd/tty.h"

#include "logd/owner.h"

#include <errno.h>
#include <fcntl.h>
#include <linux/serial.h>
#include <string.h>
#include <sys/file.h>
#include <sys/ioctl.h>
#include <sysexits.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

int tty_open(const char *path, int baud, struct fault *fault)
{
	int fd = open(path, O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
	if (fd < 0)
		return fault_set(fault, errno == EBUSY ? EX_TEMPFAIL : EX_NOINPUT, "%s: cannot open: %s",
		                 path, strerror(errno));
	struct termios t;
	if (tcgetattr(fd, &t) == 0) {
		cfmakeraw(&t);
		t.c_cflag |= CLOCAL | CREAD;
		if (tcsetattr(fd, TCSANOW, &t) == 0 && tty_set_speed(fd, baud) == 0)
			return fd;
	}
	fault_set(fault, EX_IOERR, "%s: cannot set raw mode and speed: %s", path, strerror(errno));
	close(fd);
	return -1;
}

int tty_claim(int fd, const char *path, struct fault *fault)
{
	if (flock(fd, LOCK_EX | LOCK_NB) != 0) {
		char owner[OWNER_TEXT];
		owner_describe(owner_of_lock(fd), owner);
		return fault_set(fault, EX_TEMPFAIL, "%s: in use by %s; stop it, or name another port", path,
		                 owner);
	}
	(void)ioctl(fd, TIOCEXCL);
	return 0;
}

static void ask_low_latency(int fd)
{
	struct serial_struct serial;
	if (ioctl(fd, TIOCGSERIAL, &serial) != 0)
		return;
	serial.flags = (int)((unsigned)serial.flags | ASYNC_LOW_LATENCY);
	(void)ioctl(fd, TIOCSSERIAL, &serial);
}

void tty_settle(int fd)
{
	struct termios t;
	if (tcgetattr(fd, &t) == 0) {
		t.c_cflag &= (tcflag_t)~HUPCL;
		t.c_cc[VMIN] = 1;
		t.c_cc[VTIME] = 0;
		(void)tcsetattr(fd, TCSANOW, &t);
	}
	(void)fcntl(fd, F_SETFD, FD_CLOEXEC);
	ask_low_latency(fd);
}

void tty_reset_board(int fd)
{
	const int dtr = TIOCM_DTR;
	if (ioctl(fd, TIOCMBIC, &dtr) != 0)
		return;
	nanosleep(&(struct timespec){.tv_nsec = 100 * 1000 * 1000}, NULL);
	(void)ioctl(fd, TIOCMBIS, &dtr);
}

void tty_forget_input(int fd)
{
	(void)tcflush(fd, TCIFLUSH);
}

int tty_overruns(int fd)
{
	struct serial_icounter_struct count;
	if (ioctl(fd, TIOCGICOUNT, &count) != 0)
		return -1;
	return count.overrun + count.buf_overrun;
}
