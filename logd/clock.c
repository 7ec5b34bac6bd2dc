/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logd/clock.h"

#include <time.h>

static int64_t read_us(clockid_t id)
{
	struct timespec t;
	clock_gettime(id, &t);
	return (int64_t)t.tv_sec * CLOCK_SECOND_US + t.tv_nsec / 1000;
}

int64_t clock_mono_us(void)
{
	return read_us(CLOCK_MONOTONIC);
}

int64_t clock_utc_us(void)
{
	return read_us(CLOCK_REALTIME);
}
