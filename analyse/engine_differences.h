/* SPDX-License-Identifier: GPL-3.0-or-later */
/* In what two engine files differ, for rides that are to be put side by side or learned from together. */
#ifndef TRAMMEL_ENGINE_DIFFERENCES_H
#define TRAMMEL_ENGINE_DIFFERENCES_H

#include "common/engine.h"

enum engine_difference {
	DIFFERENT_MACHINE, /* mechanism, volumes, teeth, what the valves open */
	DIFFERENT_READING  /* index angle, ambient, calibrations: angles and pressures do not compare */
};

#define ENGINE_DIFFERENCES_MAX 200
/* The names of what differs, with commas; "" = nothing.  Settings, leads and limits are not looked at. */
const char *engine_differences(const struct engine *a, const struct engine *b, enum engine_difference kind,
                               char out[ENGINE_DIFFERENCES_MAX]);

#endif
