/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Which rides a log holds: a ride ends where the crank rests. */
#include "analyse/ride_list.h"

#include <stdlib.h>

struct ride_lister {
	struct ride_span *span;
	size_t n;
	double rest_us;
	int64_t last_tooth_us; /* of the open ride */
	int64_t first_us, last_us;
	uint64_t half_ordinal; /* first record in the second half of the rest */
	unsigned epoch;
	bool has_tooth, half_met;
};

static int begin_span(struct ride_lister *l, uint64_t ordinal, const struct timeline_record *t)
{
	struct ride_span *grown = realloc(l->span, (l->n + 1) * sizeof *grown);
	if (grown == NULL)
		return -1;
	l->span = grown;
	l->span[l->n] =
	    (struct ride_span){.begin = ordinal, .end = UINT64_MAX, .first_us = t->t_us, .last_us = t->t_us};
	if (l->n > 0)
		l->span[l->n - 1].end = ordinal;
	l->n++;
	l->has_tooth = false;
	l->half_met = false;
	return 0;
}

static void count_record(struct ride_span *s, const struct timeline_record *t)
{
	s->records += t->r.kind != RECORD_ARRIVAL && t->r.kind != RECORD_GAP && t->r.kind != RECORD_ALARM;
	s->teeth += t->r.kind == RECORD_TOOTH;
	s->commands += t->r.kind == RECORD_VALVE;
	s->samples += t->r.kind == RECORD_SAMPLE;
	if (!t->timed)
		return;
	if (!s->timed)
		s->first_us = t->t_us;
	s->timed = true;
	s->last_us = t->t_us;
}

/* The crank rested and moves again: what came after the middle of the rest
 * belongs to the new ride.  Its records were counted for the old one; only
 * the listing's counts are touched by that, and by less than a rest. */
static int note_tooth(struct ride_lister *l, const struct timeline_record *t)
{
	bool rested = l->has_tooth && (double)(t->t_us - l->last_tooth_us) >= l->rest_us;
	uint64_t half = l->half_met ? l->half_ordinal : t->ordinal;
	if (rested && begin_span(l, half, t) != 0)
		return -1;
	l->has_tooth = true;
	l->half_met = false;
	l->last_tooth_us = t->t_us;
	return 0;
}

struct ride_lister *ride_lister_new(double rest_s)
{
	struct ride_lister *l = calloc(1, sizeof *l);
	if (l != NULL)
		l->rest_us = rest_s * 1e6;
	return l;
}

void ride_lister_free(struct ride_lister *l)
{
	if (l != NULL)
		free(l->span);
	free(l);
}

void ride_lister_clear(struct ride_lister *l)
{
	free(l->span);
	*l = (struct ride_lister){.rest_us = l->rest_us};
}

int ride_lister_add(struct ride_lister *l, const struct timeline_record *t)
{
	if (l->n == 0 || t->break_before) {
		if (begin_span(l, t->ordinal, t) != 0)
			return -1;
	}
	if (t->epoch != l->epoch) { /* the jump of the restarted clock is not a rest */
		l->epoch = t->epoch;
		l->last_tooth_us = t->t_us;
	}
	if (l->has_tooth && !l->half_met && (double)(t->t_us - l->last_tooth_us) >= l->rest_us / 2) {
		l->half_met = true;
		l->half_ordinal = t->ordinal;
	}
	if (t->r.kind == RECORD_TOOTH && note_tooth(l, t) != 0)
		return -1;
	count_record(&l->span[l->n - 1], t);
	return 0;
}

const struct ride_span *ride_lister_spans(const struct ride_lister *l, size_t *n)
{
	*n = l->n;
	return l->span;
}
