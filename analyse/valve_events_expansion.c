/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/valve_events_expansion.h"

#include "analyse/delay.h"

#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <stdlib.h>

#define LEAST 5
#define ZERO_SD_PA 3e3  /* of a gauge: twice as much beside the air outside is named elsewhere */
#define SURE 3          /* times its doubt: an index may well lie at the very end of the possible */
#define WORTH_PER_S 0.1 /* a hundredth of the air in 0.1 s; less is not worth a line (judgement) */
#define TO_SD (1 / (2 * 1.96))

void expansion_add(struct expansion *x, const struct expansion_stretch *s)
{
	if (x->stride == 0)
		x->stride = 1;
	if (x->seen++ % x->stride != 0)
		return;
	if (x->n == EXPANSION_KEPT) {
		for (size_t i = 0; i < EXPANSION_KEPT / 2; i++)
			x->kept[i] = x->kept[2 * i];
		x->n = EXPANSION_KEPT / 2;
		x->stride *= 2; /* EXPANSION_KEPT is even: the one at hand still has its turn */
	}
	x->kept[x->n++] = *s;
}

/* --- the middle --------------------------------------------------------------------- */

enum quantity { INDEX, SLOW, PER_LAG_SLOW, PER_PA, VOLUME };

static double quantity_of(const struct expansion_stretch *s, enum quantity q)
{
	const float value[] = {s->index, s->slow_s, s->per_lag * s->slow_s, s->per_pa, s->volume_m3};
	return (double)value[q];
}

static double middle(const struct expansion *x, enum quantity q)
{
	double value[EXPANSION_KEPT];
	if (x->n < LEAST)
		return NAN;
	for (size_t i = 0; i < x->n; i++)
		value[i] = quantity_of(&x->kept[i], q);
	return gsl_stats_median(value, 1, x->n);
}

double expansion_index(const struct expansion *x)
{
	return middle(x, INDEX);
}

double expansion_slow_s(const struct expansion *x)
{
	return middle(x, SLOW);
}

double expansion_volume_m3(const struct expansion *x)
{
	return middle(x, VOLUME);
}

/* --- the verdict ------------------------------------------------------------------------ */

struct columns {
	double *slow, *index, *moved;
	int64_t *turn;
	size_t n;
	double lag_sd; /* of the index by the lag's doubt, x slow_s: the faster, the more */
	double zero_sd;
};

struct at { /* the index of a stretch that takes so long; 0: what a leak has no time to touch */
	double slow_s, index, doubt;
};

/* `seen_s`: what stands nearest to it among the stretches. */
static int index_at(const struct columns *c, double slow_s, double seen_s, struct at *out)
{
	struct delay_line line;
	double common_sd = hypot(c->lag_sd / seen_s, c->zero_sd);
	for (size_t i = 0; i < c->n; i++)
		c->moved[i] = c->slow[i] - slow_s;
	if (delay_slope(c->moved, c->index, c->turn, c->n, &line) != 0)
		return -1;
	bool one = isnan(line.at_zero); /* all alike: a mean, no line */
	const double *ci = one ? line.at_mean_ci95 : line.at_zero_ci95;
	double sd = isnan(ci[0]) ? INFINITY : (ci[1] - ci[0]) * TO_SD;
	*out = (struct at){slow_s, one ? line.at_mean : line.at_zero, SURE * hypot(sd, common_sd)};
	return 0;
}

static bool too_high(const struct at *a)
{
	return a->index - a->doubt > EXPANSION_INDEX_MOST;
}

static bool too_low(const struct at *a)
{
	return a->index + a->doubt < EXPANSION_INDEX_LEAST;
}

/* Does the index move with time as with a leak that takes it this way? */
static bool moves(const struct delay_line *over, bool high)
{
	return high ? over->slope_ci95[0] > 0 : over->slope_ci95[1] < 0;
}

struct ends { /* the slowest and the fastest stretches, and the limit of ever faster ones */
	struct at slow, fast, none;
	const struct delay_line *over;
};

/* A leak outwards raises the index of the slow ones and heat lowers it: with both it may well stay level, as
 * with a wrong volume.  A leak inwards and heat both lower it; only a wrong volume is left where it is too
 * low without any time. */
static enum expansion_fault fault_of(const struct ends *e, bool high)
{
	bool at_slow = high ? too_high(&e->slow) : too_low(&e->slow);
	if (!at_slow)
		return EXPANSION_SOUND;
	if (!e->over->separable || (high && !moves(e->over, high)))
		return EXPANSION_EITHER;
	if (high)
		return EXPANSION_LOSES;
	if (moves(e->over, high) && !too_low(&e->none))
		return EXPANSION_GAINS;
	return too_low(&e->fast) ? EXPANSION_VOLUME : EXPANSION_SOUND;
}

static void judge(const struct ends *e, struct expansion_verdict *out)
{
	const struct at *slow = &e->slow;
	out->high = too_high(slow);
	out->fault = fault_of(e, out->high);
	if (out->fault == EXPANSION_SOUND || out->fault == EXPANSION_VOLUME)
		return;
	double beyond = out->high ? slow->index - EXPANSION_INDEX_MOST : EXPANSION_INDEX_LEAST - slow->index;
	out->least_per_s = (beyond - slow->doubt) / slow->slow_s;
	if (out->least_per_s < WORTH_PER_S) {
		out->fault = EXPANSION_SOUND;
		out->least_per_s = NAN;
	}
}

static int judge_columns(struct columns *c, struct expansion_verdict *out)
{
	struct delay_line over;
	struct at middle_one;
	struct ends e = {.over = &over};
	if (delay_slope(c->slow, c->index, c->turn, c->n, &over) != 0)
		return -1;
	double slow = over.speed_high, fast = over.speed_low;
	if (index_at(c, over.mean_speed, over.mean_speed, &middle_one) != 0 ||
	    index_at(c, slow, slow, &e.slow) != 0 || index_at(c, fast, fast, &e.fast) != 0 ||
	    index_at(c, 0, fast, &e.none) != 0)
		return -1;
	out->index = middle_one.index;
	out->sd = middle_one.doubt / SURE;
	judge(&e, out);
	return 0;
}

int expansion_judge(const struct expansion *x, double lag_sd_s, struct expansion_verdict *out)
{
	size_t n = x->n;
	*out = (struct expansion_verdict){.index = NAN, .sd = NAN, .least_per_s = NAN};
	if (n < LEAST)
		return 0;
	struct columns c = {
	    .slow = malloc(sizeof(double) * 3 * n), .turn = malloc(sizeof(int64_t) * n), .n = n};
	int status = -1;
	if (c.slow != NULL && c.turn != NULL) {
		c.index = c.slow + n;
		c.moved = c.index + n;
		for (size_t i = 0; i < n; i++) {
			c.slow[i] = quantity_of(&x->kept[i], SLOW);
			c.index[i] = quantity_of(&x->kept[i], INDEX);
			c.turn[i] = x->kept[i].turn;
		}
		c.lag_sd = middle(x, PER_LAG_SLOW) * lag_sd_s;
		c.zero_sd = middle(x, PER_PA) * ZERO_SD_PA;
		status = judge_columns(&c, out);
	}
	free(c.slow);
	free(c.turn);
	return status;
}
