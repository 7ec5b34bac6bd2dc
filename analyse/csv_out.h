/* SPDX-License-Identifier: GPL-3.0-or-later */
/* One CSV table being written: its own buffer and its own number formatting,
 * so that a long ride's tables are not a matter of printf.  Fields are never
 * quoted: no text of the log goes into them. */
#ifndef TRAMMEL_CSV_OUT_H
#define TRAMMEL_CSV_OUT_H

#include "common/fault.h"

#include <stddef.h>
#include <stdint.h>

#define CSV_OUT_BUFFER 65536

struct csv_out {
	int fd; /* -1 = not open */
	int error;
	size_t n;
	int line_started;
	char path[600];
	char buffer[CSV_OUT_BUFFER];
};

/* Creates DIR/name (a file of that name is replaced) and writes the heading line.  0, or -1 with fault. */
int csv_out_open(struct csv_out *c, const char *dir, const char *name, const char *heading,
                 struct fault *fault);

/* Fields of the current line, in order. */
void csv_out_integer(struct csv_out *c, int64_t value);
/* Fixed decimals (0..9), rounded half away from zero; empty when not finite. */
void csv_out_number(struct csv_out *c, double value, unsigned decimals);
void csv_out_text(struct csv_out *c, const char *text);
void csv_out_end_line(struct csv_out *c);

/* Writes what is left, syncs nothing, closes.  0, or -1 with fault when any write failed. */
int csv_out_close(struct csv_out *c, struct fault *fault);

#endif
