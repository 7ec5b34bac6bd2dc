/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logd/log.h"

#include "logd/clock.h"

#include <errno.h>
#include <poll.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <unistd.h>

#define QUIET_TIME_US (60LL * CLOCK_SECOND_US)
#define LINE_MAX_BYTES 1024 /* below PIPE_BUF, so that one write is whole */

struct log {
	bool quiet;
	bool level_prefix; /* the journal understands "<4>" */
	_Atomic int64_t next_us[LOG_KIND_END];
	_Atomic unsigned held[LOG_KIND_END];
};

struct log *log_new(bool quiet)
{
	struct log *l = calloc(1, sizeof *l);
	if (l == NULL)
		return NULL;
	l->quiet = quiet;
	l->level_prefix = getenv("JOURNAL_STREAM") != NULL;
	return l;
}

void log_free(struct log *l)
{
	free(l);
}

/* True when a message of this kind may go out now. */
static bool may_say(struct log *l, enum log_kind kind)
{
	if (kind == LOG_PLAIN)
		return true;
	int64_t now = clock_mono_us(), next = atomic_load(&l->next_us[kind]);
	if (now >= next && atomic_compare_exchange_strong(&l->next_us[kind], &next, now + QUIET_TIME_US))
		return true;
	atomic_fetch_add(&l->held[kind], 1);
	return false;
}

static void put(const char *line, size_t n)
{
	struct pollfd p = {.fd = STDERR_FILENO, .events = POLLOUT};
	if (poll(&p, 1, 0) == 1 && (p.revents & POLLOUT) != 0)
		(void)!write(STDERR_FILENO, line, n);
}

static void make_printable(char *s, size_t n)
{
	for (size_t i = 0; i < n; i++)
		if ((unsigned char)s[i] < 0x20 || s[i] == 0x7f)
			s[i] = '?';
}

static size_t clip(int printed, size_t room)
{
	if (printed < 0)
		return 0;
	return (size_t)printed < room ? (size_t)printed : room - 1;
}

void log_say(struct log *l, enum log_kind kind, enum log_level level, const char *format, ...)
{
	int kept_errno = errno;
	if ((l->quiet && level >= LOG_LEVEL_NOTICE) || !may_say(l, kind)) {
		errno = kept_errno;
		return;
	}
	char line[LINE_MAX_BYTES];
	size_t n = 0;
	if (l->level_prefix)
		n += clip(snprintf(line, sizeof line, "<%d>", (int)level), sizeof line);
	n += clip(snprintf(line + n, sizeof line - n, "trammeld: "), sizeof line - n);
	va_list args;
	va_start(args, format);
	n += clip(vsnprintf(line + n, sizeof line - n - 48, format, args), sizeof line - n - 48);
	va_end(args);
	unsigned held = atomic_exchange(&l->held[kind], 0);
	if (held > 0)
		n += clip(snprintf(line + n, sizeof line - n, " (and %u more like this)", held),
		          sizeof line - n);
	make_printable(line, n);
	line[n++] = '\n';
	put(line, n);
	errno = kept_errno;
}
