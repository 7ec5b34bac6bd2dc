/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Temperature of the supply air while a tank empties and cools.
 *
 * The tank holds m = p V / (R T).  What the strokes took is known but for the same
 * temperature (their energy balance gives mass times temperature), so pressure, volume and
 * the mass gone tell T; heat from the tank's wall need not be known.  The throttling of
 * the regulator is taken to leave the temperature alone (ideal gas). */
#ifndef TRAMMEL_SUPPLY_AIR_H
#define TRAMMEL_SUPPLY_AIR_H

#include <stdbool.h>

struct supply_air {
	double rest_k;  /* with the tank at rest: the engine file's air temperature */
	double tank_m3; /* NAN = no tank known: always rest_k */
	bool started;
	double start_kg, used_kg;
	double last_us, least_pa; /* tank pressure, lowest since the start */
};

struct supply_air supply_air_start(double rest_k, double tank_m3);

/* Temperature at t, K; tank_pa absolute, NAN = not known.  A tank that has rested or was filled
 * starts anew at rest_k. */
double supply_air_k(struct supply_air *s, double t_us, double tank_pa);

/* Air that was taken. */
void supply_air_take(struct supply_air *s, double kg);

#endif
