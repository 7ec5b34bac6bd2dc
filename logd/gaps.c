/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logd/gaps.h"

#include "logd/clock.h"

#include <string.h>

#define PACE_US (CLOCK_SECOND_US / 10)

void gaps_add(struct gaps *g, enum record_gap reason, int64_t amount, const char *why)
{
	if (g->held[reason] == 0)
		g->why[reason] = why;
	g->held[reason] += amount;
	g->waiting = true;
}

struct record gaps_record(enum record_gap reason, uint32_t t_us, int64_t amount, const char *why)
{
	struct record r = record_make(RECORD_GAP, t_us, reason, amount);
	r.text = why;
	r.text_len = why == NULL ? 0 : (uint16_t)strnlen(why, RECORD_TEXT_MAX);
	if (r.text_len == 0)
		r.text = NULL;
	return r;
}

bool gaps_next(struct gaps *g, int64_t now_us, bool force, uint32_t t_us, struct record *out)
{
	bool left = false;
	for (unsigned reason = 1; reason < GAP_END; reason++) {
		if (g->held[reason] == 0)
			continue;
		left = true;
		if (!force && now_us < g->next_us[reason])
			continue;
		*out = gaps_record(reason, t_us, g->held[reason], g->why[reason]);
		g->held[reason] = 0;
		g->next_us[reason] = now_us + PACE_US;
		return true;
	}
	g->waiting = left;
	return false;
}
