/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logd/tty.h"

#include <asm/termbits.h>
#include <sys/ioctl.h>

int tty_set_speed(int fd, int baud)
{
	struct termios2 t;
	if (ioctl(fd, TCGETS2, &t) != 0)
		return -1;
	t.c_cflag &= ~(tcflag_t)CBAUD;
	t.c_cflag |= BOTHER;
	t.c_ospeed = (speed_t)baud;
	t.c_ispeed = (speed_t)baud;
	return ioctl(fd, TCSETS2, &t);
}
