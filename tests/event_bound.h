/* SPDX-License-Identifier: GPL-3.0-or-later */
/* For tests: how exactly the events of a rehearsed machine can be timed at best, whatever the method. */
#ifndef TRAMMEL_TESTS_EVENT_BOUND_H
#define TRAMMEL_TESTS_EVENT_BOUND_H

#include "tests/event_machines.h"
#include "tests/road_rig.h"

/* Least sd of each event's time, ms, that an unbiased method can have (Cramer 1946, Rao 1945) which knows all
 * of the machine but this one time and that of the same end's movement before it: from the chamber's
 * samples in between that movement and the next, with the machine's noise and converter.  How they answer to
 * the two times is told by rehearsing the ride without noise and with the valves' delays changed.
 * NAN for an event that did not move.  malloc'd, beside r->event. */
double *event_bound(const struct event_machine *m, const struct road *r);

#endif
