/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/crank_align.h"

#include <math.h>
#include <stdlib.h>

#define TWO_PI 6.283185307179586477
#define BOUNCE_US 8000 /* a contact that closes sooner after its last edge only bounces */
#define DIFFER_VOTES 2
#define PATTERN_EDGES 400 /* enough to know a wheel by its errors */
#define PATTERN_LEAST 10
#define TURN_SCALE 1.3
#define PATTERN_MARGIN 8.0     /* log odds */
#define PATTERN_SCALE 4.0      /* times the noise of the ride */
#define PATTERN_SCALE_PART 2.0 /* the same over less than a turn */

bool align_is_bounce(const struct leg *leg, size_t i)
{
	return i > 0 && leg->index[i].t_us - leg->index[i - 1].t_us < BOUNCE_US;
}

static size_t index_edges(const struct leg *leg, bool level, int64_t *t_us)
{
	size_t n = 0;
	for (size_t i = 0; i < leg->index_n; i++)
		if ((leg->index[i].level != 0) == level && !align_is_bounce(leg, i))
			t_us[n++] = leg->index[i].t_us;
	return n;
}

size_t align_closings(const struct leg *leg, int64_t *t_us)
{
	return index_edges(leg, true, t_us);
}

size_t align_openings(const struct leg *leg, int64_t *t_us)
{
	return index_edges(leg, false, t_us);
}

static size_t last_mark_before(const struct tooth_mark *mark, size_t n, int64_t t_us, size_t from)
{
	size_t low = from, high = n;
	for (size_t step = 1; low + step < n; step *= 2) {
		if (mark[low + step].t_us > t_us) {
			high = low + step;
			break;
		}
		low += step;
	}
	while (high - low > 1) {
		size_t middle = low + (high - low) / 2;
		if (mark[middle].t_us <= t_us)
			low = middle;
		else
			high = middle;
	}
	return low;
}

/* Lagrange's polynomial through up to eight marks around mark i: with few teeth the crank's
 * ups and downs between two of them are more than a cube. */
static double interpolate(const struct wheel *w, const struct tooth_mark *mark, size_t n, int64_t shift,
                          size_t i, int64_t t_us)
{
	size_t from = i > 2 ? i - 3 : 0, to = i + 5 < n ? i + 5 : n;
	double sum = 0;
	for (size_t j = from; j < to; j++) {
		double weight = 1;
		for (size_t k = from; k < to; k++)
			if (k != j)
				weight *=
				    (double)(t_us - mark[k].t_us) / (double)(mark[j].t_us - mark[k].t_us);
		sum += weight * teeth_angle_rad(w, mark[j].slot + shift);
	}
	return sum;
}

double align_phase_rad(const struct wheel *w, const struct tooth_mark *mark, size_t n, int64_t shift,
                       int64_t t_us, size_t *hint)
{
	if (n < 2 || t_us < mark[0].t_us || t_us > mark[n - 1].t_us)
		return NAN;
	size_t from = *hint < n && mark[*hint].t_us <= t_us ? *hint : 0;
	*hint = last_mark_before(mark, n, t_us, from);
	return interpolate(w, mark, n, shift, *hint, t_us);
}

/* The wheel's angle, in the run's own count, at closing i of the switch. */
static double closing_phase(const struct wheel *w, const struct align_index *index,
                            const struct tooth_mark *mark, size_t n, size_t i, size_t *hint)
{
	int64_t t_us = index->closing_us[i] - llrint(index->late_us);
	return align_phase_rad(w, mark, n, 0, t_us, hint);
}

/* Teeth by which a phase is off, 0 .. teeth - 1. */
static int64_t tooth_off(const struct wheel *w, double index_rad, double phase)
{
	int64_t teeth = (int64_t)w->teeth, off = llrint((index_rad - phase) * (double)teeth / TWO_PI) % teeth;
	return off < 0 ? off + teeth : off;
}

static struct align_fix by_index(const struct wheel *w, const struct align_index *index,
                                 const struct tooth_mark *mark, size_t n, double place)
{
	struct align_fix f = {0, ALIGN_NONE, 0, 0};
	unsigned votes_for[CRANK_SLOTS_MAX] = {0};
	size_t hint = 0;
	for (size_t i = 0; i < index->closings; i++) {
		double phase = closing_phase(w, index, mark, n, i, &hint);
		if (isnan(phase))
			continue;
		votes_for[tooth_off(w, place, phase)]++;
		f.votes++;
	}
	unsigned best = 0;
	for (unsigned j = 1; j < w->teeth; j++)
		if (votes_for[j] > votes_for[best])
			best = j;
	f.agree = votes_for[best];
	f.shift = (int64_t)best * (int64_t)(w->slots / w->teeth);
	if (f.agree >= 2 && 2 * f.agree > f.votes)
		f.by = ALIGN_INDEX;
	return f;
}

/* Where the switch closes on a run that is passed this way. */
static double closes_at(const struct align_index *index, int sense)
{
	return sense > 0 ? index->closes_rad : index->opens_rad;
}

struct doubt {                   /* where the votes of a run change */
	size_t agreed, differed; /* mark after the last vote that agreed, after the first that did not */
};

static bool find_doubt(const struct wheel *w, const struct align_index *index, const struct tooth_mark *mark,
                       const struct tooth_run *run, struct doubt *d)
{
	double place = closes_at(index, run->sense);
	size_t n = run->n;
	int64_t count = 0;
	size_t hint = 0;
	unsigned agreeing = 0, differing = 0;
	for (size_t i = 0; i < index->closings; i++) {
		double phase = closing_phase(w, index, mark, n, i, &hint);
		if (isnan(phase))
			continue;
		int64_t off = tooth_off(w, place, phase);
		if (off == count || agreeing < 2) { /* of the first two either may be wrong */
			agreeing = off == count ? agreeing + 1 : 1;
			count = off;
			differing = 0;
			d->agreed = hint + 1;
			continue;
		}
		if (differing++ == 0)
			d->differed = hint + 1;
		if (differing == DIFFER_VOTES)
			return true;
	}
	return false;
}

bool align_split(struct teeth *t, const struct wheel *w, const struct align_index *index)
{
	for (size_t r = 0; r < t->run_n; r++) {
		struct doubt d = {0, 0};
		const struct tooth_run *run = &t->run[r];
		if (isnan(closes_at(index, run->sense)) ||
		    !find_doubt(w, index, t->mark + run->first, run, &d) || d.agreed < 2 ||
		    d.differed < d.agreed + 2 || d.differed + 2 > run->n)
			continue;
		if (!teeth_split(t, r, d.agreed, TOOTH_JOIN_VOTES) ||
		    !teeth_split(t, r + 1, d.differed - d.agreed, TOOTH_JOIN_VOTES))
			return false;
		r++;
	}
	return true;
}

static double pattern_likelihood(const struct wheel *w, const struct smooth_noise *noise,
                                 const struct tooth_mark *mark, size_t n, int64_t shift,
                                 struct smooth_edge *edge, double *scale)
{
	for (size_t i = 0; i < n; i++)
		edge[i] = (struct smooth_edge){1e-6 * (double)(mark[i].t_us - mark[0].t_us),
		                               teeth_angle_rad(w, mark[i].slot + shift)};
	return smooth_density(noise, edge, n, scale);
}

/* Of the places of a wheel the likeliest is not the true one where an extra edge stands for a
 * missed one; but over few edges it does not fit either. */
static bool fits(const struct wheel *w, size_t used, double scale)
{
	return scale < (used < w->slots ? PATTERN_SCALE_PART : PATTERN_SCALE);
}

/* Best likelihood of a run passed the other way round. */
static double turned_likelihood(const struct wheel *w, const struct smooth_noise *noise,
                                const struct tooth_mark *mark, size_t n, struct smooth_edge *edge,
                                int64_t *shift, double *scale)
{
	double best = -INFINITY;
	for (unsigned j = 0; j < w->teeth; j++) {
		int64_t by = 2 * (int64_t)j + 1; /* odd: the level changes sides */
		double sc;
		for (size_t i = 0; i < n; i++)
			edge[i] = (struct smooth_edge){1e-6 * (double)(mark[i].t_us - mark[0].t_us),
			                               teeth_angle_rad(w, by - mark[i].slot)};
		double value = smooth_density(noise, edge, n, &sc);
		if (value > best) {
			best = value;
			*scale = sc;
			*shift = by;
		}
	}
	return best;
}

static struct align_fix by_pattern(const struct wheel *w, const struct smooth_noise *noise,
                                   const struct tooth_mark *mark, size_t n)
{
	struct align_fix f = {0, ALIGN_NONE, 0, 0};
	struct smooth_edge edge[PATTERN_EDGES];
	/* of one edge only nothing is known how the teeth look from behind */
	if (n < (w->slots > w->teeth ? PATTERN_LEAST : 3 * PATTERN_LEAST))
		return f;
	size_t used = n < PATTERN_EDGES ? n : PATTERN_EDGES;
	double best = -INFINITY, second = -INFINITY, best_scale = INFINITY;
	int64_t a_tooth = (int64_t)(w->slots / w->teeth);
	for (unsigned j = 0; j < w->teeth; j++) {
		double scale, value = pattern_likelihood(w, noise, mark, used, j * a_tooth, edge, &scale);
		if (value > best) {
			second = best;
			best = value;
			best_scale = scale;
			f.shift = j * a_tooth;
		} else if (value > second) {
			second = value;
		}
	}
	/* Teeth passed backward are the next best guess. */
	if (w->slots > w->teeth) {
		int64_t shift;
		double scale;
		second = fmax(second, turned_likelihood(w, noise, mark, used, edge, &shift, &scale));
	}
	if (best - second > PATTERN_MARGIN && fits(w, used, best_scale))
		f.by = ALIGN_PATTERN;
	return f;
}

struct align_fix align_run(const struct wheel *w, const struct align_index *index,
                           const struct tooth_mark *mark, size_t n, int sense,
                           const struct smooth_noise *noise)
{
	struct align_fix f = {0, ALIGN_NONE, 0, 0};
	double place = closes_at(index, sense);
	if (!isnan(place))
		f = by_index(w, index, mark, n, place);
	if (f.by == ALIGN_NONE && noise != NULL) {
		struct align_fix p = by_pattern(w, noise, mark, n);
		if (p.by != ALIGN_NONE)
			return p;
	}
	return f;
}

bool align_turned(const struct wheel *w, const struct smooth_noise *noise, const struct tooth_mark *mark,
                  size_t n, int64_t *shift)
{
	struct smooth_edge edge[PATTERN_EDGES];
	if (n < PATTERN_LEAST || w->slots == w->teeth)
		return false;
	size_t used = n < PATTERN_EDGES ? n : PATTERN_EDGES;
	double scale, same = pattern_likelihood(w, noise, mark, used, 0, edge, &scale);
	if (scale < TURN_SCALE && n > w->slots)
		return false; /* as good as the ride's noise for a turn: no reason to look */
	for (unsigned j = 1; j < w->teeth; j++)
		same = fmax(same, pattern_likelihood(w, noise, mark, used, 2 * (int64_t)j, edge, &scale));
	double turned = turned_likelihood(w, noise, mark, used, edge, shift, &scale);
	return turned - same > PATTERN_MARGIN && fits(w, used, scale);
}

bool align_way_known(const struct wheel *w, const struct smooth_noise *noise, const struct tooth_mark *mark,
                     size_t n)
{
	struct smooth_edge edge[PATTERN_EDGES];
	if (n < PATTERN_LEAST || w->slots == w->teeth)
		return false;
	size_t used = n < PATTERN_EDGES ? n : PATTERN_EDGES;
	int64_t shift;
	double scale, same = pattern_likelihood(w, noise, mark, used, 0, edge, &scale);
	return same - turned_likelihood(w, noise, mark, used, edge, &shift, &scale) > PATTERN_MARGIN;
}
