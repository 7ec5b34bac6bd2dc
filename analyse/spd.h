/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Small symmetric positive definite systems on the stack, row stride
 * SPD_MAX.  GSL's general routines cost more than the fit itself at this size. */
#ifndef TRAMMEL_SPD_H
#define TRAMMEL_SPD_H

#include <stdbool.h>
#include <stddef.h>

#define SPD_MAX 6

/* Solves a x = b (Cholesky; a is kept).  False when a is not positive definite. */
bool spd_solve(const double *a, const double *b, int n, double *x);

/* Inverse of a, same stride. */
bool spd_inverse(const double *a, int n, double *inverse);

/* First diagonal element of the inverse; NAN when there is none. */
double spd_inverse_first(const double *a, int n);

/* Puts the inverse of a matrix of any size, row stride n, in its place. */
bool spd_invert(double *a, size_t n);

#endif
