/* SPDX-License-Identifier: GPL-3.0-or-later */
/* How long a step may be: RK4 is stable up to 2.78 of the shortest time
 * constant on the negative axis; STABLE leaves room. */
#include "analyse/rehearse/drive.h"

#include <math.h>

#define STABLE 2.0
#define LEAK_CRITICAL 0.3

static double open_port(const struct plant *p, int port)
{
	return gas_settling_rate(p->c[port] + p->seat_leak_c[port], gas_slope(p->s.b[port]));
}

/* A chamber at dead centre behind open valves near equal pressures. */
static double chamber_rate(const struct plant *p, enum engine_end end)
{
	int in = end == END_CAP ? PORT_CAP_INLET : PORT_ROD_INLET;
	double leak_c = p->piston_leak_c + (end == END_ROD ? p->gland_leak_c : 0);
	double leaks = gas_settling_rate(leak_c, gas_slope(LEAK_CRITICAL));
	return (open_port(p, in) + open_port(p, in + 1) + leaks) / p->mech.clearance_m3[end];
}

/* The line between open inlets and the regulator, whose flow falls from all
 * to nothing over its droop. */
static double line_rate(const struct plant *p)
{
	double tank_pa = p->s.tank * 1e5 + p->ambient_pa;
	double slope = gas_slope(LEAK_CRITICAL) + tank_pa / (p->s.droop * 1e5);
	double sum = open_port(p, PORT_CAP_INLET) + open_port(p, PORT_ROD_INLET) +
	             gas_settling_rate(p->regulator_c, slope);
	return sum / p->line_m3;
}

static double tank_rate(const struct plant *p)
{
	return gas_settling_rate(p->regulator_c, gas_slope(LEAK_CRITICAL)) / p->tank_m3;
}

double plant_step_limit(const struct plant *p)
{
	double rate = fmax(chamber_rate(p, END_CAP), chamber_rate(p, END_ROD));
	rate = fmax(rate, fmax(line_rate(p), tank_rate(p)));
	return STABLE / fmax(rate, drive_rate(p));
}
