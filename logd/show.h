/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The recorder's status for a person. */
#ifndef TRAMMEL_SHOW_H
#define TRAMMEL_SHOW_H

#include <stdio.h>

/* Prints what a status line (status.h) says. */
void show_status(const char *json, FILE *out);

#endif
