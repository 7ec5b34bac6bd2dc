/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/rehearse/armature.h"

#include <math.h>

struct armature armature_make(const struct settings *s, unsigned valve, bool seen, struct prng random)
{
	return (struct armature){
	    .full_a = seen ? s->coil_current[valve] : 0,
	    .time_s = s->coil_time[valve] * 1e-3,
	    .relay_s = s->relay[valve] * 1e-3,
	    .travel_s = s->armature[valve] * 1e-3,
	    .pilot_s = s->pilot[valve] * 1e-3,
	    .back_emf = s->back_emf[valve],
	    .open_circuit = s->open_circuit[valve],
	    .powered_s = NAN,
	    .cut_s = NAN,
	    .stops_s = NAN,
	    .random = random,
	};
}

bool armature_cut_off(struct armature *a)
{
	return a->open_circuit > 0 && prng_chance(&a->random, a->open_circuit);
}

void armature_on(struct armature *a, double t_s, double begins_s)
{
	a->powered_s = t_s + a->relay_s;
	a->cut_s = NAN;
	a->stops_s = isnan(begins_s) ? NAN : fmax(begins_s - a->pilot_s, a->powered_s + a->travel_s);
}

void armature_off(struct armature *a, double t_s)
{
	a->cut_s = t_s + a->relay_s;
}

/* Its speed, and with it the voltage, grows until it stops. */
static double bent(const struct armature *a, double t_s)
{
	double moved_s = t_s - (a->stops_s - a->travel_s);
	return moved_s > 0 && t_s < a->stops_s ? a->back_emf * moved_s / a->travel_s : 0;
}

void armature_step(struct armature *a, double t_s, double step_s)
{
	double middle_s = t_s + step_s / 2;
	if (a->full_a == 0)
		return;
	bool powered = middle_s >= a->powered_s && !(middle_s >= a->cut_s);
	double towards_a = powered ? a->full_a * (1 - bent(a, middle_s)) : 0;
	a->current_a += (towards_a - a->current_a) * (1 - exp(-step_s / a->time_s));
}
