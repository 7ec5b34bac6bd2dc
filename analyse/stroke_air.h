/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Air taken in by one stroke, from the energy balance of the admission. */
#ifndef TRAMMEL_STROKE_AIR_H
#define TRAMMEL_STROKE_AIR_H

#include "analyse/stroke_events.h"
#include "analyse/stroke_nodes.h"

/* Energy that came in over a row of nodes as the enthalpy of air at supply_k:
 * m cp T_s = cv/R change(p V) + integral p dV, no heat to the walls.  kg.
 * Wall heat makes the true mass larger (at most gamma times). */
double stroke_air_admitted_kg(const struct indicator_node *node, size_t n, double supply_k);

/* kg; NAN when admission or cut-off is not known or the inlet never shut.  The balance runs from one
 * opening ramp before the inlet is half open to one shutting ramp after it
 * is half shut.  The nodes must reach back that far. */
double stroke_air_kg(const struct stroke_nodes *s, const struct stroke_angles *a, double omega_rad_s,
                     double opening_s, double shutting_s, double supply_k);

#endif
