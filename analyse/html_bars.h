/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The loss ledger, and what fixing one thing would gain, as bars. */
#ifndef TRAMMEL_HTML_BARS_H
#define TRAMMEL_HTML_BARS_H

#include "analyse/report.h"

/* Writes the ledger of an end whose ideal work is known as an <svg> element: measured work
 * and every line, as shares of the ideal; what was gained reaches to the left. */
void html_bars(FILE *out, const struct stroke_summary *s, enum engine_end end);

/* The gains of an end, which are known: work, as shares of the simulated stroke's; what would
 * be lost reaches to the left. */
void html_bars_gains(FILE *out, const struct gains *g, enum engine_end end);

#endif
