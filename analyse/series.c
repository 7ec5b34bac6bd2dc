/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/series.h"

#include <math.h>
#include <string.h>

void series_start(struct series *s)
{
	memset(s, 0, sizeof *s);
	s->stride = 1;
}

static void thin(struct series *s)
{
	for (size_t i = 0; i < SERIES_KEPT / 2; i++) {
		for (int k = 0; k < SERIES_X; k++)
			s->x[k][i] = s->x[k][2 * i];
		s->y[i] = s->y[2 * i];
		s->turn[i] = s->turn[2 * i];
	}
	s->n = SERIES_KEPT / 2;
	s->stride *= 2;
}

void series_add(struct series *s, const double x[SERIES_X], double y, int64_t turn)
{
	if (!isfinite(y) || s->seen++ % s->stride != 0)
		return;
	if (s->n == SERIES_KEPT)
		thin(s);
	for (int k = 0; k < SERIES_X; k++)
		s->x[k][s->n] = x[k];
	s->y[s->n] = y;
	s->turn[s->n++] = turn;
}
