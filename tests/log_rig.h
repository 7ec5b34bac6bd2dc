/* SPDX-License-Identifier: GPL-3.0-or-later */
/* For tests: a log on disk made straight from records. */
#ifndef TRAMMEL_LOG_RIG_H
#define TRAMMEL_LOG_RIG_H

#include "common/record.h"
#include "common/segment.h"

#include <stddef.h>

/* A fresh directory below /tmp; free() the name after log_rig_remove. */
char *log_rig_directory(void);
void log_rig_remove(char *directory);

/* Writes one closed segment `session`-`number` of these records with this
 * engine file text.  Aborts the test on failure. */
void log_rig_write(const char *directory, unsigned session, unsigned number, const char *engine_text,
                   const struct record *records, size_t n);

/* A small engine file: 36 teeth, rising edges, index at 14.5 deg, sensors 0
 * supply, 1 cap, 2 rod. */
extern const char log_rig_engine[];

#endif
