/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Amounts on the command line: "8M", "10min", "10%", "500000". */
#ifndef TRAMMEL_AMOUNT_H
#define TRAMMEL_AMOUNT_H

#include <stdint.h>

/* Each returns 0, or -1 when the text is not such an amount (or too large). */
int amount_count(const char *text, int64_t *value);  /* whole number, not negative */
int amount_size(const char *text, int64_t *bytes);   /* number, then nothing, k, M or G (powers of 1024) */
int amount_time(const char *text, int64_t *us);      /* number, then nothing, s, min or h */
int amount_percent(const char *text, double *value); /* number, then %; 10% gives 0.1 */

#endif
