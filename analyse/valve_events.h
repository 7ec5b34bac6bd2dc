/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Valve events: when each valve really opened and shut, put on the crank
 * circle, and the error taken apart:
 *
 *   error = event - intended = count + firing + delay   (angles, exactly)
 *   count  = true angle at the command - controller's angle
 *   firing = controller's angle - intended
 *   delay  = true angle at the event - true angle at the command
 *
 * All errors: > 0 is late.  The controller's angle is what it sent, or else
 * what a plain count replayed believes (believed.h).  The event is the instant at which
 * the passage's area passes half. */
#ifndef TRAMMEL_VALVE_EVENTS_H
#define TRAMMEL_VALVE_EVENTS_H

#include "analyse/believed.h"
#include "analyse/coil_current.h"
#include "analyse/crank.h"
#include "analyse/valve_events_expansion.h"

enum valve_event_kind { EVENT_ADMISSION, EVENT_CUT_OFF, EVENT_RELEASE, EVENT_COMPRESSION, EVENT_KINDS };
/* "admission", "cut_off", "release", "compression" (as in the files). */
const char *valve_event_name(enum valve_event_kind k);

enum valve_event_class {
	EVENT_CLASS_A = 'A', /* found, sharp */
	EVENT_CLASS_B = 'B', /* found, weaker */
	EVENT_CLASS_C =
	    'C', /* not observable (no pressure difference, no sensor, flagged angle): never counted */
	EVENT_CLASS_MISSED = 'M' /* observable, and the valve did not move */
};

struct valve_event {
	uint8_t valve;
	uint8_t end;         /* enum engine_end */
	uint8_t event;       /* enum valve_event_kind */
	char cls;            /* enum valve_event_class */
	int64_t revolution;  /* turn of the true angle at the command */
	double intended_rad; /* 0..2 pi, NAN = not known */
	double command_t_us;
	double command_rad; /* true angle, counting on; NAN in a flagged stretch */
	double event_t_us;  /* half open; NAN unless class A or B */
	double event_rad;
	double sd_s;                              /* of event_t, from the profile likelihood */
	double delay_s;                           /* event - command */
	double count_error_rad, firing_error_rad; /* NAN = not known */
	double omega_rad_s;                       /* speed at the command */
	double t10_s;                /* command to 10 % of the pressure difference, openings only; NAN */
	double up_pa, down_pa;       /* upstream and downstream pressure at the command */
	double supply_pa, battery_v; /* at the command; NAN = no sensor */
	double coil_warmth;          /* at the command: see valve_events_causes.h */
	struct coil_look coil;       /* what its current tells of a command that switches it on */
	bool flagged;                /* angle not to be trusted: left out of statistics */
	/* Set by the fit, for plots and the gas model: */
	double log_bayes_factor;
};

/* How the delay goes with supply pressure (per Pa), battery (per V) or the coil's warmth (per 1, from cold to
 * as warm as it gets), the others held; NAN = not told: no sensor, too few events, or it changed too little
 * (0.5 bar, 0.3 V, 0.05). */
enum valve_event_cause_kind { CAUSE_SUPPLY, CAUSE_BATTERY, CAUSE_WARMTH, VALVE_CAUSES };

struct valve_event_cause {
	double per, per_ci95[2]; /* s per unit */
	double low, high, mean;  /* of the cause, over the events: 2 % and 98 % quantiles; NAN = no sensor */
	double alike;            /* correlation with what of the others moved most like it */
	int with;                /* which: enum valve_event_cause_kind */
};

/* What the coil's current tells of the commands that switch it on, and what the delay is made of.  NAN = not
 * known: no sensor of the current, or the coil is switched off. */
struct valve_event_coil {
	unsigned moved, still, dead;        /* commands: with a dip, current without a dip, no current */
	unsigned missed_still, missed_dead; /* of these, the valve did not move */
	unsigned found_still;               /* of these, it did: the current does not show it */
	double electrical_s, electrical_ci95_s[2]; /* command to current */
	double mechanical_s, mechanical_ci95_s[2]; /* to the armature's stop */
	double pneumatic_s, pneumatic_ci95_s[2];   /* to half open, or half shut */
};

/* One (valve, end, event) over the ride. Angles rad; NAN = not known.  Intended, commanded and actual angle,
 * error, count and firing are of the same events, those found, at the mean speed of these: error = count +
 * firing + delay x speed.  With fewer than 3 found: count and firing of all commands, no error. */
struct valve_event_summary {
	uint8_t valve, end, event;
	unsigned count;     /* events found (A or B), angle trusted */
	unsigned not_found; /* commands whose event was not observable or missed */
	unsigned missed;    /* of these: the valve did not move */
	unsigned commands;
	double intended_rad, commanded_rad, actual_rad, error_rad, error_ci95_rad[2], spread_rad;
	double count_error_rad, firing_error_rad;
	double delay_s, delay_ci95_s[2], delay_sd_s;
	double t10_s; /* shifting time in the manner of ISO 12238, after the command; NAN */
	double offset_rad, offset_ci95_rad[2]; /* controller's part at zero speed */
	double latency_s, latency_ci95_s[2];   /* controller's part per speed */
	struct valve_event_cause cause[VALVE_CAUSES];
	struct valve_event_coil coil;
	double speed_rad_s;      /* of the events found, while the valve answers */
	double ride_speed_rad_s; /* of all commands */
	bool separable;          /* the speed range tells offset from latency */
	char verdict[16];        /* "late", "early", "on time", "not known", "missed" */
	char words[700];         /* the verdict in plain words with numbers and remedy */
};

#define VALVE_EVENT_SUMMARIES (ENGINE_VALVES_MAX * 4)

struct valve_events; /* opaque */
struct valve_events *valve_events_new(const struct engine *e, const struct mech *m, const struct wheel *w);
void valve_events_free(struct valve_events *v);

/* From now on only events that this accepts go into the summaries (a part of a ride); all
 * are still found, learned from and looked at for faults. */
typedef bool (*valve_event_counts)(void *ctx, const struct valve_event *e);
void valve_events_count_only(struct valve_events *v, valve_event_counts counts, void *ctx);

/* Hierarchical learning on the first legs of pass 2 (called before
 * valve_events_find for the same leg; cheap when enough has been learned). */
int valve_events_learn(struct valve_events *v, const struct leg *leg, const struct crank *c,
                       struct fault *fault);

/* The events of the commands in the leg's core, by time of command.  Rows are owned by
 * `v` and valid until the next call. */
int valve_events_find(struct valve_events *v, const struct leg *leg, const struct crank *c,
                      const struct believed *b, const struct valve_event **rows, size_t *n,
                      struct fault *fault);

/* Over the ride: fills at most VALVE_EVENT_SUMMARIES rows, ordered by valve, end, event; returns the number.
 */
size_t valve_events_finish(struct valve_events *v, struct valve_event_summary *out);

/* Findings in plain words (swapped wires, dead sensor, leak, bounce, ...). */
const char *valve_events_finding(const struct valve_events *v, size_t i);

/* Learned gas model for others (ledger, plan). */
struct gas_model {
	double n_polytropic[END_COUNT];
	struct expansion_verdict tight[END_COUNT]; /* filled by valve_events_finish */
	double conductance[END_COUNT][2];          /* [end][0 inlet, 1 exhaust] m3/(s Pa), NAN unknown */
	double ramp_s[END_COUNT][2][2];            /* [end][inlet/exhaust][open/close] */
	double leak_m3_s_pa[END_COUNT];
	double noise_pa[END_COUNT];
	double sensor_lag_s[END_COUNT], sensor_lag_sd_s[END_COUNT]; /* first order, and its doubt */
};
const struct gas_model *valve_events_gas_model(const struct valve_events *v);

#endif
