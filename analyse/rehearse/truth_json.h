/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The summary of a rehearsal as JSON. */
#ifndef TRAMMEL_REHEARSE_TRUTH_JSON_H
#define TRAMMEL_REHEARSE_TRUTH_JSON_H

#include "analyse/rehearse/truth.h"

int truth_json_write(const struct truth *t, const struct truth_facts *f, const char *path,
                     struct fault *fault);

#endif
