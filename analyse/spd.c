/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/spd.h"

#include <math.h>

/* Lower triangle of the Cholesky factor; its diagonal holds the reciprocals. */
static bool factor(const double *a, int n, double *l)
{
	for (int j = 0; j < n; j++) {
		double d = a[j * SPD_MAX + j];
		for (int k = 0; k < j; k++)
			d -= l[j * SPD_MAX + k] * l[j * SPD_MAX + k];
		if (!(d > 1e-14 * a[j * SPD_MAX + j]))
			return false;
		double r = 1 / sqrt(d);
		l[j * SPD_MAX + j] = r;
		for (int i = j + 1; i < n; i++) {
			double s = a[i * SPD_MAX + j];
			for (int k = 0; k < j; k++)
				s -= l[i * SPD_MAX + k] * l[j * SPD_MAX + k];
			l[i * SPD_MAX + j] = s * r;
		}
	}
	return true;
}

static void substitute(const double *l, const double *b, int n, double *x)
{
	for (int i = 0; i < n; i++) {
		double s = b[i];
		for (int k = 0; k < i; k++)
			s -= l[i * SPD_MAX + k] * x[k];
		x[i] = s * l[i * SPD_MAX + i];
	}
	for (int i = n - 1; i >= 0; i--) {
		double s = x[i];
		for (int k = i + 1; k < n; k++)
			s -= l[k * SPD_MAX + i] * x[k];
		x[i] = s * l[i * SPD_MAX + i];
	}
}

bool spd_solve(const double *a, const double *b, int n, double *x)
{
	double l[SPD_MAX * SPD_MAX];
	if (!factor(a, n, l))
		return false;
	substitute(l, b, n, x);
	return true;
}

bool spd_inverse(const double *a, int n, double *inverse)
{
	double l[SPD_MAX * SPD_MAX];
	if (!factor(a, n, l))
		return false;
	for (int j = 0; j < n; j++) {
		double unit[SPD_MAX] = {0}, x[SPD_MAX];
		unit[j] = 1;
		substitute(l, unit, n, x);
		for (int i = 0; i < n; i++)
			inverse[i * SPD_MAX + j] = x[i];
	}
	return true;
}

double spd_inverse_first(const double *a, int n)
{
	double b[SPD_MAX] = {1}, x[SPD_MAX];
	return spd_solve(a, b, n, x) ? x[0] : NAN;
}

/* Sweeps: after the k-th, rows and columns up to k hold the inverse of their block, the rest its Schur
 * complement; the sign of what was swept is turned at the end. */
bool spd_invert(double *a, size_t n)
{
	for (size_t k = 0; k < n; k++) {
		double pivot = a[k * n + k];
		if (!(pivot > 0))
			return false;
		for (size_t i = 0; i < n; i++)
			for (size_t j = 0; j < n; j++)
				if (i != k && j != k)
					a[i * n + j] -= a[i * n + k] * a[k * n + j] / pivot;
		for (size_t i = 0; i < n; i++)
			if (i != k)
				a[i * n + k] = a[k * n + i] = a[k * n + i] / pivot;
		a[k * n + k] = -1 / pivot;
	}
	for (size_t i = 0; i < n * n; i++)
		a[i] = -a[i];
	return true;
}
