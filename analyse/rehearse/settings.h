/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Everything of a rehearsal that is not in the engine file: the plant's
 * hidden properties, the faults, the controller's habits.  One table
 * (settings.c) holds key, unit, limits, default and meaning of each; values
 * are kept in the units a person writes.  NAN = take it from the engine file. */
#ifndef TRAMMEL_REHEARSE_SETTINGS_H
#define TRAMMEL_REHEARSE_SETTINGS_H

#include "common/engine.h"
#include "common/fault.h"

#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

/* Order of the four passages in per-passage settings and in the plant. */
enum port { PORT_CAP_INLET, PORT_CAP_EXHAUST, PORT_ROD_INLET, PORT_ROD_EXHAUST, PORT_COUNT };

/* How the crank is driven. */
enum drive { DRIVE_FREE, DRIVE_IMPOSED, DRIVE_HELD };

struct settings {
	uint64_t seed;
	double duration, step;
	/* drive */
	double drive, start_angle, rpm, rpm_to, sweep, hold;
	double rock, rock_period, rocks, kick, kick_time;
	double inertia, friction, viscous, pressure_friction;
	double rolling, grade, grade_swing, grade_period, drag_area, extra_mass;
	double brake, brake_swing, brake_period, shut_at;
	/* supply */
	double tank, tank_heat, tank_volume, regulator, regulator_to, droop, regulator_c, line_volume,
	    line_heat;
	/* chambers */
	double c[PORT_COUNT], b[PORT_COUNT], seat_leak[PORT_COUNT];
	double piston_leak, gland_leak, wall_h, chamber_start;
	/* valves */
	double open_delay[ENGINE_VALVES_MAX], shut_delay[ENGINE_VALVES_MAX];
	double open_ramp[ENGINE_VALVES_MAX], shut_ramp[ENGINE_VALVES_MAX];
	double delay_jitter[ENGINE_VALVES_MAX], bounce[ENGINE_VALVES_MAX], bounce_time[ENGINE_VALVES_MAX];
	double stick[ENGINE_VALVES_MAX], slow[ENGINE_VALVES_MAX], slow_time[ENGINE_VALVES_MAX];
	double delay_per_bar[ENGINE_VALVES_MAX], delay_per_volt[ENGINE_VALVES_MAX];
	double warm_delay[ENGINE_VALVES_MAX], warm_time;
	double coil_current[ENGINE_VALVES_MAX], coil_time[ENGINE_VALVES_MAX], relay[ENGINE_VALVES_MAX];
	double armature[ENGINE_VALVES_MAX], pilot[ENGINE_VALVES_MAX], back_emf[ENGINE_VALVES_MAX];
	double open_circuit[ENGINE_VALVES_MAX];
	/* toothed wheel */
	double pitch_error, eccentricity, duty, tooth_gap, edge_jitter, threshold_drift, threshold_period;
	double wind_up;
	double miss, miss_above, miss_tooth, miss_edge, extra, extra_width, edge_bounce;
	double burst_rate, burst_at, burst_time, burst_hz, burst_mask, quadrature;
	/* index switch */
	double index_shift, index_width, index_hysteresis, index_late, index_jitter;
	double index_bounce, index_bounces, index_bounce_time, index_miss, index_extra;
	/* controller */
	double opens[ENGINE_VALVES_MAX], shuts[ENGINE_VALVES_MAX];
	double lead_open[ENGINE_VALVES_MAX], lead_shut[ENGINE_VALVES_MAX];
	double index_error, first_tooth, count_edges, interpolate, latency, latency_jitter, index_blank,
	    start_mode;
	/* sensors */
	double rate[ENGINE_SENSORS_MAX], lag[ENGINE_SENSORS_MAX], tube[ENGINE_SENSORS_MAX];
	double gain[ENGINE_SENSORS_MAX], zero[ENGINE_SENSORS_MAX], noise[ENGINE_SENSORS_MAX];
	double stagger, adc_bits, battery, battery_sag, battery_droop;
	/* sender */
	double tick, isr, skew, drift, counter, loss_rate, loss_batch, reset_at, disorder;
};

/* All at their defaults. */
struct settings settings_default(void);

/* Applies "key=value", "key.N=value" (one valve, channel or passage) or, for
 * a key with several places, "key=value" to all of them. */
int settings_apply(struct settings *s, const char *assignment, struct fault *fault);

/* Applies a named ride.  The names, one line each, come from
 * settings_list_rides. */
int settings_ride(struct settings *s, const char *name, struct fault *fault);

/* Checks what single limits cannot (1 kHz of nothing, step against ramps). */
int settings_check(const struct settings *s, struct fault *fault);

/* Prints the table of keys, or of rides, for --help. */
void settings_list(FILE *out);
void settings_list_rides(FILE *out);

/* Calls fn for each key and place with its value, in table order; `place` is
 * -1 for a key with a single place. */
void settings_each(const struct settings *s, void (*fn)(void *ctx, const char *key, int place, double value),
                   void *ctx);

#endif
