/* SPDX-License-Identifier: GPL-3.0-or-later */
/* An engine file in plain words: what its sizes, settings and limits mean. */
#ifndef TRAMMEL_ENGINE_SHEET_H
#define TRAMMEL_ENGINE_SHEET_H

#include "common/engine.h"

#include <stdio.h>

/* Prints the sheet; `path` names the file in its heading.  Every number bears
 * its unit.  Ideal cut-off: complete expansion to ambient,
 * c = (1 + k)(p_ambient / p_supply)^(1/n) - k; work of the ideal diagram with
 * exhaust at ambient and no compression. */
void engine_sheet_print(FILE *out, const char *path, const struct engine *e);

#endif
