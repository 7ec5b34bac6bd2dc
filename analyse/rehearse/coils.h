/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The valves as the plant sees them: coils, spools and the ports they open
 * (or, open at rest, shut).
 * A port that no valve lists is opened by the spring return of the valve that
 * opens its opposite at the same end (a 5/2 valve), or stays shut. */
#ifndef TRAMMEL_REHEARSE_COILS_H
#define TRAMMEL_REHEARSE_COILS_H

#include "analyse/rehearse/armature.h"
#include "analyse/rehearse/plant.h"
#include "analyse/rehearse/spool.h"
#include "analyse/rehearse/loops.h"

struct coil {
	struct spool spool;
	struct spool_habits habits;
	double area_before;
	bool on;
	double warmth, switched_s; /* 0 = cold, 1 = as warm as it gets; as of the last command */
	double warm_delay_ms, warms_s;
	double commanded_us[2]; /* off, on: the command whose event is still to come; NAN = none */
	struct prng random;
	struct armature armature;
};

struct coil_port {
	int valve; /* -1 = none */
	bool inverted;
};

struct coils {
	struct coil coil[ENGINE_VALVES_MAX];
	struct coil_port port[PORT_COUNT];
};

void coils_make(struct coils *c, const struct engine *e, const struct settings *s);

/* Areas of the ports over the step that begins at t_s. */
void coils_areas(struct coils *c, double t_s, double step_s, struct plant_areas *a);

/* Switches a coil at t_s; `extra_delay_ms` adds to its opening delay, and so does its warmth. */
void coils_command(struct coils *c, unsigned valve, double t_s, double t_us, bool on, double extra_delay_ms,
                   struct truth *t);

/* Notes the valves that passed half their area in the last step. */
void coils_step(struct coils *c, const struct plant *p, const struct sender *clock, struct loops *s,
                struct truth *t);

/* The ride is over: commands still without their event did not move in time. */
void coils_end(struct coils *c, struct truth *t);

/* Coils that are on. */
unsigned coils_on(const struct coils *c);

#endif
