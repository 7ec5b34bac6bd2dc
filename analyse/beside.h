/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Jobs side by side: what they do must not depend on who does them, nor in which order. */
#ifndef TRAMMEL_BESIDE_H
#define TRAMMEL_BESIDE_H

#include <stddef.h>

typedef void (*beside_job)(void *ctx, size_t i);

/* Does jobs 0 .. n-1, two at a time (one, where there is no thread to be had), and returns when all are
 * done.  Whatever a job writes must be its own alone, so that the outcome is the same either way. */
void beside_do(size_t n, beside_job job, void *ctx);

#endif
