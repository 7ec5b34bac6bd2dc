/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a chain or belt between crank and toothed wheel gives under torque.
 *
 * Crank = wheel + wind-up times torque.  The index switch is on the crank and the teeth
 * are not: where it closes on the wheel moves with the torque, and that tells the wind-up
 * whatever turns on either side of the chain.  What the teeth's own times show of it
 * depends on that: with all inertia beyond the chain the wheel turns as evenly as the
 * load and shows nothing, with all of it at the crank the wheel lags by the whole.  The
 * pitch is therefore learned with a lag of its own as an unknown (torque.c), and the motion is
 * smoothed where it is smooth: at the wheel plus that lag. */
#include "analyse/crank_learner.h"

#include <math.h>
#include <stdlib.h>

#define DEG (6.283185307179586477 / 360)
#define STEADY_US 3000  /* a torque that changes within that of a closing ... */
#define STEADY_PART 0.1 /* ... by that part of a great one is not known well enough: gauges lag */
#define TELL_NM 10.0

static bool is_asked(const struct crank_learner *l)
{
	return l->torque.winds && !isnan(l->engine.index_rad);
}

/* Torque at times off the closings by so much. */
static void torque_about(const struct crank_learner *l, const struct leg *leg, int64_t off_us, int64_t *t_us,
                         double *theta_rad, double *nm)
{
	for (size_t i = 0; i < l->closings; i++) {
		t_us[i] = l->closing_us[i] + off_us;
		theta_rad[i] = l->engine.index_rad;
	}
	torque_gas(&l->torque, leg, t_us, theta_rad, l->closings, nm);
}

const double *learner_closing_torque(struct crank_learner *l, const struct leg *leg)
{
	size_t n = l->closings;
	if (!is_asked(l) || n == 0)
		return NULL;
	double *nm = realloc(l->closing_nm, l->closing_cap * sizeof *nm);
	double *before = malloc(n * sizeof *before), *after = malloc(n * sizeof *after),
	       *theta = malloc(n * sizeof *theta);
	int64_t *t_us = malloc(n * sizeof *t_us);
	l->closing_nm = nm != NULL ? nm : l->closing_nm;
	bool ok = nm != NULL && before != NULL && after != NULL && theta != NULL && t_us != NULL;
	if (ok) {
		torque_about(l, leg, -STEADY_US, t_us, theta, before);
		torque_about(l, leg, STEADY_US, t_us, theta, after);
		torque_about(l, leg, 0, t_us, theta, nm);
		double most = STEADY_PART * l->torque.wind_nm;
		for (size_t i = 0; i < n; i++)
			nm[i] = fabs(after[i] - before[i]) < most ? nm[i] : NAN;
	}
	free(before);
	free(after);
	free(theta);
	free(t_us);
	return ok ? nm : NULL;
}

void learner_watch_wind(struct crank_learner *l)
{
	l->watch.wind_rad_nm = 0;
	if (!is_asked(l))
		return;
	l->wind = index_watch_wind(&l->watch, &l->wheel, l->torque.wind_prior_rad_nm);
	l->watch.wind_rad_nm = l->wind.told ? l->wind.rad_nm : 0;
}

void learner_describe_wind(const struct crank_learner *l, struct wheel *w)
{
	w->winds = w->aligned && is_asked(l);
	if (l->engine.wind_up && !w->winds)
		learner_remark(w,
		               "the chain's wind-up cannot be told without an index and the gauges of both "
		               "ends: angles are the toothed wheel's, not quite the crank's");
	if (!w->winds)
		return;
	double tell = TELL_NM / DEG, least = rint(l->wind.least_nm) + 0.0, most = rint(l->wind.most_nm) + 0.0;
	w->wind_smooth_rad_nm = l->free.factor[l->torque.columns - 1];
	w->wind_rad_nm = l->wind.told ? l->wind.rad_nm : 0;
	w->wind_sd_rad_nm = l->wind.told ? l->wind.sd_rad_nm : l->torque.wind_prior_rad_nm;
	w->wind_at_nm = l->wind.mean_nm;
	if (l->wind.told)
		learner_remark(
		    w,
		    "the chain winds up by %.3f +/- %.3f deg at %.0f N m (by the index, at %.0f to "
		    "%.0f N m): every angle is put right by it",
		    w->wind_rad_nm * tell, 2 * w->wind_sd_rad_nm * tell, TELL_NM, least, most);
	else
		learner_remark(
		    w,
		    "the chain's wind-up cannot be told: the torque when the index closes (%.0f to "
		    "%.0f N m) changes too little, or only with the speed; angles may be off by "
		    "%.2f deg at %.0f N m",
		    least, most, 2 * w->wind_sd_rad_nm * tell, TELL_NM);
}
