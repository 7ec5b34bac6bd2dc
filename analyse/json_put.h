/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What our JSON documents share: digits, unknown numbers, harmless text. */
#ifndef TRAMMEL_JSON_PUT_H
#define TRAMMEL_JSON_PUT_H

#include "analyse/report.h"

#include <jansson.h>

/* object[key] = value; takes the value over. */
void json_put(json_t *object, const char *key, json_t *value);

/* A number to 7 significant digits; null when not finite. */
json_t *json_put_number(double x);

json_t *json_put_count(uint64_t n);

/* Text of the log or the engine file, made valid and harmless. */
json_t *json_put_text(const char *text);

json_t *json_put_lines(const struct report_lines *l);

/* Writes the document and a newline, and releases it.  0 or -1. */
int json_put_write(json_t *root, FILE *out);

#endif
