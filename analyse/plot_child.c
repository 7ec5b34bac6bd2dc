/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/plot_child.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <spawn.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

/* Own pipes rather than popen: the ends are sockets, so that a child that went
 * away is an error of send() and no signal. */
struct child {
	pid_t pid;
	int to, from; /* ours; -1 = closed */
};

static void close_end(int *fd)
{
	if (*fd >= 0)
		close(*fd);
	*fd = -1;
}

static int64_t now_ms(void)
{
	struct timespec t;
	clock_gettime(CLOCK_MONOTONIC, &t);
	return (int64_t)t.tv_sec * 1000 + t.tv_nsec / 1000000;
}

static int spawn(struct child *c, const char *command, const int in[2], const int out[2])
{
	/* -d: no start-up files of whoever runs us; C locale: the same picture everywhere. */
	char *argv[] = {(char *)command, "-d", NULL};
	char path[4096] = "PATH=", *env[] = {path, "LC_ALL=C", "HOME=/", NULL};
	const char *search = getenv("PATH");
	snprintf(path, sizeof path, "PATH=%s", search != NULL ? search : "/usr/bin:/bin");
	posix_spawn_file_actions_t files;
	if (posix_spawn_file_actions_init(&files) != 0)
		return ENOMEM;
	posix_spawn_file_actions_adddup2(&files, in[1], STDIN_FILENO);
	posix_spawn_file_actions_adddup2(&files, out[1], STDOUT_FILENO);
	posix_spawn_file_actions_addopen(&files, STDERR_FILENO, "/dev/null", O_WRONLY, 0);
	int error = posix_spawnp(&c->pid, command, &files, NULL, argv, env);
	posix_spawn_file_actions_destroy(&files);
	return error;
}

static int start(struct child *c, const char *command)
{
	int in[2], out[2];
	*c = (struct child){.pid = -1, .to = -1, .from = -1};
	if (socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, in) != 0)
		return errno;
	if (socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, out) != 0) {
		int error = errno;
		close(in[0]);
		close(in[1]);
		return error;
	}
	int error = spawn(c, command, in, out);
	close(in[1]);
	close(out[1]);
	c->to = in[0];
	c->from = out[0];
	if (error != 0)
		c->pid = -1;
	return error;
}

/* Waits for the child, which is killed when it does not end by itself; its exit status. */
static int finish(struct child *c, bool kill_it)
{
	int status = 0;
	close_end(&c->to);
	close_end(&c->from);
	if (c->pid <= 0)
		return -1;
	if (kill_it)
		kill(c->pid, SIGKILL);
	while (waitpid(c->pid, &status, 0) < 0)
		if (errno != EINTR)
			return -1;
	return status;
}

static void feed(struct child *c, const char *program, size_t n, size_t *sent)
{
	ssize_t wrote = send(c->to, program + *sent, n - *sent, MSG_NOSIGNAL | MSG_DONTWAIT);
	if (wrote > 0)
		*sent += (size_t)wrote;
	else if (wrote < 0 && errno != EAGAIN && errno != EINTR)
		*sent = n; /* it reads no more: what it says or its exit code tells why */
	if (*sent == n)
		close_end(&c->to);
}

struct pot { /* what came back so far */
	char *bytes;
	size_t n, room;
};

/* 1 = more may come, 0 = end, -1 = out of memory or too much. */
static int drain(struct child *c, struct pot *p)
{
	if (p->n + 65536 + 1 > p->room) {
		size_t room = 2 * p->room + 2 * 65536;
		char *grown = p->n > PLOT_CHILD_BYTES ? NULL : realloc(p->bytes, room);
		if (grown == NULL)
			return -1;
		p->bytes = grown;
		p->room = room;
	}
	ssize_t got = recv(c->from, p->bytes + p->n, 65536, MSG_DONTWAIT);
	if (got > 0)
		p->n += (size_t)got;
	return got > 0 || (got < 0 && (errno == EAGAIN || errno == EINTR)) ? 1 : 0;
}

/* Both ways at once, so that neither side can wait for the other for ever.
 * NULL, or why it failed. */
static const char *talk(struct child *c, int ms, const char *program, size_t n, struct pot *p)
{
	size_t sent = 0;
	int64_t deadline = now_ms() + ms;
	for (;;) {
		struct pollfd fd[2] = {{.fd = c->from, .events = POLLIN}, {.fd = c->to, .events = POLLOUT}};
		int64_t left = deadline - now_ms();
		if (left <= 0)
			return "gnuplot took too long";
		if (poll(fd, 2, (int)left) < 0 && errno != EINTR)
			return "waiting for gnuplot failed";
		if (fd[1].revents != 0)
			feed(c, program, n, &sent);
		int more = fd[0].revents != 0 ? drain(c, p) : 1;
		if (more < 0)
			return "gnuplot's picture is too large";
		if (more == 0)
			return NULL;
	}
}

int plot_child_run(const char *command, int ms, const char *program, size_t n, char **out, size_t *out_n,
                   char *why, size_t why_size)
{
	struct child c;
	struct pot p = {0};
	int error = start(&c, command);
	if (error != 0) {
		finish(&c, false);
		snprintf(why, why_size,
		         error == ENOENT ? "gnuplot is not installed" : "gnuplot cannot be started: %s",
		         strerror(error));
		return -1;
	}
	const char *wrong = talk(&c, ms, program, n, &p);
	int status = finish(&c, wrong != NULL);
	if (wrong == NULL && (!WIFEXITED(status) || WEXITSTATUS(status) != 0 || p.n == 0))
		wrong = "gnuplot did not draw it";
	if (wrong != NULL) {
		snprintf(why, why_size, "%s", wrong);
		free(p.bytes);
		return -1;
	}
	p.bytes[p.n] = '\0';
	*out = p.bytes;
	*out_n = p.n;
	return 0;
}
