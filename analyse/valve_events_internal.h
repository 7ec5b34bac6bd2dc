/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Shared by the valve_events_*.c files only. */
#ifndef TRAMMEL_VALVE_EVENTS_INTERNAL_H
#define TRAMMEL_VALVE_EVENTS_INTERNAL_H

#include "analyse/onset.h"
#include "analyse/valve_events.h"
#include "analyse/valve_events_causes.h"
#include "analyse/valve_events_tally.h"
#include "analyse/valve_events_watch.h"

#define LEARN_WINDOWS 32 /* of each kind of event at each end */

/* How warm the air is at the beginning of a kind's windows: log T/Tw. */
struct warmth {
	bool known;
	double usual;         /* at the speed at which log_speed of a window is 0 */
	double per_log_speed; /* more at e times the speed */
	double sd;            /* of one about that */
};

/* One kind of event at one end: what was learned about it. */
struct group {
	bool learned;
	unsigned learned_from;          /* windows */
	double flow_sd, ramp_sd;        /* of log K and log ramp as learned; NAN = not known */
	double leak_sd;                 /* of the leak as learned; 0 = not learned */
	double common_sd_s;             /* what all t50 may be off by together, lag apart */
	double per_lag;                 /* how t50 goes with the sensor's lag */
	double delay_s, scale_s;        /* of t50 after the command: where to look */
	double spread_s;                /* scatter of t50 - command, sd */
	double value[ONSET_PARAMETERS]; /* K, n, ramp, b in force */
	double sd[ONSET_PARAMETERS];    /* how far one event may stray from them */
	unsigned timed;                 /* events found, and those whose time is not told */
	double doubt_sum_s;             /* of these: what the model may be off by */
	double noise_factor;            /* sd of residuals over the sensor's own noise, >= 1 */
	struct warmth warmth;
};

/* A change of one passage, as commanded. */
struct transition {
	double command_us, t50_us; /* t50: predicted, then found */
	size_t command;            /* index in the leg */
	double sd_us;              /* of t50, once found */
	bool opens, found, dead;   /* dead: it did not happen */
};

struct passage_line { /* the transitions of one passage, rising in time */
	struct transition *at;
	size_t n;
};

struct chamber {                          /* one end in the leg at hand */
	const struct ride_series *series; /* NULL = no sensor */
	double noise_pa;
	double interval_us;          /* between samples, usually */
	uint16_t top_rail;           /* counts at which the converter stops, 0 = never reached */
	struct passage_line line[2]; /* [enum onset_passage] */
};

struct batch { /* the windows of one kind, to learn from */
	struct onset_window window[LEARN_WINDOWS];
	struct onset_prior prior[LEARN_WINDOWS];
	double value[LEARN_WINDOWS][ONSET_PARAMETERS];
	double command_us[LEARN_WINDOWS];
	bool use[LEARN_WINDOWS];
	size_t n;
};

struct valve_events {
	struct engine engine; /* shallow copy */
	struct mech mech;
	int channel[END_COUNT];  /* sensor, -1 = none */
	int supply_channel;      /* or the tank's; -1 = none */
	bool supply_is_measured; /* not merely the tank */
	int battery_channel;     /* -1 = none */
	struct coil_warmth coil[ENGINE_VALVES_MAX];
	int coil_channel[ENGINE_VALVES_MAX]; /* of its current; -1 = none */
	struct group group[END_COUNT][EVENT_KINDS];
	double usual[ONSET_PARAMETERS]; /* of a machine of this size, before anything was seen */
	double lag_s[END_COUNT], lag_sd_s[END_COUNT];
	double supply_pa[END_COUNT]; /* taken where no sensor shows it; NAN */
	struct chamber chamber[END_COUNT];
	float *supply_smooth; /* of the leg at hand, beside its supply series */
	struct transition *transition_store;
	size_t transition_room, supply_room;
	const struct leg *prepared;
	unsigned prepared_number;
	struct valve_event *row;
	size_t *row_command; /* index in the leg, beside each row */
	size_t row_room;
	struct batch (*batch)[EVENT_KINDS]; /* [END_COUNT] */
	struct onset_window *window;        /* [END_COUNT], of the event at hand */
	struct gas_model gas;
	struct valve_tally tally;
	valve_event_counts counts; /* NULL = all of them */
	void *counts_ctx;
	struct watch watch;
	char finding[WATCH_FINDINGS][320];
	size_t findings;
};

/* The kind of event, and back. */
enum valve_event_kind valve_kind(enum onset_passage passage, bool opens);
enum onset_passage valve_kind_passage(enum valve_event_kind k);
bool valve_kind_opens(enum valve_event_kind k);
/* Bit of the engine file for a passage of an end. */
unsigned valve_passage_bit(enum engine_end end, enum onset_passage passage);
/* Does this command open this passage of the valve? */
bool valve_command_opens(const struct engine *e, const struct ride_command *c, unsigned bit);

/* Passages, noise and supply of a leg; nothing when it is prepared already.  0 or -1. */
int valve_prepare_leg(struct valve_events *v, const struct leg *leg, struct fault *fault);
/* Transition of `command` in a passage's line; NULL when the command changes nothing. */
struct transition *valve_transition(struct valve_events *v, enum engine_end end, enum onset_passage passage,
                                    size_t command);
/* Puts predicted times of one end's transitions back to command + learned delay. */
void valve_predict_transitions(struct valve_events *v, enum engine_end end);
/* Does something for each end, on two threads: whatever it touches must belong to its end alone, so that the
 * outcome is the same either way. */
typedef void (*valve_end_work)(struct valve_events *v, enum engine_end end, void *ctx);
void valve_each_end(struct valve_events *v, valve_end_work work, void *ctx);

/* Fills out[] beside the supply's series (2 samples or more) with its pressure, its noise taken away as far
 * as turns are alike; the passages' lines are laid.  0 or -1. */
int valve_smooth_supply(const struct valve_events *v, const struct ride_series *s, double interval_us,
                        double noise_pa, float *out, struct fault *fault);
/* Supply pressure at a time of the prepared leg; NAN when unknown. */
double valve_supply_at(const struct valve_events *v, const struct leg *leg, enum engine_end end, double t_us,
                       size_t *hint);

/* Window of one event and the span in which its t50 may lie.  `late_s` > 0
 * lengthens it.  False when there is nothing to fit (no sensor, hole, angle not known, no supply). */
bool valve_window(const struct valve_events *v, const struct leg *leg, const struct crank *c,
                  enum engine_end end, enum onset_passage passage, const struct transition *t, double late_s,
                  struct onset_window *w, struct onset_prior *prior);

/* Walls that the air of an end touches: piston, head and the barrel between them, wall + wall_per_m3 x
 * volume, 1 at half stroke. */
void valve_walls(const struct valve_events *v, enum engine_end end, double *wall, double *wall_per_m3);

/* Log T/Tw at the beginning of a window of the prepared leg, whose command came at `command_us`, from the
 * pressures of the two turns before and from the movements as they are known; NAN when these do not tell. */
double valve_window_warmth(const struct valve_events *v, const struct crank *c, enum engine_end end,
                           const struct onset_window *w, double command_us);

/* The same for all windows in use of a kind. */
struct warmth valve_batch_warmth(const struct valve_events *v, const struct crank *c, enum engine_end end,
                                 const struct batch *b);

/* Puts what was learned into v->gas. */
void valve_gas_model(struct valve_events *v);

/* What the event times of one kind may be off by all together: sd from what was
 * learned and from the sensor's lag. */
double valve_common_sd_s(const struct valve_events *v, enum engine_end end, enum valve_event_kind kind);

/* Learned flow of the passage that does not move, m3/s. */
double valve_other_k(const struct valve_events *v, enum engine_end end, enum onset_passage other);

#endif
