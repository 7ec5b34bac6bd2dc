/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/avr/live.h"

#include "tests/logd_rig.h"

#include <stdlib.h>
#include <sys/ioctl.h>
#include <sysexits.h>

#define PIECE 256
#define PATIENCE_US 30000000
/* A recorder that has claimed the port throws away what came before it, then listens. */
#define SETTLE_US 100000
/* What the kernel hands from one end to the other counts at neither for a moment. */
#define DRAIN_LOOK_US 50000

struct live {
	struct logd_sender port;
	uint8_t piece[PIECE];
	size_t n;
	bool in, absent, stuck; /* plugged in; nobody came; bytes were not taken */
};

/* The recorder claims its port for itself: that can be seen. */
static bool is_claimed(void *ctx)
{
	const struct live *l = ctx;
	int exclusive = 0;
	return ioctl(l->port.keep_open, TIOCGEXCL, &exclusive) == 0 && exclusive != 0;
}

static void wait_for_recorder(struct live *l)
{
	l->in = true;
	l->absent = l->absent || !logd_rig_until(is_claimed, l, PATIENCE_US);
	logd_rig_sleep_us(SETTLE_US);
}

static void send_piece(struct live *l)
{
	if (!l->absent && !l->stuck)
		l->stuck = !logd_sender_bytes(&l->port, l->piece, l->n, PATIENCE_US);
	l->n = 0;
}

static bool is_empty(void *ctx)
{
	const struct live *l = ctx;
	for (int look = 0; look < 2; look++) {
		int waiting = 0;
		if (ioctl(l->port.keep_open, FIONREAD, &waiting) != 0 || waiting > 0)
			return false;
		logd_rig_sleep_us(DRAIN_LOOK_US);
	}
	return true;
}

static void hang_up(struct live *l)
{
	send_piece(l);
	if (!l->absent && !l->stuck)
		l->stuck = !logd_rig_until(is_empty, l, PATIENCE_US);
	logd_sender_unplug(&l->port);
	l->in = false;
}

static void take_byte(void *ctx, uint8_t byte)
{
	struct live *l = ctx;
	if (!l->in)
		return;
	l->piece[l->n++] = byte;
	if (l->n == PIECE)
		send_piece(l);
}

static void take_plug(void *ctx, bool in)
{
	struct live *l = ctx;
	if (!in) {
		hang_up(l);
		return;
	}
	logd_sender_plug(&l->port);
	wait_for_recorder(l);
}

struct live *live_open(const char *name, struct fault *fault)
{
	struct live *l = calloc(1, sizeof *l);
	if (l == NULL) {
		fault_set(fault, EX_OSERR, "out of memory");
		return NULL;
	}
	logd_sender_open(&l->port, LINK_FRAMES, name);
	wait_for_recorder(l);
	if (!l->absent)
		return l;
	live_close(l, fault);
	return NULL;
}

struct ride_link live_link(struct live *l)
{
	return (struct ride_link){l, take_byte, take_plug};
}

int live_close(struct live *l, struct fault *fault)
{
	int result = 0;
	if (l->in)
		hang_up(l);
	if (l->absent)
		result = fault_set(fault, EX_UNAVAILABLE, "%s: no recorder opened it; start one with --wait",
		                   l->port.name);
	else if (l->stuck)
		result = fault_set(fault, EX_IOERR, "%s: the recorder does not take the bytes", l->port.name);
	logd_sender_close(&l->port);
	free(l);
	return result;
}
