/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A calendar clock that steps twice a second (when TRAMMEL_CLOCK_STEPS is set): an hour
 * on, an hour back, to 1970, ten years on.  The monotonic clock stays. */
#include <dlfcn.h>
#include <stdlib.h>
#include <time.h>

#define YEARS10 315360000L

int clock_gettime(clockid_t id, struct timespec *t)
{
	static const long steps[] = {0, 3600, -3600, YEARS10};
	int (*next)(clockid_t, struct timespec *) =
	    (int (*)(clockid_t, struct timespec *))dlsym(RTLD_NEXT, "clock_gettime");
	struct timespec mono;
	int bad = next(id, t);
	if (id != CLOCK_REALTIME || getenv("TRAMMEL_CLOCK_STEPS") == NULL || bad != 0)
		return bad;
	next(CLOCK_MONOTONIC, &mono);
	long phase = mono.tv_sec * 2 + mono.tv_nsec / 500000000L;
	if (phase % 5 == 4)
		t->tv_sec = 1; /* 1970 */
	else
		t->tv_sec += steps[phase % 5];
	return 0;
}
