/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Lets libserialport take a pty.  The library wants a name below /dev whose counterpart
 * below /sys/class/tty is a link, and modem lines; a pty has neither.  The
 * name in TRAMMEL_SERIAL is resolved to a way through /dev that meets the first
 * wish, and the modem calls on it succeed. */
#include <dlfcn.h>
#include <errno.h>
#include <limits.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>

char *realpath(const char *path, char *resolved)
{
	char *(*next)(const char *, char *) = (char *(*)(const char *, char *))dlsym(RTLD_NEXT, "realpath");
	const char *port = getenv("TRAMMEL_SERIAL");
	char *found = next(path, resolved);
	if (found != NULL && port != NULL && strcmp(path, port) == 0)
		snprintf(found, PATH_MAX, "/dev/../../../..%s", path);
	return found;
}

int ioctl(int fd, unsigned long request, ...)
{
	int (*next)(int, unsigned long, ...) = (int (*)(int, unsigned long, ...))dlsym(RTLD_NEXT, "ioctl");
	va_list args;
	va_start(args, request);
	void *argument = va_arg(args, void *);
	va_end(args);
	int done = next(fd, request, argument);
	if (done == 0 || errno != ENOTTY)
		return done;
	if (request == TIOCMGET)
		*(int *)argument = TIOCM_DTR | TIOCM_RTS;
	return request == TIOCMGET || request == TIOCMSET || request == TIOCMBIS || request == TIOCMBIC ? 0
	                                                                                                : -1;
}
