/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/rehearse/index_switch.h"

#include <math.h>

/* Whole turns below, as degrees, of the closing angle nearest below `deg`. */
static double turns_below(const struct index_switch *w, double deg)
{
	return 360 * floor((deg - w->closes_deg - w->shift_deg) / 360);
}

static bool contact(const struct index_switch *w, double deg)
{
	return deg - w->closes_deg - w->shift_deg - turns_below(w, deg) < w->width_deg;
}

/* The cam lags behind a reversal by the hysteresis: it sits at theta when
 * turning forward, hysteresis above theta when turning backward. */
static void follow(struct index_switch *w, double theta_deg)
{
	w->cam_deg = fmin(fmax(w->cam_deg, theta_deg), theta_deg + w->hysteresis_deg);
}

void index_switch_place(struct index_switch *w, double theta_deg)
{
	w->cam_deg = theta_deg;
	w->closed = contact(w, theta_deg);
}

/* New scatter for the next turn, drawn far from both edges so that it cannot
 * switch the contact by itself. */
static void rescatter(struct index_switch *w)
{
	double past = w->cam_deg - w->closes_deg;
	past -= 360 * floor(past / 360);
	bool far = past > (360 + w->width_deg) / 2 - 20 && past < (360 + w->width_deg) / 2 + 20;
	if (!far) {
		w->scattered = false;
		return;
	}
	if (w->scattered)
		return;
	double shift = w->jitter_deg * fmin(fmax(prng_normal(&w->random), -3), 3);
	w->shift_deg = fmin(fmax(shift, -w->width_deg / 4), w->width_deg / 4);
	w->scattered = true;
}

bool index_switch_move(struct index_switch *w, double theta_deg, double *at_deg)
{
	bool forward = theta_deg > w->cam_deg;
	follow(w, theta_deg);
	rescatter(w);
	bool closed = contact(w, w->cam_deg);
	if (closed == w->closed)
		return false;
	w->closed = closed;
	/* Turning back, the far edge of the range closes the contact, and the near
	 * edge, now one turn above, opens it. */
	double edge = forward ? (closed ? 0 : w->width_deg) : (closed ? w->width_deg : 360);
	double cam = w->closes_deg + w->shift_deg + turns_below(w, w->cam_deg) + edge;
	*at_deg = forward ? cam : cam - w->hysteresis_deg;
	return true;
}
