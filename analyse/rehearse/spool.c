/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/rehearse/spool.h"

#include <math.h>
#include <string.h>

struct spool spool_make(void)
{
	return (struct spool){.waiting_len = 0};
}

/* A motion overrides those that would have begun after it. */
static void wait_for(struct spool *s, struct spool_motion m)
{
	while (s->waiting_len > 0 && s->waiting[s->waiting_len - 1].t_s >= m.t_s)
		s->waiting_len--;
	if (s->waiting_len < SPOOL_MOTIONS_MAX)
		s->waiting[s->waiting_len++] = m;
}

/* Two more ramps behind the first: back by `bounce`, and home again. */
static void add_bounce(struct spool *s, const struct spool_habits *h, double t_s, double target)
{
	double half_s = h->bounce_time * 5e-4, rate = h->bounce / half_s;
	double away = target > 0.5 ? 1 - h->bounce : h->bounce;
	wait_for(s, (struct spool_motion){t_s, away, rate});
	wait_for(s, (struct spool_motion){t_s + half_s, target, rate});
}

double spool_command(struct spool *s, const struct spool_habits *h, double t_s, bool on,
                     double extra_delay_ms, struct prng *random)
{
	double delay = on ? h->open_delay + extra_delay_ms : h->shut_delay;
	delay += h->jitter * prng_normal(random);
	if (prng_chance(random, h->slow))
		delay += h->slow_time;
	if (prng_chance(random, h->stick))
		return NAN;
	double ramp_s = (on ? h->open_ramp : h->shut_ramp) * 1e-3;
	double begin = t_s + fmax(delay, 0) * 1e-3, target = on ? 1 : 0;
	wait_for(s, (struct spool_motion){begin, target, 1 / ramp_s});
	if (h->bounce > 0)
		add_bounce(s, h, begin + ramp_s, target);
	return begin;
}

double spool_area(const struct spool *s, double t_s)
{
	double moved = fmax(t_s - s->now.t_s, 0) * s->now.rate_per_s;
	if (s->now.target >= s->from)
		return fmin(s->from + moved, s->now.target);
	return fmax(s->from - moved, s->now.target);
}

void spool_advance(struct spool *s, double t_begin_s, double t_end_s)
{
	while (s->waiting_len > 0 && s->waiting[0].t_s < t_end_s) {
		struct spool_motion next = s->waiting[0];
		next.t_s = fmax(next.t_s, t_begin_s);
		s->from = spool_area(s, next.t_s);
		s->now = next;
		s->waiting_len--;
		memmove(s->waiting, s->waiting + 1, s->waiting_len * sizeof s->waiting[0]);
	}
}

double spool_half_s(const struct spool *s)
{
	return s->now.t_s + fabs(0.5 - s->from) / s->now.rate_per_s;
}
