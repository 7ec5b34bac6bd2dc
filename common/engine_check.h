/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Whether a machine with these sizes, valves and limits can exist. */
#ifndef TRAMMEL_ENGINE_CHECK_H
#define TRAMMEL_ENGINE_CHECK_H

#include "common/engine.h"
#include "common/engine_ini.h"

/* 0, or -1 with `fault` pointing at the line that is to be changed. */
int engine_check(const struct engine *e, const struct engine_ini *ini, struct fault *fault);

#endif
