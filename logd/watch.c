/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logd/watch.h"

#include "logd/clock.h"
#include "logd/socket.h"

#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <sys/signalfd.h>
#include <systemd/sd-daemon.h>
#include <unistd.h>

#define TURN_US CLOCK_SECOND_US
#define STOP_WITHIN_US (CLOCK_SECOND_US * 9 / 10)

/* A disk that stalls is no reason to be killed; a receiver that does not
 * move is. */
static bool receiver_alive(const struct watch *w, int64_t now)
{
	int64_t age = now - status_get(&w->status->receiver_tick_us);
	return age < (int64_t)w->watchdog_us / 2;
}

static void measure(struct watch *w, int64_t now)
{
	int64_t records = status_get(&w->status->records), bytes = status_get(&w->status->bytes_received);
	double s = (double)(now - w->turn_us) / CLOCK_SECOND_US;
	w->rates.records_s = (double)(records - w->last_records) / s;
	w->rates.bytes_s = (double)(bytes - w->last_bytes) / s;
	w->last_records = records;
	w->last_bytes = bytes;
	w->turn_us = now;
}

static void tell_manager(struct watch *w, int64_t now)
{
	const struct status *s = w->status;
	if (w->watchdog_us > 0 && receiver_alive(w, now))
		sd_notify(0, "WATCHDOG=1");
	/* sd_notifyf would use the heap. */
	snprintf(w->line, sizeof w->line,
	         "STATUS=link %s, %.0f records/s, %lld bytes dropped, disk %s, last sync %.1f s ago",
	         status_get(&s->link_up) ? "up" : "down", w->rates.records_s,
	         (long long)status_get(&s->bytes_dropped), status_get(&s->disk_ok) ? "works" : "fails",
	         (double)(now - status_get(&s->last_sync_us)) / CLOCK_SECOND_US);
	sd_notify(0, w->line);
}

static void answer(struct watch *w)
{
	w->rates.ring_used = ring_used(w->ring);
	size_t n = status_json(w->status, &w->about, &w->rates, w->line, sizeof w->line);
	socket_answer(w->listen_fd, w->line, n);
}

/* True when told to end. */
static bool take_signal(struct watch *w)
{
	struct signalfd_siginfo info;
	if (read(w->signal_fd, &info, sizeof info) != (ssize_t)sizeof info)
		return false;
	if (info.ssi_signo == SIGHUP) {
		atomic_store(w->rotate, true);
		return false;
	}
	return true;
}

static void begin_stop(struct watch *w)
{
	uint64_t one = 1;
	sd_notify(0, "STOPPING=1");
	atomic_store(w->stop, true);
	(void)!write(w->stop_fd, &one, sizeof one);
}

static int wait_ms(int64_t until_us)
{
	int64_t left = (until_us - clock_mono_us()) / 1000 + 1;
	return left < 0 ? 0 : (int)left;
}

enum watch_end watch_run(struct watch *w)
{
	int64_t stop_by_us = 0; /* 0 = not told to stop */
	w->turn_us = clock_mono_us();
	for (;;) {
		struct pollfd p[3] = {{.fd = w->done_fd, .events = POLLIN},
		                      {.fd = w->signal_fd, .events = POLLIN},
		                      {.fd = w->listen_fd, .events = POLLIN}};
		poll(p, 3, wait_ms(stop_by_us != 0 ? stop_by_us : w->turn_us + TURN_US));
		int64_t now = clock_mono_us();
		if (p[0].revents != 0)
			return WATCH_DONE;
		if (p[1].revents != 0 && take_signal(w) && stop_by_us == 0) {
			begin_stop(w);
			stop_by_us = now + STOP_WITHIN_US;
		}
		if (stop_by_us != 0 && now >= stop_by_us)
			return WATCH_STUCK;
		if (p[2].revents != 0)
			answer(w);
		if (now - w->turn_us >= TURN_US) {
			measure(w, now);
			tell_manager(w, now);
		}
	}
}
