/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The pictures of the page that compares rides: all rides in each. */
#ifndef TRAMMEL_COMPARE_PLOTS_H
#define TRAMMEL_COMPARE_PLOTS_H

#include "analyse/html_rows.h"
#include "analyse/report.h"

/* Writes every figure that at least one of the n <= HTML_RIDES_MAX rides has numbers for. */
void compare_plots(FILE *out, const struct report *const *ride, size_t n);

#endif
