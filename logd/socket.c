/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logd/socket.h"

#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/time.h>
#include <sys/un.h>
#include <sysexits.h>
#include <unistd.h>

#define ASK_TIMEOUT_S 5

static int fill(struct sockaddr_un *a, const char *path, struct fault *fault)
{
	*a = (struct sockaddr_un){.sun_family = AF_UNIX};
	if (strlen(path) >= sizeof a->sun_path)
		return fault_set(
		    fault, EX_USAGE,
		    "%s: too long for a socket's name (%zu bytes at most); name one with --socket", path,
		    sizeof a->sun_path - 1);
	memcpy(a->sun_path, path, strlen(path) + 1);
	return 0;
}

/* Only a socket is cleared away: the directory is locked, so it is a dead recorder's. */
static void clear_old(const char *path)
{
	struct stat st;
	if (lstat(path, &st) == 0 && S_ISSOCK(st.st_mode))
		unlink(path);
}

int socket_listen(const char *path, struct fault *fault)
{
	struct sockaddr_un a;
	if (fill(&a, path, fault) != 0)
		return -1;
	int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0);
	clear_old(path);
	if (fd >= 0 && bind(fd, (const struct sockaddr *)&a, sizeof a) == 0 && listen(fd, 8) == 0)
		return fd;
	fault_set(fault, EX_CANTCREAT, "%s: no status socket: %s (another place: --socket)", path,
	          strerror(errno));
	if (fd >= 0)
		close(fd);
	return -1;
}

void socket_answer(int listen_fd, const char *line, size_t n)
{
	int fd;
	while ((fd = accept4(listen_fd, NULL, NULL, SOCK_NONBLOCK | SOCK_CLOEXEC)) >= 0) {
		(void)!send(fd, line, n, MSG_NOSIGNAL | MSG_DONTWAIT);
		close(fd);
	}
}

static size_t read_line(int fd, char *line, size_t size)
{
	size_t n = 0;
	ssize_t got;
	while (n < size - 1 && (got = read(fd, line + n, size - 1 - n)) > 0)
		n += (size_t)got;
	line[n] = '\0';
	line[strcspn(line, "\n")] = '\0';
	return strlen(line);
}

int socket_ask(const char *path, char *line, size_t size, struct fault *fault)
{
	struct sockaddr_un a;
	if (fill(&a, path, fault) != 0)
		return -1;
	int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
	struct timeval limit = {.tv_sec = ASK_TIMEOUT_S};
	int bad = -1;
	if (fd >= 0 && setsockopt(fd, SOL_SOCKET, SO_RCVTIMEO, &limit, sizeof limit) == 0 &&
	    connect(fd, (const struct sockaddr *)&a, sizeof a) == 0)
		bad = read_line(fd, line, size) > 0 ? 0 : -1;
	int error = errno;
	if (fd >= 0)
		close(fd);
	if (bad == 0)
		return 0;
	if (error == EACCES)
		return fault_set(fault, EX_NOPERM, "%s: no permission to ask this recorder", path);
	return fault_set(fault, EX_UNAVAILABLE, "%s: no recorder answers there; is trammeld running?", path);
}
