/* SPDX-License-Identifier: 0BSD */
/* Valve timing for Number 7 trolley before anything was measured: the angles
 * of its engine file, no leads.  Same form as `trammel plan --header` writes.
 * Each value is the controller's own angle at which to switch, in tenths of a degree,
 * 0..3599; the row is the supply pressure at or next below, the column the speed.
 */
#ifndef TRAMMEL_TIMING_H
#define TRAMMEL_TIMING_H

#include <stdint.h>

#ifndef TRAMMEL_TABLE
#define TRAMMEL_TABLE /* where tables live: PROGMEM on an AVR */
#endif

#define TRAMMEL_VALVES 4
#define TRAMMEL_SUPPLIES 1
#define TRAMMEL_SPEEDS 2

static const uint8_t trammel_valve_number[TRAMMEL_VALVES] TRAMMEL_TABLE = {0, 1, 2, 3};
static const uint16_t trammel_supply_mbar_gauge[TRAMMEL_SUPPLIES] TRAMMEL_TABLE = {0};
static const uint16_t trammel_speed_rpm[TRAMMEL_SPEEDS] TRAMMEL_TABLE = {0, 240};

/* [valve][supply][speed]: coil on */
static const uint16_t trammel_on_ddeg[TRAMMEL_VALVES][TRAMMEL_SUPPLIES][TRAMMEL_SPEEDS] TRAMMEL_TABLE = {
    {{0, 0}},       /* valve 0: cap inlet */
    {{1720, 1720}}, /* valve 1: cap exhaust */
    {{1800, 1800}}, /* valve 2: rod inlet */
    {{3520, 3520}}, /* valve 3: rod exhaust */
};

/* [valve][supply][speed]: coil off */
static const uint16_t trammel_off_ddeg[TRAMMEL_VALVES][TRAMMEL_SUPPLIES][TRAMMEL_SPEEDS] TRAMMEL_TABLE = {
    {{960, 960}},   /* valve 0 */
    {{3520, 3520}}, /* valve 1 */
    {{2760, 2760}}, /* valve 2 */
    {{1720, 1720}}, /* valve 3 */
};

#endif
