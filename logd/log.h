/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Messages to standard error (the journal, under a service manager).
 *
 * A message of one kind appears once a minute at most; those held back are
 * counted and the count comes with the next.  A message is one write of less
 * than PIPE_BUF, and is dropped when the other end does not take it at once:
 * no thread of the recorder ever waits for whoever reads its messages. */
#ifndef TRAMMEL_LOG_H
#define TRAMMEL_LOG_H

#include <stdbool.h>

/* Kinds that are held to one a minute. */
enum log_kind {
	LOG_PLAIN, /* rare by nature: start, stop, recovery; never held back */
	LOG_LINK,
	LOG_NOISE,
	LOG_DROPPED,
	LOG_DISK,
	LOG_RETENTION,
	LOG_ALARM_SUPPLY,
	LOG_ALARM_SPEED,
	LOG_ALARM_TEETH,
	LOG_SOCKET,
	LOG_KIND_END
};

/* As in syslog(3). */
enum log_level { LOG_LEVEL_ERROR = 3, LOG_LEVEL_WARNING = 4, LOG_LEVEL_NOTICE = 5 };

struct log; /* opaque */

/* `quiet` drops notices.  NULL when out of memory. */
struct log *log_new(bool quiet);
void log_free(struct log *l);

/* Writes one line "trammeld: ...".  Safe from any thread; errno is kept. */
void log_say(struct log *l, enum log_kind kind, enum log_level level, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

/* What stands behind the name of n things: "s", or nothing for one. */
static inline const char *log_s(long long n)
{
	return n == 1 ? "" : "s";
}

#endif
