/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The pictures of the page, each with a caption and its numbers as a table. */
#ifndef TRAMMEL_HTML_PLOTS_H
#define TRAMMEL_HTML_PLOTS_H

#include "analyse/report.h"

/* Writes every figure that the report has numbers for. */
void html_plots(FILE *out, const struct report *r);

#endif
