/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A file that a command was asked to write; "-" is standard output. */
#ifndef TRAMMEL_WRITE_OUT_H
#define TRAMMEL_WRITE_OUT_H

#include "common/fault.h"

#include <stdbool.h>
#include <stdio.h>

bool write_out_is_stdout(const char *path); /* false for NULL */

/* Before long work: could this be created, or written where it stands?  NULL (none wanted) and standard
 * output can.  0; -1 with fault. */
int write_out_check_file(const char *path, struct fault *fault);
int write_out_check_directory(const char *path, struct fault *fault); /* of tables */

/* NULL with fault when it cannot be created. */
FILE *write_out_open(const char *path, struct fault *fault);

/* Closes (standard output stays open).  0; or -1 with fault when `status`, what the writer
 * said, or closing tells of an error. */
int write_out_close(FILE *out, const char *path, int status, struct fault *fault);

#endif
