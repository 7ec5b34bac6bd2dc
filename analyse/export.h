/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The numbers behind the report, one CSV a table.  Times in us of the sender's
 * clock, unwrapped; an empty field is a number that is not known.
 *
 * crank.csv        every accepted tooth edge; the angle counts on through the turns
 * pressures.csv    at each sample of the fastest pressure sensor, the others
 *                  interpolated; bar absolute, one column a sensor role
 * valve_events.csv every command; angles 0..360 deg, `revolution` says the turn;
 *                  class A, B found, C not observable, M missed
 * strokes.csv      every stroke; flag = why it is left out of means */
#ifndef TRAMMEL_EXPORT_H
#define TRAMMEL_EXPORT_H

#include "analyse/analysis.h"

struct export; /* opaque */

/* Makes the directory (one level) when it is missing and opens the tables.  NULL with fault. */
struct export *export_open(const char *dir, const struct engine *e, struct fault *fault);

/* Adds a leg's rows: an analysis_sink's rows().  `ctx` is the struct export. */
int export_rows(void *ctx, const struct analysis_rows *rows, struct fault *fault);

/* Closes the tables and frees.  0, or -1 with fault when any could not be
 * written. */
int export_close(struct export *x, struct fault *fault);

#endif
