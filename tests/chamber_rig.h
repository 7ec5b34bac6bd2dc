/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Truth for the valve-event tests: a double-acting cylinder turned at a given
 * speed, each chamber with its full energy balance (mass and internal energy, wall
 * heat, leak), valves that answer after a delay with a ramp, sensors with lag,
 * noise and quantisation.  Fills a leg and a crank directly; the crank angle is exact. */
#ifndef CHAMBER_RIG_H
#define CHAMBER_RIG_H

#include "analyse/crank.h"
#include "analyse/valve_events.h"

struct rig_setup {
	double rpm_from, rpm_to, seconds; /* speed runs straight from one to the other */
	double ripple;                    /* relative, twice a turn */
	double supply_pa, droop_pa;       /* droop at full flow of one valve */
	double conductance[2];            /* inlet, exhaust: m3/(s Pa) */
	double critical_ratio;
	double delay_s[2][2], ramp_s[2][2]; /* [inlet, exhaust][opening, shutting] */
	double jitter_s;
	double late_share, late_s; /* some events come late */
	double missed_share;       /* some commands move nothing */
	double leak;               /* to ambient, m3/(s Pa) */
	double wall_w_k;           /* wall heat, W/K */
	double lag_s;
	double noise_of_scale; /* sd as a share of 10 bar */
	double bits;           /* 0 = none */
	double sample_s;
	double opens_deg[2], shuts_deg[2]; /* commanded, after the end's own dead centre */
	double intended_lead_deg;          /* commands are this much before the intended angle */
	double supply_to_pa;               /* the supply runs straight to this; 0 = constant */
	double delay_per_pa;               /* all delays, from 6 bar absolute */
	double pulse_s; /* > 0: the crank is blocked half way and each valve pulsed this long */
	bool sealed;    /* no passage ever opens, though commanded */
	bool supply_sensor, chamber_sensor[2];
	unsigned long seed;
};

/* A healthy machine: 60 to 180 rpm, 60 s, 1 kHz, 10 bit, 0.5 % noise. */
struct rig_setup rig_healthy(void);

/* As with a spool: the exhaust shuts when the inlet opens, and opens when it shuts. */
void rig_as_spool(struct rig_setup *s);

struct rig_event {
	uint8_t valve, end, event; /* enum valve_event_kind */
	double command_us, t50_us;
	bool moved;  /* false: it was missed, or it stood there already (a movement before was missed) */
	bool missed; /* it ought to have moved and did not */
};

struct rig {
	struct engine engine;
	struct mech mech;
	struct wheel wheel;
	struct leg leg;
	struct crank crank;
	size_t event_n;
	struct rig_event *event; /* by time of command, in the order of the finder's rows */
	double *log_warmth[2];   /* of each end's air, log of its temperature over the walls', every ms */
};

/* Runs it; release with rig_free. */
struct rig *rig_run(const struct rig_setup *s);
void rig_free(struct rig *r);

#endif
