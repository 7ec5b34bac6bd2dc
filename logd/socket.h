/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The status socket: whoever connects gets one line of JSON and is hung up on. */
#ifndef TRAMMEL_SOCKET_H
#define TRAMMEL_SOCKET_H

#include "common/fault.h"

#include <stddef.h>

/* Listens at `path`, in place of a socket that a killed recorder left behind.  The
 * descriptor, or -1 with `fault` (also when something else has that name). */
int socket_listen(const char *path, struct fault *fault);

/* Answers everybody who waits; never waits for anybody. */
void socket_answer(int listen_fd, const char *line, size_t n);

/* Asks the recorder behind `path`.  0 and its line without newline; or -1 with `fault`
 * EX_UNAVAILABLE when no recorder answers there. */
int socket_ask(const char *path, char *line, size_t size, struct fault *fault);

#endif
