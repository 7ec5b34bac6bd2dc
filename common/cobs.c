/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "common/cobs.h"

#include <string.h>

#define RUN_MAX 254 /* bytes that one code can announce */

/* Bytes before the next zero, at most RUN_MAX. */
static size_t run_length(const uint8_t *in, size_t n)
{
	size_t limit = n < RUN_MAX ? n : RUN_MAX;
	const uint8_t *zero = memchr(in, 0, limit);
	return zero == NULL ? limit : (size_t)(zero - in);
}

size_t cobs_encode(const uint8_t *in, size_t n, uint8_t *out)
{
	size_t used = 0, at = 0;
	for (;;) {
		size_t run = run_length(in + at, n - at);
		out[used++] = (uint8_t)(run + 1);
		memcpy(out + used, in + at, run);
		used += run;
		at += run;
		if (at == n)
			return used;
		if (in[at] == 0 && run < RUN_MAX)
			at++; /* this zero is what the code stands for */
	}
}

ptrdiff_t cobs_decode(const uint8_t *in, size_t n, uint8_t *out)
{
	size_t at = 0, used = 0;
	if (n == 0)
		return -1;
	while (at < n) {
		size_t run = in[at++];
		if (run == 0 || run - 1 > n - at || memchr(in + at, 0, run - 1) != NULL)
			return -1;
		memmove(out + used, in + at, run - 1);
		used += run - 1;
		at += run - 1;
		if (run <= RUN_MAX && at < n)
			out[used++] = 0;
	}
	return (ptrdiff_t)used;
}
