/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Terminal settings that matter to a recorder, by termios alone. */
#ifndef TRAMMEL_TTY_H
#define TRAMMEL_TTY_H

#include "common/fault.h"

#include <stdbool.h>

/* Opens a terminal that libserialport refuses (a pty, an odd driver): raw
 * mode, non-blocking, no controlling terminal.  The descriptor; -1 with `fault`. */
int tty_open(const char *path, int baud, struct fault *fault);

/* Any speed, not only the standard ones (tty_speed.c: the kernel's header for
 * it does not go together with termios.h).  0, or -1 with errno. */
int tty_set_speed(int fd, int baud);

/* Takes the port for us alone (flock, then TIOCEXCL; the second does not
 * stop root and the first does not stop strangers).  -1 with `fault`
 * EX_TEMPFAIL naming the owner. */
int tty_claim(int fd, const char *path, struct fault *fault);

/* Reads so that silence is EAGAIN and a vanished port is 0; closing leaves
 * DTR alone, so that the board is not reset when the recorder restarts; asks
 * the driver to pass bytes on at once. */
void tty_settle(int fd);

/* Drops DTR for 100 ms, which resets the common hobby boards. */
void tty_reset_board(int fd);

/* Throws away what arrived before the port was set up. */
void tty_forget_input(int fd);

/* Driver's counts of bytes lost by overrun; -1 when it keeps none. */
int tty_overruns(int fd);

#endif
