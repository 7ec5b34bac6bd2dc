/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Machines drawn at random, rehearsed with their gas, valves and load, as a leg
 * with the true crank angle beside it. */
#ifndef TRAMMEL_CRANK_MACHINE_H
#define TRAMMEL_CRANK_MACHINE_H

#include "analyse/crank.h"
#include "analyse/rehearse/settings.h"
#include "analyse/ride.h"

enum machine_load {
	MACHINE_HELD,      /* a brake that holds the speed, stiffly or softly, up and down */
	MACHINE_VEHICLE,   /* mass on wheels, a line that undulates */
	MACHINE_COAST,     /* the supply is shut, the machine runs out */
	MACHINE_GENERATOR, /* resistance that grows with speed; the supply is opened up slowly */
	MACHINE_STEADY,    /* held at one speed */
	MACHINE_STIFF,     /* held so stiffly that the crank follows within a fraction of a turn */
	MACHINE_LOADS
};

struct machine_truth { /* at a true edge of a tooth */
	double t_us, theta_rad, omega_rad_s;
};

struct machine_ride {
	struct engine engine; /* with gauges in both chambers */
	struct leg leg;
	struct machine_truth *truth;
	size_t truth_n;
	double index_off_rad; /* the engine file's index angle less the true one */
};

const char *machine_load_name(enum machine_load load);
/* Machine number `seed` under this load; the same every time. */
struct machine_ride *machine_ride_new(enum machine_load load, unsigned seed);
/* The same of another machine (its engine file's text) and ride. */
struct machine_ride *machine_ride_of(const char *engine, const struct settings *s);
/* A machine whose toothed wheel lags the crank by wind_deg at 10 N m, its supply opened up
 * slowly, its index at 60 deg; the engine file asks for the wind-up. */
struct machine_ride *machine_ride_chain(double wind_deg, double seconds, unsigned seed);
void machine_ride_free(struct machine_ride *m);
/* The wheel as it is learned from the ride. */
void machine_ride_wheel(const struct machine_ride *m, struct wheel *wheel);
/* Takes the gauges of both chambers out of the engine file. */
void machine_without_gauges(struct engine *e);
/* True crank angle, counting on; NAN outside. */
double machine_theta(const struct machine_ride *m, double t_us);

#endif
