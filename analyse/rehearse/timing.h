/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The timing that the rehearsed controller has loaded, from a file of its own:
 * sections [valve N] with `opens`, `shuts` (deg) and `lead open`, `lead shut`
 * (ms).  What is not given stays as it is; an engine file will do. */
#ifndef TRAMMEL_REHEARSE_TIMING_H
#define TRAMMEL_REHEARSE_TIMING_H

#include "analyse/rehearse/settings.h"

int timing_read(const char *path, struct settings *s, struct fault *fault);

#endif
