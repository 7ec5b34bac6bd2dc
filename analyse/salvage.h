/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Salvage: what can be read of a segment, written as a segment that is whole. */
#ifndef TRAMMEL_SALVAGE_H
#define TRAMMEL_SALVAGE_H

#include "common/segment.h"

/* Writes every record of `path` that can be read into the new file `out`
 * (never over an existing one), with the same facts, in the same blocks with
 * their times; each loss becomes a gap record, so that salvaging the result
 * again changes nothing.  The result is synced, read back and found whole, or
 * removed.  0, or -1 with fault. */
int salvage(const char *path, const char *out, struct fault *fault);

#endif
