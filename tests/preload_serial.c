/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Lets libserialport take a pty.  The library wants a name below /dev whose counterpart
 * below /sys/class/tty is a link, and modem lines; a pty has neither.  The
 * name in TRAMMEL_SERIAL is resolved to a way through /dev that meets the first
 * wish, and the modem calls on it succeed.  Each call that would let DTR go adds a byte to the file
 * that TRAMMEL_SERIAL_DTR names. */
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <unistd.h>

char *realpath(const char *path, char *resolved)
{
	char *(*next)(const char *, char *) = (char *(*)(const char *, char *))dlsym(RTLD_NEXT, "realpath");
	const char *port = getenv("TRAMMEL_SERIAL");
	char *found = next(path, resolved);
	if (found != NULL && port != NULL && strcmp(path, port) == 0)
		snprintf(found, PATH_MAX, "/dev/../../../..%s", path);
	return found;
}

static bool lowers_dtr(unsigned long request, const int *lines)
{
	return (request == TIOCMBIC && (*lines & TIOCM_DTR) != 0) ||
	       (request == TIOCMSET && (*lines & TIOCM_DTR) == 0);
}

static void note_dtr(void)
{
	const char *path = getenv("TRAMMEL_SERIAL_DTR");
	int fd = path != NULL ? open(path, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0666) : -1;
	if (fd < 0)
		return;
	(void)!write(fd, "v", 1);
	close(fd);
}

int ioctl(int fd, unsigned long request, ...)
{
	int (*next)(int, unsigned long, ...) = (int (*)(int, unsigned long, ...))dlsym(RTLD_NEXT, "ioctl");
	va_list args;
	va_start(args, request);
	void *argument = va_arg(args, void *);
	va_end(args);
	if ((request == TIOCMBIC || request == TIOCMSET) && lowers_dtr(request, argument))
		note_dtr();
	int done = next(fd, request, argument);
	if (done == 0 || errno != ENOTTY)
		return done;
	if (request == TIOCMGET)
		*(int *)argument = TIOCM_DTR | TIOCM_RTS;
	return request == TIOCMGET || request == TIOCMSET || request == TIOCMBIS || request == TIOCMBIC ? 0
	                                                                                                : -1;
}
