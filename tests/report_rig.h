/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Reports made by hand, for the renderers' tests. */
#ifndef REPORT_RIG_H
#define REPORT_RIG_H

#include "analyse/report.h"

/* Everything known: an oscillating engine of eight events, two ends, a profile, slips.  free() it. */
struct report *report_rig_full(void);

/* Nothing known but the log's own counts. */
struct report *report_rig_empty(void);

/* What a renderer writes, malloc'd and terminated. */
char *report_rig_render(const struct report *r, int (*render)(const struct report *, FILE *));
int report_rig_plain_text(const struct report *r, FILE *out); /* report_text without colour */

#endif
