/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/stroke_turns.h"

#include "common/unit.h"

#include <math.h>
#include <stdlib.h>

static const double TURN = 2 * UNIT_PI;

void stroke_turns_free(struct stroke_turns *t)
{
	free(t->turn);
	*t = (struct stroke_turns){0};
}

struct crossing { /* of a dead centre, forward */
	bool known;
	int64_t number;
	size_t point; /* the edge before it */
	double t_us;
};

/* True when the edges i and i + 1 lie on either side of the dead centre. */
static bool crosses(const struct crank *c, size_t i, double dead_centre_rad, struct crossing *out)
{
	double a = c->point[i].theta_rad - dead_centre_rad, b = c->point[i + 1].theta_rad - dead_centre_rad;
	double number = floor(b / TURN), at = number * TURN;
	if (!(a < at && at <= b))
		return false;
	double t0 = (double)c->point[i].t_us, t1 = (double)c->point[i + 1].t_us;
	*out = (struct crossing){.known = true, .number = (int64_t)number, .point = i};
	if (c->point[i].flag != CRANK_GOOD || !crank_time_at(c, dead_centre_rad + at, t0, &out->t_us))
		out->t_us = t0 + (t1 - t0) * (at - a) / (b - a);
	return true;
}

static const char *turn_flag(const struct crank *c, size_t from, size_t to)
{
	for (size_t i = from; i <= to; i++) {
		if (c->point[i].flag != CRANK_GOOD)
			return crank_flag_name((enum crank_flag)c->point[i].flag);
		if (!(c->point[i + 1].theta_rad > c->point[i].theta_rad))
			return "crank turned back";
	}
	return "";
}

static double mean_sd_rad(const struct crank *c, size_t from, size_t to)
{
	double sum = 0;
	for (size_t i = from; i <= to; i++)
		sum += (double)c->point[i].sd_rad;
	return sum / (double)(to - from + 1);
}

static int add_turn(struct stroke_turns *out, const struct stroke_turn *turn)
{
	if (out->n == out->room) {
		size_t room = out->room == 0 ? 256 : 2 * out->room;
		struct stroke_turn *grown = realloc(out->turn, room * sizeof *grown);
		if (grown == NULL)
			return -1;
		out->turn = grown;
		out->room = room;
	}
	out->turn[out->n++] = *turn;
	return 0;
}

int stroke_turns_find(struct stroke_turns *out, const struct leg *leg, const struct crank *c,
                      double dead_centre_rad)
{
	struct crossing last = {0}, now;
	out->n = 0;
	for (size_t i = 0; i + 1 < c->n; i++) {
		if (!crosses(c, i, dead_centre_rad, &now))
			continue;
		bool whole = last.known && now.number == last.number + 1;
		bool in_core = last.t_us >= (double)leg->core_from_us && last.t_us < (double)leg->core_to_us;
		struct stroke_turn turn = {
		    .number = last.number,
		    .dead_centre_rad = dead_centre_rad + (double)last.number * TURN,
		    .t0_us = last.t_us,
		    .t1_us = now.t_us,
		};
		if (whole && in_core) {
			turn.flag = turn_flag(c, last.point, i);
			turn.angle_sd_rad = mean_sd_rad(c, last.point, i);
			if (add_turn(out, &turn) != 0)
				return -1;
		}
		last = now;
	}
	return 0;
}
