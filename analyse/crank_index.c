/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/crank_index.h"
#include "analyse/crank_align.h"

#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>

#define TWO_PI 6.283185307179586477
#define SPACINGS_MIN 4

static void note_place(struct index_watch *x, const struct wheel *w, double angle_rad, int64_t slot)
{
	if (x->n == INDEX_PLACES)
		return;
	while (angle_rad < teeth_angle_rad(w, slot))
		slot--;
	while (angle_rad >= teeth_angle_rad(w, slot + 1))
		slot++;
	double at = teeth_angle_rad(w, slot), width = teeth_angle_rad(w, slot + 1) - at;
	x->place[x->n++] =
	    (struct index_place){(uint16_t)teeth_place(w, slot), (float)((angle_rad - at) / width)};
}

void index_watch_add(struct index_watch *x, const struct wheel *w, const struct tooth_mark *mark, size_t n,
                     int64_t shift, bool placed, const int64_t *closing_us, size_t closings)
{
	size_t hint = 0;
	double before = NAN;
	for (size_t i = 0; i < closings; i++) {
		double phase = align_phase_rad(w, mark, n, shift, closing_us[i], &hint);
		if (isnan(phase))
			continue;
		double teeth = isnan(before) ? 0 : rint((phase - before) * w->teeth / TWO_PI);
		if (teeth > 0 && teeth < INDEX_SPACING_MAX) {
			x->spacing[(size_t)teeth]++;
			x->spacings++;
		}
		before = phase;
		if (placed)
			note_place(x, w, phase, mark[hint].slot + shift);
	}
}

/* Fullest of the wheel's teeth: the median is taken about it. */
static double about(const struct index_watch *x, const struct wheel *w)
{
	unsigned count[CRANK_SLOTS_MAX] = {0}, best = 0;
	for (size_t i = 0; i < x->n; i++)
		count[x->place[i].slot]++;
	for (unsigned s = 1; s < w->slots; s++)
		if (count[s] > count[best])
			best = s;
	return w->angle_rad[best];
}

double index_watch_rad(const struct index_watch *x, const struct wheel *w, double *spread_rad)
{
	double off[INDEX_PLACES], around = about(x, w);
	*spread_rad = NAN;
	if (x->n == 0)
		return NAN;
	for (size_t i = 0; i < x->n; i++) {
		double at = teeth_angle_rad(w, x->place[i].slot);
		double width = teeth_angle_rad(w, (int64_t)x->place[i].slot + 1) - at;
		off[i] = remainder(at + (double)x->place[i].part * width - around, TWO_PI);
	}
	gsl_sort(off, 1, x->n);
	double middle = gsl_stats_median_from_sorted_data(off, 1, x->n);
	for (size_t i = 0; i < x->n; i++)
		off[i] = fabs(off[i] - middle);
	gsl_sort(off, 1, x->n);
	*spread_rad = gsl_stats_median_from_sorted_data(off, 1, x->n) / 0.6745;
	return remainder(around + middle, TWO_PI);
}

unsigned index_watch_teeth(const struct index_watch *x)
{
	unsigned best = 0;
	for (unsigned j = 1; j < INDEX_SPACING_MAX; j++)
		if (x->spacing[j] > x->spacing[best])
			best = j;
	return x->spacings >= SPACINGS_MIN && 2 * x->spacing[best] > x->spacings ? best : 0;
}
