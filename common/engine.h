/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The engine file: one machine, as INI, units written out.
 *
 * Everything in `struct engine` is SI: m, m3, Pa absolute, rad, K, kg, N,
 * rad/s.  A value the file does not give is NAN (or 0 for counts).
 * Unknown sections or keys, missing or wrong units, impossible geometry and
 * duplicate channels are faults with file and line (EX_CONFIG).
 *
 * Sections: [engine] is required; [teeth], [valve 0..7], [sensor 0..15],
 * [limits], [drive] and [tank] may be left out.  A comment starts with ';' (or
 * '#' at the start of a line).  Defaults: ambient 1.01325 bar, air temperature
 * 15 degC (ISO 2533), crosshead offset 0 mm, crank ratio 1, rest shut.
 * A single-acting engine leaves out `clearance rod` (and may leave out `rod`);
 * a rod-end valve or sensor makes both necessary.
 * Besides the keys of the example (sample-logs/number7.ini):
 *   [teeth] crank ratio = 2     turns of the toothed wheel per turn of the crank
 *                               (the index switch is on the crank all the same)
 *   [teeth] second channel = behind
 *                               turning forward, the second channel of an encoder
 *                               follows the first (ahead: leads it); without this,
 *                               forward is taken to be the way it mostly turns
 *   [teeth] chain wind-up = fitted
 *                               a chain or belt between crank and toothed wheel gives
 *                               under the torque: find by how much, by the index (on
 *                               the crank) and the gauges of both ends; default none
 *   [valve N] rest = open       normally open: the coil shuts the valve
 *   [valve N] rest role = rod inlet, cap exhaust
 *                               what the valve opens while its coil is off, beside
 *                               `role`, which it opens while it is on: a 5/2 valve
 *                               with one coil and a spring (role = cap inlet, rod
 *                               exhaust).  `opens` is always the angle at which the
 *                               coil goes on, `shuts` where it goes off
 *   [valve N] lead open = 22 ms the controller switches on this much before its
 *                               setting (`lead shut`: off); default 0 ms
 *   [sensor N] role = coil current
 *   [sensor N] valve = 2        the current through the coil of [valve 2], in A or
 *                               mA: for the instants at which it rises and at
 *                               which the armature's motion bends it
 *   [sensor N] table = FILE     counts and value from a CSV file beside the
 *                               engine file; its header names the unit, as
 *                               "counts,bar_gauge" (or "counts,V", "counts,A",
 *                               "counts,%")
 *   [sensor N] table = points   the same in the engine file itself, one
 *                               indented line a point: "  102 counts, 0 bar gauge".
 * `source` always holds the second form, so that it needs no other file. */
#ifndef TRAMMEL_ENGINE_H
#define TRAMMEL_ENGINE_H

#include "common/fault.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define ENGINE_NAME_MAX 80
#define ENGINE_VALVES_MAX 8
#define ENGINE_SENSORS_MAX 16
#define ENGINE_TABLE_MAX 64

enum engine_end { END_CAP, END_ROD, END_COUNT };

enum engine_mechanism { MECHANISM_OSCILLATING, MECHANISM_CROSSHEAD };

enum engine_edges { EDGES_RISING, EDGES_FALLING, EDGES_BOTH };

/* What a valve works: a bit mask, since a 5/2 valve opens two passages, and shuts
 * two others. */
enum engine_passage {
	PASSAGE_CAP_INLET = 1,
	PASSAGE_CAP_EXHAUST = 2,
	PASSAGE_ROD_INLET = 4,
	PASSAGE_ROD_EXHAUST = 8
};

enum engine_sensor_role {
	SENSOR_NONE, /* channel not used */
	SENSOR_SUPPLY,
	SENSOR_TANK,
	SENSOR_CAP,
	SENSOR_ROD,
	SENSOR_BATTERY,
	SENSOR_THROTTLE,
	SENSOR_ROLE_END, /* each of those above has one sensor at most */
	SENSOR_COIL      /* current of a valve's coil: one a valve */
};

struct engine_valve {
	bool present;
	unsigned passages;      /* enum engine_passage bits: all it works */
	unsigned rest_passages; /* of these, the ones it opens while the coil is off */
	bool rest_open;         /* all are open while the coil is off: energising shuts them */
	double opens_rad;       /* setting where the controller sends none; NAN = not given */
	double shuts_rad;
	double lead_open_s; /* the controller switches on this much before its setting */
	double lead_shut_s;
};

/* Counts to value: straight line through two points, or a table (strictly
 * rising counts).  Value: Pa absolute for pressures, V, A, or fraction 0..1. */
struct engine_sensor {
	enum engine_sensor_role role;
	unsigned valve; /* SENSOR_COIL: whose */
	size_t points;
	double counts[ENGINE_TABLE_MAX];
	double value[ENGINE_TABLE_MAX];
};

struct engine {
	char name[ENGINE_NAME_MAX + 1];
	enum engine_mechanism mechanism;
	double pivot_distance_m; /* oscillating cylinder: trunnion to shaft */
	double rod_length_m;     /* crosshead */
	double offset_m;         /* crosshead; sign as in the design, > 0: pin sweeps that side first */
	double crank_radius_m;
	double bore_m;
	double rod_m; /* piston-rod diameter */
	double clearance_m3[END_COUNT];
	double ambient_pa;
	double air_k; /* air temperature */

	unsigned tooth_count; /* 0 = no toothed wheel given */
	enum engine_edges edges;
	int second_channel; /* turning forward it is +1 behind, -1 ahead of the first; 0 = not given */
	double crank_ratio; /* turns of the toothed wheel per turn of the crank */
	bool wind_up;       /* what drives the toothed wheel gives under torque: to be found */
	double index_rad;   /* true crank angle at which the switch closes, forward; NAN */

	struct engine_valve valve[ENGINE_VALVES_MAX];
	struct engine_sensor sensor[ENGINE_SENSORS_MAX]; /* by ADC channel */

	double limit_supply_pa; /* absolute */
	double limit_speed_rad_s;
	double limit_rod_force_n;

	double crank_sprocket, wheel_sprocket; /* teeth */
	double wheel_diameter_m, mass_kg;
	double tank_m3;

	char *source;      /* the file's text, owned; goes into every segment */
	size_t source_len; /* tables named by the file are folded in as points */
};

/* Reads `path`.  0, or -1 with `fault`.  Release with engine_free. */
int engine_read(const char *path, struct engine *e, struct fault *fault);

/* The same from text held in memory; `name` stands in messages.  A sensor
 * table's file is looked up beside `name` unless already folded in. */
int engine_parse(const char *name, const char *text, size_t len, struct engine *e, struct fault *fault);

void engine_free(struct engine *e);

/* Counts to value; NAN when the channel has no role.  Linear between and
 * beyond the points. */
double engine_sensor_value(const struct engine_sensor *s, double counts);

/* First channel with this role, -1 when none. */
int engine_sensor_channel(const struct engine *e, enum engine_sensor_role role);
/* ADC channel that carries the current of a valve's coil, or -1. */
int engine_coil_channel(const struct engine *e, unsigned valve);

/* Teeth that pass in a turn of the crank, to the nearest whole number; 0 when no
 * toothed wheel is given. */
unsigned engine_crank_teeth(const struct engine *e);

/* Does energising the coil open this passage?  Else releasing it does. */
bool engine_energised_opens(const struct engine_valve *v, unsigned passage);

/* First valve that works this passage, -1 when none. */
int engine_valve_for(const struct engine *e, enum engine_passage passage);

/* "cap", "rod"; "supply", ...; "cap inlet", ... Static storage. */
const char *engine_end_name(enum engine_end end);
const char *engine_sensor_role_name(enum engine_sensor_role role);
const char *engine_passage_name(enum engine_passage passage);

#endif
