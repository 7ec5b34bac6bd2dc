/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/crank_index.h"
#include "analyse/crank_align.h"
#include "analyse/spd.h"

#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <string.h>

#define TWO_PI 6.283185307179586477
#define SPACINGS_MIN 4
#define LINE_CLOSINGS 12
#define LINE_SPAN 1.15 /* the faster tenth against the slower: less tells no line */
#define LINE_ROUNDS 30
#define LINE_SCALE_LEAST 1e-5 /* rad */
#define BIWEIGHT 4.685        /* scatters; 95 % of the efficiency of least squares on normal noise */
#define LATE_LEAST_S 1e-4     /* less is not worth a word, and no more than the teeth's own doubt */
#define LATE_SDS 5.0
#define WIND_CLOSINGS 20
#define WIND_LATE_SD_S 2e-3 /* a contact or a filter may be as late as that; value from memory */
#define WIND_TOLD 0.2       /* of the doubt before: less doubt left is an answer */
#define MEDIAN_SD 1.2533    /* sqrt(pi / 2): of a median against a mean */

struct closings {
	double off[INDEX_PLACES], omega[INDEX_PLACES]; /* place against the middle one; speed */
	double nm[INDEX_PLACES];                       /* torque */
	size_t n;
};

struct line {
	double at, slope, at_sd, slope_sd;
};

/* Speed between the two marks about a closing. */
static double speed_at(const struct wheel *w, const struct tooth_mark *mark, size_t n, size_t i)
{
	const struct tooth_mark *m = mark + (i + 1 < n ? i : i - 1);
	double turned = teeth_angle_rad(w, m[1].slot) - teeth_angle_rad(w, m[0].slot);
	return fabs(turned) / (1e-6 * (double)(m[1].t_us - m[0].t_us));
}

static void note_place(struct index_watch *x, const struct wheel *w, double angle_rad, double omega_rad_s,
                       double torque_nm, int64_t slot)
{
	if (x->n == INDEX_PLACES)
		return;
	while (angle_rad < teeth_angle_rad(w, slot))
		slot--;
	while (angle_rad >= teeth_angle_rad(w, slot + 1))
		slot++;
	double at = teeth_angle_rad(w, slot), width = teeth_angle_rad(w, slot + 1) - at;
	x->place[x->n++] =
	    (struct index_place){(uint16_t)teeth_place(w, slot), (float)((angle_rad - at) / width),
	                         (float)omega_rad_s, (float)torque_nm};
}

void index_watch_add(struct index_watch *x, const struct wheel *w, const struct tooth_mark *mark, size_t n,
                     int64_t shift, bool placed, const int64_t *closing_us, size_t closings,
                     const double *torque_nm)
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
			note_place(x, w, phase, speed_at(w, mark, n, hint),
			           torque_nm != NULL ? torque_nm[i] : NAN, mark[hint].slot + shift);
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

/* Robust scatter about a line; `work` has room for n. */
static double scatter(const struct closings *c, const struct line *l, double *work)
{
	for (size_t i = 0; i < c->n; i++)
		work[i] = fabs(c->off[i] - l->at - l->slope * c->omega[i]);
	return gsl_stats_median(work, 1, c->n) / 0.6745;
}

static double biweight(const struct closings *c, const struct line *l, size_t i, double scale)
{
	double z = (c->off[i] - l->at - l->slope * c->omega[i]) / (BIWEIGHT * scale);
	return fabs(z) < 1 ? (1 - z * z) * (1 - z * z) : 0;
}

/* One step of iterated least squares with the biweight of Beaton and Tukey
 * (Technometrics 16, 1974): closings far off the line do not count. */
static void improve(const struct closings *c, struct line *l, double scale)
{
	double sum = 0, mean = 0, middle = 0, across = 0, square = 0, miss2 = 0, slope2 = 0;
	for (size_t i = 0; i < c->n; i++) {
		double weight = biweight(c, l, i, scale);
		sum += weight;
		mean += weight * c->omega[i];
		middle += weight * c->off[i];
	}
	mean /= sum;
	middle /= sum;
	for (size_t i = 0; i < c->n; i++) {
		double weight = biweight(c, l, i, scale), x = c->omega[i] - mean;
		double miss = weight * (c->off[i] - l->at - l->slope * c->omega[i]);
		across += weight * x * (c->off[i] - middle);
		square += weight * x * x;
		miss2 += miss * miss;
		slope2 += miss * miss * x * x;
	}
	if (square <= 0)
		return;
	l->slope = across / square;
	l->at = middle - l->slope * mean;
	l->slope_sd = sqrt(slope2) / square;
	l->at_sd = sqrt(miss2 / (sum * sum) + l->slope_sd * l->slope_sd * mean * mean);
}

/* Place against speed.  False: too few closings, or all at one speed. */
static bool fit_line(const struct closings *c, double middle, struct line *l)
{
	double work[INDEX_PLACES];
	if (c->n < LINE_CLOSINGS)
		return false;
	memcpy(work, c->omega, c->n * sizeof *work);
	gsl_sort(work, 1, c->n);
	if (work[c->n - 1 - c->n / 10] < LINE_SPAN * work[c->n / 10])
		return false;
	*l = (struct line){.at = middle, .slope_sd = INFINITY};
	for (unsigned round = 0; round < LINE_ROUNDS; round++)
		improve(c, l, fmax(scatter(c, l, work), LINE_SCALE_LEAST));
	return isfinite(l->slope_sd);
}

/* The closings' places against `around`; with a torque only, those of which it is known. */
static void gather(const struct index_watch *x, const struct wheel *w, double around, bool torque,
                   struct closings *c)
{
	c->n = 0;
	for (size_t i = 0; i < x->n; i++) {
		const struct index_place *p = &x->place[i];
		double at = teeth_angle_rad(w, p->slot);
		double width = teeth_angle_rad(w, (int64_t)p->slot + 1) - at;
		if (torque && isnan(p->torque_nm))
			continue;
		c->off[c->n] = remainder(at + (double)p->part * width - around, TWO_PI);
		c->nm[c->n] = (double)p->torque_nm;
		c->omega[c->n++] = (double)p->omega_rad_s;
	}
}

struct index_spot index_watch_spot(const struct index_watch *x, const struct wheel *w)
{
	struct closings c;
	double around = about(x, w), work[INDEX_PLACES];
	struct index_spot spot = {NAN, NAN, NAN, 0, NAN, INFINITY};
	gather(x, w, around, x->wind_rad_nm != 0, &c);
	if (c.n == 0)
		return spot;
	for (size_t i = 0; i < c.n; i++) {
		c.off[i] += x->wind_rad_nm != 0 ? x->wind_rad_nm * c.nm[i] : 0;
		work[i] = c.off[i];
	}
	struct line level = {.at = gsl_stats_median(work, 1, c.n)}, line;
	bool tilted = fit_line(&c, level.at, &line);
	if (tilted) {
		spot.lag_s = line.slope;
		spot.lag_sd_s = line.slope_sd;
		tilted = line.slope > LATE_LEAST_S && line.slope > LATE_SDS * line.slope_sd;
	}
	const struct line *best = tilted ? &line : &level;
	spot.spread_rad = scatter(&c, best, work);
	spot.sd_rad = tilted ? line.at_sd : MEDIAN_SD * spot.spread_rad / sqrt((double)c.n);
	spot.rad = remainder(around + best->at, TWO_PI);
	spot.late_s = tilted ? line.slope : 0;
	return spot;
}

enum { WIND_AT, WIND_LATE, WIND_NM, WIND_TERMS };

/* One step of iterated least squares as in improve(), with what is known before. */
static bool improve_wind(const struct closings *c, const double mean[2], const double prior_sd[WIND_TERMS],
                         double term[WIND_TERMS], double cov[WIND_TERMS * SPD_MAX])
{
	double a[WIND_TERMS * SPD_MAX] = {0}, b[WIND_TERMS] = {0}, size[INDEX_PLACES];
	for (size_t i = 0; i < c->n; i++)
		size[i] = fabs(c->off[i] - term[WIND_AT] - term[WIND_LATE] * (c->omega[i] - mean[0]) +
		               term[WIND_NM] * (c->nm[i] - mean[1]));
	double work[INDEX_PLACES];
	memcpy(work, size, c->n * sizeof *work);
	double scale = fmax(gsl_stats_median(work, 1, c->n) / 0.6745, LINE_SCALE_LEAST);
	for (size_t i = 0; i < c->n; i++) {
		double z = size[i] / (BIWEIGHT * scale), root = z < 1 ? 1 - z * z : 0;
		double weight = root * root / (scale * scale);
		double x[WIND_TERMS] = {1, c->omega[i] - mean[0], mean[1] - c->nm[i]};
		for (int j = 0; j < WIND_TERMS; j++) {
			b[j] += weight * x[j] * c->off[i];
			for (int k = 0; k < WIND_TERMS; k++)
				a[j * SPD_MAX + k] += weight * x[j] * x[k];
		}
	}
	for (int j = 0; j < WIND_TERMS; j++)
		a[j * SPD_MAX + j] += 1 / (prior_sd[j] * prior_sd[j]);
	return spd_solve(a, b, WIND_TERMS, term) && spd_inverse(a, WIND_TERMS, cov);
}

struct index_wind index_watch_wind(const struct index_watch *x, const struct wheel *w, double prior_rad_nm)
{
	struct index_wind wind = {.sd_rad_nm = prior_rad_nm};
	double prior_sd[WIND_TERMS] = {1, WIND_LATE_SD_S, prior_rad_nm};
	double term[WIND_TERMS] = {0}, cov[WIND_TERMS * SPD_MAX] = {0}, work[INDEX_PLACES];
	struct closings c;
	gather(x, w, about(x, w), true, &c);
	if (c.n < WIND_CLOSINGS)
		return wind;
	double mean[2] = {gsl_stats_mean(c.omega, 1, c.n), gsl_stats_mean(c.nm, 1, c.n)};
	memcpy(work, c.off, c.n * sizeof *work);
	term[WIND_AT] = gsl_stats_median(work, 1, c.n);
	for (unsigned round = 0; round < LINE_ROUNDS; round++)
		if (!improve_wind(&c, mean, prior_sd, term, cov))
			return wind;
	memcpy(work, c.nm, c.n * sizeof *work);
	gsl_sort(work, 1, c.n);
	wind = (struct index_wind){.rad_nm = term[WIND_NM],
	                           .sd_rad_nm = sqrt(cov[WIND_NM * SPD_MAX + WIND_NM]),
	                           .mean_nm = mean[1],
	                           .least_nm = work[c.n / 20],
	                           .most_nm = work[c.n - 1 - c.n / 20]};
	wind.told = wind.sd_rad_nm < WIND_TOLD * prior_rad_nm;
	return wind;
}

unsigned index_watch_teeth(const struct index_watch *x)
{
	unsigned best = 0;
	for (unsigned j = 1; j < INDEX_SPACING_MAX; j++)
		if (x->spacing[j] > x->spacing[best])
			best = j;
	return x->spacings >= SPACINGS_MIN && 2 * x->spacing[best] > x->spacings ? best : 0;
}
