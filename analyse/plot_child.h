/* SPDX-License-Identifier: GPL-3.0-or-later */
/* gnuplot as a child process: by argv, no shell, program on its standard
 * input, picture from its standard output, bounded in time and size. */
#ifndef TRAMMEL_PLOT_CHILD_H
#define TRAMMEL_PLOT_CHILD_H

#include <stddef.h>

#define PLOT_CHILD_BYTES (8u << 20) /* a larger picture is refused */

/* Runs `command` (a path, or a name found in PATH) on the program and gives it `ms` milliseconds.  *out is
 * malloc'd (release with free) and terminated by a zero byte behind *out_n bytes.  0; or -1 with the
 * reason in `why`, in words that may follow "no picture: ". The child never outlives the call. */
int plot_child_run(const char *command, int ms, const char *program, size_t n, char **out, size_t *out_n,
                   char *why, size_t why_size);

#endif
